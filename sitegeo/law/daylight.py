"""Sun times of a date and place at elevation 0, and the shooting hours a law makes of them.

A true elevation would put sunrise minutes early, which is on the wrong side of the law. Shooting
hours are law: they come from the `[hours]` of a law a person chose, and are rounded inward.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from astral import Observer
from astral.sun import dawn, dusk, elevation, sunrise, sunset

from sitegeo.errors import UsageError
from sitegeo.law.rules import HoursRule, Law

SUN_EVENTS: dict[str, Callable[..., datetime]] = {
    "civil_dawn": dawn,
    "sunrise": sunrise,
    "sunset": sunset,
    "civil_dusk": dusk,
}
"""The sun's events of a day, and what works out each."""
CIVIL_DEG = 6.0
"""How far below the horizon the sun's middle is when civil twilight ends; standard."""
_ALMOST_A_MINUTE = timedelta(minutes=1) - timedelta(microseconds=1)


@dataclass(frozen=True)
class Daylight:
    """Local times of one date; None where the sun does not cross that height that day."""

    zone: str
    civil_dawn: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    civil_dusk: datetime | None = None

    def event(self, name: str) -> datetime | None:
        """Return the time of one of `SUN_EVENTS`, written with a space or an underscore."""
        found: datetime | None = getattr(self, name.replace(" ", "_"))
        return found


@dataclass(frozen=True)
class ShootingHours:
    """When shooting opens and closes on one day, and by which rule; None where it does not."""

    opens: datetime | None
    closes: datetime | None
    citation: str


def time_zone(name: str | None) -> tzinfo | None:
    """Return a time zone by its name; raises `UsageError` for one that is not known."""
    if name is None:
        return None
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError):
        raise UsageError(
            "the time zone is not known",
            where="[place] zone",
            value=name,
            remedy='Write for example "America/Chicago"',
        ) from None


