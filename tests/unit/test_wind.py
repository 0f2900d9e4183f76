"""Winds as people write them, and as forecasts and records hold them."""

from __future__ import annotations

import math
from datetime import timedelta
from pathlib import Path

import pytest

from sitegeo.angles import COMPASS_POINTS
from sitegeo.core.wind import CALM_MPS, DEFAULT_SPREAD_DEG, Wind, read_time
from sitegeo.errors import ForecastError, WindError
from sitegeo.weather.files import read_winds

MPH = 0.44704
KNOT = 1852 / 3600


@pytest.mark.parametrize(
    ("text", "from_deg", "speed_mps", "gust_mps"),
    [
        ("NW 12 mph", 315, 12 * MPH, None),
        ("nw, 12mph", 315, 12 * MPH, None),
        ("NNE 8 kn gust 14", 22.5, 8 * KNOT, 14 * KNOT),
        ("NNE 8 kn gusting to 14 mph", 22.5, 8 * KNOT, 14 * MPH),
        ("S 10 mph, gusts to 18 mph", 180, 10 * MPH, 18 * MPH),
        ("S 10 kt g18", 180, 10 * KNOT, 18 * KNOT),
        ("315 5 m/s", 315, 5, None),
        ("315° 5 m/s", 315, 5, None),
        ("315 deg 18 km/h", 315, 5, None),
        ("22.5 5 m/s gust 8", 22.5, 5, 8),
        ("360 5 m/s", 0, 5, None),
        ("W 0 mph", 270, 0, None),
        (" Calm ", 0, 0, None),
    ],
)
def test_winds_as_people_write_them(
    text: str, from_deg: float, speed_mps: float, gust_mps: float | None
) -> None:
    wind = Wind.parse(text)
    assert (wind.from_deg, wind.spread_deg) == (from_deg, DEFAULT_SPREAD_DEG)
    assert wind.speed_mps == pytest.approx(speed_mps)
    assert wind.gust_mps == (None if gust_mps is None else pytest.approx(gust_mps))


@pytest.mark.parametrize(("i", "point"), list(enumerate(COMPASS_POINTS)))
def test_every_compass_point_there_and_back(i: int, point: str) -> None:
    wind = Wind.parse(f"{point} 10 mph")
    assert wind.from_deg == i * 22.5
    assert wind.words().startswith(f"{point} 10 mph (from ")
    assert Wind.parse(wind.words().partition(" (")[0]).from_deg == wind.from_deg


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("NWN 12", "'NWN' is not one of the sixteen compass points"),
        ("VRB 3 kt", "'VRB' is not one of the sixteen compass points"),
        ("nan 5 m/s", "'nan' is not one of the sixteen compass points"),
        ("-3 mph", "cannot be read: it needs a direction"),
        ("NW -3 mph", "cannot be negative"),
        ("400 5 m/s", "between 0 and 360°"),
        ("400° 5 m/s", "between 0 and 360°"),
        ("-10 5 m/s", "between 0 and 360°"),
        ("400°", "cannot be read"),
        ("NW", "cannot be read"),
        ("", "cannot be read"),
        ("12 mph NW", "cannot be read"),
        ("NW 5 to 10 mph", "cannot be read"),
        ("NW 5,5 m/s", "cannot be read"),
        ("NW 12", "has no unit"),
        ("NW 12 furlongs", "unknown unit of speed 'furlongs'"),
        ("NW 12 mph gust 5 furlongs", "unknown unit of speed 'furlongs'"),
        ("NW 300 mph", "between 0 and 60 m/s"),
        ("N 8 mph gust 5", "a gust is at least the mean wind"),
    ],
)
def test_what_cannot_be_a_wind_is_refused_in_the_words_given(text: str, words: str) -> None:
    with pytest.raises(WindError, match=words) as caught:
        Wind.parse(text)
    assert f"(got {text!r})" in str(caught.value)
    assert caught.value.remedy
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("from_deg", "speed", "gust", "spread"),
    [
        (360.0, 5, None, 15),
        (-1.0, 5, None, 15),
        (math.nan, 5, None, 15),
        (0.0, -1, None, 15),
        (0.0, math.inf, None, 15),
        (0.0, math.nan, None, 15),
        (0.0, 5, 4, 15),
        (0.0, 5, math.nan, 15),
        (0.0, 5, None, -1),
        (0.0, 5, None, 120),
    ],
)
def test_no_wind_with_values_that_no_wind_has(
    from_deg: float, speed: float, gust: float | None, spread: float
) -> None:
    with pytest.raises(WindError):
        Wind(from_deg, speed, gust, spread)


