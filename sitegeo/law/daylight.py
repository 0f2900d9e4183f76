"""Sun times of a date and place at elevation 0, and the shooting hours a law makes of them.

A true elevation would put sunrise minutes early, which is on the wrong side of the law. Shooting
hours are law: they come from the `[hours]` of a law a person chose, and are rounded inward.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from astral import Observer
from astral.sun import dawn, dusk, sunrise, sunset

from sitegeo.errors import UsageError
from sitegeo.law.rules import Hours

EVENTS: dict[str, Callable[..., datetime]] = {
    "civil_dawn": dawn,
    "sunrise": sunrise,
    "sunset": sunset,
    "civil_dusk": dusk,
}
_ALMOST_A_MINUTE = timedelta(minutes=1) - timedelta(microseconds=1)


@dataclass(frozen=True)
class Daylight:
    """Local times of one date; None where the sun does not cross that height that day."""

    zone: str
    civil_dawn: datetime | None
    sunrise: datetime | None
    sunset: datetime | None
    civil_dusk: datetime | None = None


def zone_of(name: str | None) -> tzinfo | None:
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
    place_zone = zone_of(zone)
    if moment.tzinfo is not None:
        return moment if place_zone is None else moment.astimezone(place_zone)
    if place_zone is None:
        raise UsageError(
            "this time has no offset and the place has no time zone",
            value=text,
            remedy="Add the offset (2026-12-05T06:40-06:00), or [place] zone in PLACE.toml",
        )
    return moment.replace(tzinfo=place_zone)


def daylight(lon: float, lat: float, when: datetime) -> Daylight:
    """Return sun times of the local date of `when`, which carries its zone.

    Source: the almanac formulas of the astral package, sun's upper limb with 34' of refraction.
    """
    observer = Observer(latitude=lat, longitude=lon, elevation=0.0)
    zone = when.tzinfo or UTC
    times: dict[str, datetime | None] = {}
    for name, event in EVENTS.items():
        try:
            times[name] = event(observer, date=when.date(), tzinfo=zone)
        except ValueError:
            times[name] = None  # polar day or night
    return Daylight(str(zone), **times)


def shooting_hours(light: Daylight, hours: Hours) -> tuple[datetime | None, datetime | None]:
    """Return when shooting opens and closes under a law, each rounded inward to the minute.

    The rule is applied first and the rounding after. None where the sun has no such event.
    """
    opens, closes = getattr(light, _named(hours.opens)), getattr(light, _named(hours.closes))
    if opens is not None:
        opens = _floor(opens + timedelta(minutes=hours.opens_min) + _ALMOST_A_MINUTE)
    if closes is not None:
        closes = _floor(closes + timedelta(minutes=hours.closes_min))
    return opens, closes


def _named(event: str) -> str:
    return event.replace(" ", "_")


def _floor(moment: datetime) -> datetime:
    return moment.replace(second=0, microsecond=0)
