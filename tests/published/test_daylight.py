"""Sun times against almanacs, and shooting hours rounded inward."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitegeo.errors import UsageError
from sitegeo.law.daylight import daylight, is_dark, read_when, shooting_hours
from sitegeo.law.rules import HoursRule
from sitegeo.siting.sun import sun_path

MST, EST, CHINA = (timezone(timedelta(hours=h)) for h in (-7, -5, 8))

# U.S. Naval Observatory, as kept in the tests of pvlib (test_solarposition.py, test_spa.py).
USNO = [
    (39.742476, -105.1786, MST, "2015-01-01", "07:22", "16:47"),
    (39.742476, -105.1786, MST, "2015-01-02", "07:22", "16:48"),
    (39.742476, -105.1786, MST, "2015-01-03", "07:22", "16:49"),
    (39.742476, -105.1786, MST, "2015-08-02", "05:00", "19:13"),
    (39.0, -105.0, MST, "2015-01-02", "07:19", "16:49"),
    (39.0, -105.0, MST, "2015-04-02", "05:43", "18:24"),
    (39.0, -105.0, MST, "2015-08-02", "05:01", "19:10"),
    (39.0, -105.0, MST, "2015-12-02", "07:01", "16:38"),
    (39.917, 116.383, CHINA, "2015-01-02", "07:36", "17:00"),
    (39.917, 116.383, CHINA, "2015-04-02", "05:58", "18:39"),
    (39.917, 116.383, CHINA, "2015-08-02", "05:13", "19:28"),
    (39.917, 116.383, CHINA, "2015-12-02", "07:17", "16:50"),
]


def at_noon(day: str, zone) -> datetime:
    return datetime.fromisoformat(f"{day}T12:00").replace(tzinfo=zone)


@pytest.mark.parametrize(("lat", "lon", "zone", "day", "rise", "fall"), USNO)
def test_against_the_naval_observatory(lat, lon, zone, day, rise, fall) -> None:
    light = daylight(lon, lat, at_noon(day, zone))
    for found, printed in ((light.sunrise, rise), (light.sunset, fall)):
        wanted = datetime.fromisoformat(f"{day}T{printed}").replace(tzinfo=zone)
        assert abs(found - wanted) <= timedelta(seconds=75), (found, printed)


# NREL's Solar Position Algorithm (Reda and Andreas 2003), values kept in the tests of pvlib
# (test_solarposition.py, test_spa.py). Astral is within 20 s, and on the side of the shorter day.
@pytest.mark.parametrize(
    ("lat", "lon", "zone", "day", "rise", "fall"),
    [
        (39.742476, -105.1786, MST, "2015-01-02", "07:21:55", "16:47:43"),
        (-35.0, 0.0, UTC, "1996-07-05", "07:08:15", "17:01:04"),
        (-35.0, 0.0, UTC, "2004-12-04", "04:38:57", "19:02:03"),
        (35.0, 0.0, UTC, "1994-01-02", "07:08:12", "16:59:55"),
        (40.0, -80.0, EST, "2000-01-01", "07:41:51", "17:05:04"),
    ],
)
def test_against_the_solar_position_algorithm(lat, lon, zone, day, rise, fall) -> None:
    light = daylight(lon, lat, at_noon(day, zone))
    late, early = (
        (found - datetime.fromisoformat(f"{day}T{printed}").replace(tzinfo=zone)).total_seconds()
        for found, printed in ((light.sunrise, rise), (light.sunset, fall))
    )
    assert -1 <= late <= 25
    assert -25 <= early <= 1


def test_where_the_sun_stands() -> None:
    """The worked example of the Solar Position Algorithm: 2003-10-17 12:30:30, Golden, Colorado."""
    when = datetime(2003, 10, 17, 12, 30, 30, tzinfo=MST)
    azimuth, altitude = sun_path(-105.1786, 39.742476, when)
    assert azimuth[0] == pytest.approx(194.34024, abs=0.01)
    assert 90.0 - altitude[0] == pytest.approx(50.11162, abs=0.01)


@pytest.mark.parametrize(("lat", "lon"), [(44.13, -90.55), (-35.0, 0.0), (69.65, 18.96)])
def test_it_is_dark_outside_civil_twilight(lat: float, lon: float) -> None:
    """By the almanac formulas that tell dawn and dusk; in Tromsø's winter noon is twilight."""
    for day in ("2026-12-05", "2026-03-20"):
        light = daylight(lon, lat, at_noon(day, UTC))
        assert not is_dark(lon, lat, light.civil_dawn + timedelta(minutes=2))
        assert is_dark(lon, lat, light.civil_dawn - timedelta(minutes=2))
        assert not is_dark(lon, lat, light.civil_dusk - timedelta(minutes=2))
        assert is_dark(lon, lat, light.civil_dusk + timedelta(minutes=2))
    assert not is_dark(18.96, 69.65, at_noon("2026-06-21", UTC).replace(hour=0))  # midnight sun


def test_sunset_is_of_the_local_day() -> None:
    """The published 19:13:58 for Golden on 2015-08-02 is the evening of the UTC day before.

    The sunset of that local day is 19:12:53, computed from the SPA elevation (pvlib) and agreeing
    with USNO's 19:13: a minute later would be a minute of illegal shooting.
    """
    light = daylight(-105.1786, 39.742476, at_noon("2015-08-02", MST))
    assert light.sunset.date() == date(2015, 8, 2)
    wanted = datetime(2015, 8, 2, 19, 12, 53, tzinfo=MST)
    assert abs(light.sunset - wanted) <= timedelta(seconds=20)