def test_calm_claims_no_direction() -> None:
    assert Wind(315.0, CALM_MPS - 0.01).words() == "calm"
    assert Wind.parse("calm").calm
    assert not Wind(315.0, CALM_MPS).calm


def test_words_in_either_units() -> None:
    wind = Wind.parse("NW 12 mph gust 18")
    assert wind.words() == "NW 12 mph, gusts 18 mph (from 315°)"
    assert wind.words("m") == "NW 5.4 m/s, gusts 8.0 m/s (from 315°)"
    assert Wind(359.9, 5.0).words().endswith("(from 0°)")


# Forecasts and records

HEADER = "time,from_deg,speed_mps,gust_mps,temp_c\n"


def write(folder: Path, text: str) -> Path:
    path = folder / "winds.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_forecast_in_si(tmp_path: Path) -> None:
    path = write(tmp_path, HEADER + "2026-12-05T06:00-06:00,315,5,8,-2\n")
    (hour,) = read_winds(path).hours
    assert hour.wind == Wind(315.0, 5.0, 8.0)
    assert hour.temp_c == -2
    assert hour.time.utcoffset() == timedelta(hours=-6)


def test_a_forecast_in_miles_and_fahrenheit_with_spread(tmp_path: Path) -> None:
    text = "\ufefftime, from_deg, speed_mph, gust_mph, temp_f, spread_deg\n"
    text += "2026-12-05T06:00Z, 360, 10, 20, 14, 25\n"
    (hour,) = read_winds(write(tmp_path, text)).hours
    assert hour.wind is not None
    assert (hour.wind.from_deg, hour.wind.spread_deg) == (0, 25)
    assert (hour.wind.speed_mps, hour.wind.gust_mps) == pytest.approx((10 * MPH, 20 * MPH))
    assert hour.temp_c == pytest.approx(-10)


def test_gaps_and_calms_are_kept(tmp_path: Path) -> None:
    rows = (
        "2026-12-05T06:00Z,315,,,\n"  # no speed: a gap
        "2026-12-05T07:00Z,,5,,1\n"  # blows from nowhere: a gap
        "2026-12-05T08:00Z,,0,,\n"  # calm
        "2026-12-05T09:00Z,90,5,0,\n"  # no gust told
        "2026-12-05T10:00Z,90,5,5,\n"
    )
    hours = read_winds(write(tmp_path, HEADER + rows)).hours
    assert [h.wind for h in hours] == [
        None,
        None,
        Wind(0.0, 0.0),
        Wind(90.0, 5.0),
        Wind(90.0, 5.0, 5.0),
    ]
    assert hours[1].temp_c == 1


