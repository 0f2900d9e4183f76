"""Wind: one morning's, a forecast's, and past mornings'.

Direction is where the wind comes from, in degrees clockwise from true north.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from sitegeo.angles import COMPASS_POINTS, compass_bearing, compass_point, wrap360
from sitegeo.errors import ForecastError, UsageError, WindError
from sitegeo.units import LengthUnit, metres_per_second, speed_text

CALM_MPS = 1.0
"""Below this no direction is claimed (Hart et al. 2013 found none in no wind or light breeze)."""

LIGHT_MPS = 3.3
"""Top of Beaufort force 2, light breeze (WMO): up to it the wind may not be what birds land by."""

GUST_FACTOR = 1.5
"""Gust over mean wind where no gust is given; judgement."""

DEFAULT_SPREAD_DEG = 15.0
"""Standard deviation of the wind's direction over a morning, where nobody says; judgement."""

WindSide = Literal["onto", "quartering-on", "along", "quartering-off", "off"]

WIND_SIDES: tuple[tuple[float, WindSide], ...] = (
    (25.0, "onto"),
    (65.0, "quartering-on"),
    (100.0, "along"),
    (150.0, "quartering-off"),
)
"""How the wind meets a bank: upper end of each side, degrees between the wind and the way the bank
faces; beyond the last it is ``off``. Practice."""

# Beyond any wind a person is out in: more is a mistaken unit; judgement.
_FASTEST_MPS, _FASTEST_GUST_MPS = 60, 90