def read_when(text: str, zone: str | None) -> datetime:
    """Return the moment a person wrote, in the place's zone where it carries no offset.

    Raises
    ------
    UsageError
        If it is no ISO 8601 time, or has no offset and the place no zone.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(
            "this is not a date and time", value=text, remedy="Write for example 2026-12-05T06:40"
        ) from None
    place_zone = time_zone(zone)
    if moment.tzinfo is not None:
        return moment if place_zone is None else moment.astimezone(place_zone)
    if place_zone is None:
        raise UsageError(
            "this time has no offset and the place has no time zone",
            value=text,
            remedy="Add the offset (2026-12-05T06:40-06:00), or [place] zone in PLACE.toml",
        )
    return moment.replace(tzinfo=place_zone)


def read_day(text: str) -> date:
    """Return the date or time a person wrote; raises `UsageError` for neither.

    A time with an offset stays a `datetime`: whose day it is depends on the place's clock.
    """
    try:
        moment = datetime.fromisoformat(text)
        return moment.date() if moment.tzinfo is None else moment
    except ValueError:
        raise UsageError(
            "this is not a date", value=text, remedy="Write for example 2026-12-05"
        ) from None


def local_day(on: date | None, clock: tzinfo | None) -> date | None:
    """Return the day of a date or moment by a place's clock; a moment's own without one."""
    if not isinstance(on, datetime):
        return on
    return on.date() if clock is None else on.astimezone(clock).date()


def daylight(lon: float, lat: float, when: datetime) -> Daylight:
    """Return the sun times of the local date of `when`.

    Parameters
    ----------
    lon, lat
        Degrees in WGS 84.
    when
        A moment of that date, which carries its zone.

    Returns
    -------
    Daylight
        In that zone, to the microsecond.

    Notes
    -----
    The almanac formulas of the astral package, sun's upper limb with 34' of refraction.

    Examples
    --------
    >>> from datetime import datetime
    >>> from zoneinfo import ZoneInfo
    >>> noon = datetime(2026, 12, 5, 12, tzinfo=ZoneInfo("America/Chicago"))
    >>> f"{daylight(-90.5, 44.1, noon).sunrise:%H:%M}"
    '07:21'
    """
    observer = Observer(latitude=lat, longitude=lon, elevation=0.0)
    zone = when.tzinfo or UTC
    times: dict[str, datetime | None] = {}
    for name, event in SUN_EVENTS.items():
        try:
            times[name] = event(observer, date=when.date(), tzinfo=zone)
        except ValueError:
            times[name] = None  # polar day or night
    return Daylight(str(zone), **times)


def is_dark(lon: float, lat: float, when: datetime) -> bool:
    """Return whether the sun's middle is more than 6° below the horizon: no civil twilight.

    Parameters
    ----------
    lon, lat
        Degrees in WGS 84.
    when
        A moment with its zone.

    Returns
    -------
    bool
    """
    observer = Observer(latitude=lat, longitude=lon, elevation=0.0)
    return elevation(observer, when, with_refraction=False) < -CIVIL_DEG


def shooting_hours(
    light: Daylight, hours: HoursRule, *, on: date | None = None, zone: tzinfo | None = None
) -> tuple[datetime | None, datetime | None]:
    """Return when shooting opens and closes under one rule, each rounded inward to the minute.

    The rule is applied first and the rounding after.

    Parameters
    ----------
    light
        Sun times of the day.
    hours
        The rule.
    on, zone
        The day and zone that its times of the clock are written for; they do not count without a
        day.

    Returns
    -------
    opens, closes : datetime or None
        None where the sun has no such event that day.
    """
    opens, closes = light.event(hours.opens), light.event(hours.closes)
    if opens is not None:
        opens = round_inward(opens, hours.opens_min, earliest=True)
    if closes is not None:
        closes = round_inward(closes, hours.closes_min, earliest=False)
    if on is not None and opens is not None and hours.not_before is not None:
        opens = max(opens, clock_time_on(on, hours.not_before, zone))
    if on is not None and closes is not None and hours.not_after is not None:
        closes = min(closes, clock_time_on(on, hours.not_after, zone))
    return opens, closes


def shooting_hours_on(law: Law, light: Daylight, when: datetime) -> ShootingHours | None:
    """Return the shooting hours of a law on a day: the latest opening, the earliest close.

    Parameters
    ----------
    law
        Whose `hours` count.
    light
        Sun times of that day.
    when
        A moment of it, with its zone.

    Returns
    -------
    ShootingHours or None
        None where the law has none in force that day. A day without one of its sun's events, or
        that closes before it opens, has no opening and no close.
    """
    on = when.date()
    held = [h for h in law.hours if h.in_force(on)]
    if not held:
        return None
    spans = [shooting_hours(light, h, on=on, zone=when.tzinfo) for h in held]
    opens = [start for start, _ in spans if start is not None]
    closes = [stop for _, stop in spans if stop is not None]
    citation = "; ".join(dict.fromkeys(h.citation for h in held))
    if len(opens) < len(held) or len(closes) < len(held) or max(opens) >= min(closes):
        return ShootingHours(None, None, citation)
    return ShootingHours(max(opens), min(closes), citation)


def clock_time_on(on: date, clock: time, zone: tzinfo | None) -> datetime:
    """Return a time of the clock on a day.

    Parameters
    ----------
    on
        The day.
    clock
        The time; one with a zone of its own keeps it.
    zone
        Of the place; None is UTC.

    Returns
    -------
    datetime
        With its zone.
    """
    return datetime.combine(on, clock, tzinfo=clock.tzinfo or zone or UTC)


def round_inward(moment: datetime, minutes: float, *, earliest: bool) -> datetime:
    """Return minutes after a moment, to the whole minute: up for an earliest time, else down.

    Parameters
    ----------
    moment
        The event counted from.
    minutes
        After it; negative is before.
    earliest
        Whether the result is the first moment allowed, or the last.

    Returns
    -------
    datetime

    Examples
    --------
    >>> from datetime import datetime
    >>> sunrise = datetime(2026, 12, 5, 7, 17, 20)
    >>> f"{round_inward(sunrise, -30, earliest=True):%H:%M}"
    '06:48'
    """
    moved = moment + timedelta(minutes=minutes)
    return (moved + _ALMOST_A_MINUTE if earliest else moved).replace(second=0, microsecond=0)