def test_hours_of_the_clock_change_rise(tmp_path: Path) -> None:
    """The night daylight saving ends has 01:30 twice, an hour apart by their offsets."""
    rows = "2026-11-01T01:30-05:00,10,5,,\n2026-11-01T01:30-06:00,20,5,,\n"
    forecast = read_winds(write(tmp_path, HEADER + rows))
    first, second = forecast.hours
    assert second.time - first.time == timedelta(hours=1)
    assert forecast.at("2026-11-01T01:30-06:00").from_deg == 20
    assert forecast.at("2026-11-01T06:30Z").from_deg == 10


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("yesterday,90,5,,", r"line 3: this is not an ISO 8601 time \(got 'yesterday'\)"),
        (",90,5,,", "line 3: this is not an ISO 8601 time"),
        ("2026-12-05T07:00,90,5,,", "line 3: this time has no offset from UTC"),
        ("2026-12-05T07:00Z,east,5,,", r"line 3: from_deg is not a number \(got 'east'\)"),
        ("2026-12-05T07:00Z,90,nan,,", r"line 3: speed_mps is not a number \(got 'nan'\)"),
        ("2026-12-05T07:00Z,90,5,,inf", "line 3: temp_c is not a number"),
        ("2026-12-05T07:00Z,400,5,,", r"line 3: a wind's direction .* \(got 400.0\)"),
        ("2026-12-05T07:00Z,-10,5,,", "line 3: a wind's direction"),
        ("2026-12-05T07:00Z,90,-5,,", "line 3: a wind's speed"),
        ("2026-12-05T07:00Z,90,99,,", "line 3: a wind's speed"),
        ("2026-12-05T07:00Z,90,5,-1,", "line 3: a gust"),
        ("2026-12-05T07:00Z,90,5,5,1,9", "line 3: has more values than the header"),
        ("2026-12-05T06:00Z,90,5,,", r"line 3: times must rise .*\(got '2026-12-05T06:00Z'\)"),
        ("2026-12-05T07:30+02:00,90,5,,", "line 3: times must rise"),
    ],
)
def test_faults_name_file_line_and_value(tmp_path: Path, row: str, words: str) -> None:
    path = write(tmp_path, HEADER + "2026-12-05T06:00Z,90,5,,\n" + row + "\n")
    with pytest.raises(ForecastError, match=words) as caught:
        read_winds(path)
    assert str(caught.value).startswith(f"{path} line 3: ")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the header must name time"),
        ("time,speed_mps\n", "the header must name time"),
        ("time;from_deg;speed_mps\n2026-12-05T06:00Z;90;5\n", "with commas between them"),
        ("time,from_deg,speed_kmh\n", "speed_mps or speed_mph"),
        (HEADER, "holds no rows"),
    ],
)
def test_files_that_hold_no_winds(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(ForecastError, match=words):
        read_winds(write(tmp_path, text))


def test_files_that_are_no_csv(tmp_path: Path) -> None:
    with pytest.raises(ForecastError, match="cannot be read: No such file"):
        read_winds(tmp_path / "none.csv")
    with pytest.raises(ForecastError, match="cannot be read: "):
        read_winds(tmp_path)
    (tmp_path / "photo.csv").write_bytes(b"II*\x00\xff\xfe" * 9)
    with pytest.raises(ForecastError, match="is not CSV in UTF-8"):
        read_winds(tmp_path / "photo.csv")


def test_the_wind_at_a_time_is_the_nearest_hours(tmp_path: Path) -> None:
    rows = "".join(
        f"2026-12-05T{h:02}:00-06:00,{h * 10},{'' if h == 8 else 5},,\n" for h in (6, 7, 8)
    )
    forecast = read_winds(write(tmp_path, HEADER + rows))
    assert forecast.at("2026-12-05T06:20-06:00").from_deg == 60
    assert forecast.at("2026-12-05T12:40Z").from_deg == 70
    for when in ("2026-12-05T08:00-06:00", "2026-12-05T04:50-06:00", "2026-12-06T06:00-06:00"):
        with pytest.raises(ForecastError, match=r"no wind near this time.*runs from 2026-12-05T06"):
            forecast.at(when)


def test_times_need_an_offset() -> None:
    assert read_time("2026-12-05T06:40-06:00", where="x").hour == 6
    with pytest.raises(ForecastError, match=r"x: this time has no offset.*2026-12-05T06:40-06:00"):
        read_time("2026-12-05T06:40", where="x")