_EXAMPLE = 'Write for example "NW 12 mph", "315 5 m/s", "NNE 8 kn gust 14" or "calm"'
_PATTERN = re.compile(
    r"^\s*(?P<dir>[A-Za-z]{1,3}|[-+]?\d+(?:\.\d+)?\s*(?:°|deg)?)[\s,@]+"
    r"(?P<speed>[-+]?\d+(?:\.\d+)?)\s*(?P<unit>[A-Za-z/]+(?:-1)?)?"
    r"(?:[\s,]*(?:gust(?:s|ing)?(?:\s+to)?|g)\s*(?P<gust>[-+]?\d+(?:\.\d+)?)\s*(?P<gunit>[A-Za-z/]+)?)?\s*$",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Wind:
    """The wind of one morning.

    Parameters
    ----------
    from_deg
        True bearing it comes from, [0, 360).
    speed_mps
        Mean speed at 10 m over open ground.
    gust_mps
        Gust, None where not known.
    spread_deg
        Standard deviation of its direction.

    Raises
    ------
    WindError
        For a value that no wind can have.
    """

    from_deg: float
    speed_mps: float
    gust_mps: float | None = None
    spread_deg: float = DEFAULT_SPREAD_DEG

    def __post_init__(self) -> None:
        for ok, what, value in (
            (0 <= self.from_deg < 360, "a wind's direction lies in [0, 360)", self.from_deg),
            (
                0 <= self.speed_mps <= _FASTEST_MPS,
                f"a wind's speed lies between 0 and {_FASTEST_MPS} m/s",
                self.speed_mps,
            ),
            (0 <= self.spread_deg <= 90, "a wind's spread lies in 0 to 90°", self.spread_deg),
            (
                self.gust_mps is None or self.speed_mps <= self.gust_mps <= _FASTEST_GUST_MPS,
                "a gust is at least the mean wind",
                self.gust_mps,
            ),
        ):
            if not ok:
                raise WindError(what, value=value, remedy=_EXAMPLE)

    @classmethod
    def parse(cls, text: str) -> Wind:
        """Return the wind a person wrote, such as ``"NW 12 mph"`` or ``"315 5 m/s gust 8"``.

        Raises
        ------
        WindError
            If it cannot be read; nothing is guessed.

        Examples
        --------
        >>> Wind.parse("NW 5 m/s gust 8")
        Wind(from_deg=315.0, speed_mps=5.0, gust_mps=8.0, spread_deg=15.0)
        """
        if text.strip().lower() == "calm":
            return cls(0.0, 0.0)
        match = _PATTERN.match(text)
        if match is None:
            raise WindError(
                "this wind cannot be read: it needs a direction, then a speed with its unit",
                value=text,
                remedy=_EXAMPLE,
            )
        from_deg = _direction(match["dir"], text)
        speed = _speed(match["speed"], match["unit"], text)
        gust = (
            _speed(match["gust"], match["gunit"] or match["unit"], text) if match["gust"] else None
        )
        try:
            return cls(from_deg, speed, gust)
        except WindError as error:  # in the person's own words and unit, not in m/s
            raise WindError(error.what, value=text, remedy=_EXAMPLE) from None

    @property
    def strongest_mps(self) -> float:
        """The gust, or `GUST_FACTOR` times the mean wind where none is given."""
        return self.gust_mps or GUST_FACTOR * self.speed_mps

    @property
    def calm(self) -> bool:
        """Whether it is too light for birds or decoys to take a direction from it."""
        return self.speed_mps < CALM_MPS

    def words(self, units: LengthUnit = "yd") -> str:
        """Return it as a person says it."""
        if self.calm:
            return "calm"
        gust = f", gusts {speed_text(self.gust_mps, units)}" if self.gust_mps else ""
        return (
            f"{compass_point(self.from_deg)} {speed_text(self.speed_mps, units)}"
            f"{gust} (from {round(self.from_deg) % 360}°)"
        )


def _direction(text: str, whole: str) -> float:
    if text[0].isalpha():
        if text.upper() not in COMPASS_POINTS:
            raise WindError(
                f"'{text}' is not one of the sixteen compass points",
                value=whole,
                remedy=f"Use one of {' '.join(COMPASS_POINTS)}, or degrees from true north",
            )
        return compass_bearing(text)
    degrees = float(re.sub(r"[°a-zA-Z\s]", "", text))
    if not 0 <= degrees <= 360:
        raise WindError("a direction lies between 0 and 360°", value=whole, remedy=_EXAMPLE)
    return float(wrap360(degrees))


def _speed(number: str, unit: str | None, whole: str) -> float:
    speed = float(number)
    if unit is None:
        raise WindError("the wind's speed has no unit", value=whole, remedy=_EXAMPLE)
    if speed < 0:
        raise WindError("a wind's speed cannot be negative", value=whole, remedy=_EXAMPLE)
    try:
        return metres_per_second(speed, unit)
    except UsageError:
        raise WindError(f"unknown unit of speed '{unit}'", value=whole, remedy=_EXAMPLE) from None


@dataclass(frozen=True)
class TimedWind:
    """A wind at a time.

    Parameters
    ----------
    time
        With its offset from UTC.
    wind
        None where the record has a gap.
    temp_c
        Air temperature, None where not known.
    """

    time: datetime
    wind: Wind | None
    temp_c: float | None = None


_NEAREST = timedelta(hours=1)  # judgement: a wind further off in time is not that morning's


@dataclass(frozen=True)
class Forecast:
    """Winds in the order of their times: a forecast, or past mornings.

    Gaps and calms are kept.
    """

    hours: tuple[TimedWind, ...]

    def in_zone(self, zone: str | None) -> Forecast:
        """Return the same winds with their times by a zone's clock; itself for no zone."""
        if zone is None:
            return self
        clock = ZoneInfo(zone)
        return Forecast(tuple(replace(h, time=h.time.astimezone(clock)) for h in self.hours))

    def at(self, when: str) -> Wind:
        """Return the wind at the hour nearest to an ISO 8601 time with offset.

        Raises
        ------
        ForecastError
            If the time is more than an hour from the record, or falls in a gap.
        """
        wanted = read_time(when, where="--when")
        first, last = self.hours[0].time.isoformat(), self.hours[-1].time.isoformat()
        nearest = min(self.hours, key=lambda h: abs(h.time - wanted))
        if abs(nearest.time - wanted) > _NEAREST or nearest.wind is None:
            raise ForecastError(
                "the forecast has no wind near this time",
                value=when,
                remedy=f"It runs from {first} to {last}",
            )
        return nearest.wind


def read_time(text: str, *, where: object) -> datetime:
    """Return an ISO 8601 time that has an offset from UTC; raises `ForecastError`."""
    remedy = "Write for example 2026-12-05T06:40-06:00"
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ForecastError(
            "this is not an ISO 8601 time", where=where, value=text, remedy=remedy
        ) from None
    if moment.tzinfo is None:
        raise ForecastError(
            "this time has no offset from UTC", where=where, value=text, remedy=remedy
        )
    return moment