@pytest.mark.parametrize("zone", ["America/Chicago", "America/Los_Angeles", "Pacific/Auckland"])
def test_every_day_of_a_year_keeps_its_date(zone: str) -> None:
    lat, lon = {"America/Chicago": (44, -90), "America/Los_Angeles": (38, -122)}.get(
        zone, (-37, 175)
    )
    for n in range(0, 365, 3):
        noon = datetime(2026, 1, 1, 12, tzinfo=ZoneInfo(zone)) + timedelta(days=n)
        light = daylight(lon, lat, noon)
        for moment in (light.civil_dawn, light.sunrise, light.sunset, light.civil_dusk):
            assert moment.date() == noon.date()
        assert light.civil_dawn < light.sunrise < light.sunset < light.civil_dusk


def test_london_at_christmas() -> None:
    """London 2015-12-25: sunrise 08:05, sunset 15:55 UTC (tests of astral)."""
    light = daylight(-0.1333, 51.5, at_noon("2015-12-25", UTC))
    for found, hour, minute in ((light.sunrise, 8, 5), (light.sunset, 15, 55)):
        assert abs(found - datetime(2015, 12, 25, hour, minute, tzinfo=UTC)) <= timedelta(minutes=1)


# Half an hour before sunrise to sunset: 50 CFR part 20 as Maine's summary of 2022-23 gives it;
# California's general hours end half an hour after sunset (Fish and Game Code 3000).
@pytest.mark.parametrize(("closes_min", "close"), [(0, "16:47"), (30, "17:17")])
def test_hours_of_the_law_are_the_suns_and_minutes(closes_min, close) -> None:
    light = daylight(-105.1786, 39.742476, at_noon("2015-01-02", MST))
    rule = HoursRule(opens_min=-30, closes_min=closes_min, citation="a test")
    found = [moment.strftime("%H:%M") for moment in shooting_hours(light, rule)]
    assert found == ["06:53", close]  # 07:21:55 and 16:47:43, rounded inward


def test_london_civil_dawn() -> None:
    """London 2015-12-01: dawn 07:04, sunrise 07:43, sunset 15:55 UTC (tests of astral)."""
    light = daylight(-0.1333, 51.5, at_noon("2015-12-01", UTC))
    for found, printed in (
        (light.civil_dawn, "07:04"),
        (light.sunrise, "07:43"),
        (light.sunset, "15:55"),
    ):
        wanted = datetime.fromisoformat(f"2015-12-01T{printed}").replace(tzinfo=UTC)
        assert abs(found - wanted) <= timedelta(seconds=60)


@given(
    day=st.dates(date(2025, 1, 1), date(2029, 12, 31)),
    opens_min=st.integers(-60, 60),
    closes_min=st.integers(-60, 60),
)
def test_hours_round_inward(day: date, opens_min: int, closes_min: int) -> None:
    noon = datetime(day.year, day.month, day.day, 12, tzinfo=ZoneInfo("America/Chicago"))
    light = daylight(-90.5, 44.1, noon)
    rule = HoursRule(opens_min=opens_min, closes_min=closes_min, citation="a test")
    opens, closes = shooting_hours(light, rule)
    exact_open = light.sunrise + timedelta(minutes=opens_min)
    exact_close = light.sunset + timedelta(minutes=closes_min)
    assert timedelta() <= opens - exact_open < timedelta(minutes=1)
    assert timedelta() <= exact_close - closes < timedelta(minutes=1)
    assert opens.second == closes.second == 0


def test_polar_night_has_no_sunrise() -> None:
    light = daylight(25.0, 75.0, at_noon("2026-12-21", UTC))
    assert light.sunrise is None
    assert light.sunset is None
    rule = HoursRule(opens_min=-30, closes_min=0, citation="a test")
    assert shooting_hours(light, rule) == (None, None)


def test_when_without_an_offset_is_in_the_places_zone() -> None:
    moment = read_when("2026-12-05T06:40", "America/Chicago")
    assert moment.isoformat() == "2026-12-05T06:40:00-06:00"
    assert read_when("2026-07-05T06:40", "America/Chicago").utcoffset() == timedelta(hours=-5)


@pytest.mark.parametrize(
    ("text", "zone", "words"),
    [
        ("Saturday dawn", "America/Chicago", "not a date and time"),
        ("2026-12-05T06:40", None, "no offset"),
        ("2026-12-05T06:40", "Mars/Olympus", "zone is not known"),
        ("2026-12-05T06:40", "/etc", "zone is not known"),
    ],
)
def test_a_time_that_cannot_be_told_is_refused(text, zone, words) -> None:
    with pytest.raises(UsageError, match=words):
        read_when(text, zone)


def test_a_time_with_its_offset_is_told_by_the_places_clock() -> None:
    moment = read_when("2026-12-05T12:40+00:00", "America/Chicago")
    assert moment.isoformat() == "2026-12-05T06:40:00-06:00"
    assert read_when("2026-12-05T12:40+00:00", None).utcoffset() == timedelta()
