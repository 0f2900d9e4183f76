"""Forecasts and past winds in the forms that services and stations give them."""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine

from sitegeo.core.wind import Wind
from sitegeo.errors import ForecastError
from sitegeo.weather.files import read_winds, winds_csv
from sitegeo.weather.grids import polar

MPH = 0.44704
KNOT = 1852 / 3600


def saved(folder: Path, held: Any, name: str = "forecast.json") -> Path:
    path = folder / name
    path.write_text(held if isinstance(held, str) else json.dumps(held), encoding="utf-8")
    return path


def told(wind: Wind | None) -> tuple[float, float, float | None]:
    assert wind is not None
    return wind.from_deg, wind.speed_mps, wind.gust_mps


def period(hour: int, speed: Any, direction: Any = "NW", **more: Any) -> dict[str, Any]:
    """A period of the national weather service's hourly forecast (form: api.weather.gov)."""
    return {
        "number": hour,
        "startTime": f"2026-12-05T{hour:02}:00:00-06:00",
        "temperature": 28,
        "temperatureUnit": "F",
        "windSpeed": speed,
        "windDirection": direction,
        **more,
    }


def periods(*rows: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "properties": {"periods": list(rows)}}


def test_speeds_as_text_ranges_objects_and_none(tmp_path: Path) -> None:
    rows = periods(
        period(5, "10 mph"),
        period(6, "5 to 10 mph", "NNE"),
        period(7, "0 to 10 mph"),
        period(8, {"unitCode": "wmoUnit:km_h-1", "value": 18}, windGust="25 mph"),
        period(9, "0 mph", ""),
        period(10, "12 mph", ""),
        period(11, None),
        period(12, "10 mph", windGust=None),
        period(13, {"unitCode": "wmoUnit:km_h-1", "minValue": 18, "maxValue": 36}),
    )
    winds = [h.wind for h in read_winds(saved(tmp_path, rows)).hours]
    assert told(winds[0]) == pytest.approx((315, 10 * MPH, None))
    assert told(winds[1]) == pytest.approx((22.5, 7.5 * MPH, None))  # half again covers the 10
    assert told(winds[2]) == pytest.approx((315, 5 * MPH, 10 * MPH))
    assert told(winds[3]) == pytest.approx((315, 5, 25 * MPH))
    assert winds[4] == Wind(0.0, 0.0)
    assert winds[5] is None
    assert winds[6] is None
    assert told(winds[7]) == pytest.approx((315, 10 * MPH, None))
    assert told(winds[8]) == pytest.approx((315, 7.5, None))
    first = read_winds(tmp_path / "forecast.json").hours[0]
    assert first.time.utcoffset() == timedelta(hours=-6)
    assert first.temp_c == pytest.approx(-2.222, abs=1e-3)


def test_the_other_unit_of_temperature(tmp_path: Path) -> None:
    row = period(5, "10 mph", temperature={"unitCode": "wmoUnit:degC", "value": -3})
    assert read_winds(saved(tmp_path, periods(row))).hours[0].temp_c == -3


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (period(5, "brisk"), r"period 1: this speed cannot be read \(got 'brisk'\)"),
        (period(5, "10 furlongs"), "unknown unit of speed"),
        (period(5, "10 mph", "NWN"), "a direction is not a number"),
        (period(5, "10 mph", startTime="2026-12-05T05:00"), "no offset from UTC"),
        (period(5, "10 mph", startTime=None), "not an ISO 8601 time"),
        (period(5, "10 mph", temperature=True), "a temperature is not a number"),
        (period(5, "10 mph", temperatureUnit="K"), "unknown unit of temperature"),
        (period(5, "400 mph"), "a wind's speed"),
    ],
)
def test_faults_in_periods(tmp_path: Path, row: dict[str, Any], words: str) -> None:
    with pytest.raises(ForecastError, match=words):
        read_winds(saved(tmp_path, periods(row)))


def hourly(unit: str = "km/h", **more: Any) -> dict[str, Any]:
    """An answer in the form of open-meteo.com/en/docs, local times without an offset."""
    return {
        "latitude": 44.12,
        "longitude": -90.5,
        "utc_offset_seconds": -21600,
        "timezone": "America/Chicago",
        "hourly_units": {
            "time": "iso8601",
            "wind_speed_10m": unit,
            "wind_direction_10m": "°",
            "wind_gusts_10m": unit,
            "temperature_2m": "°C",
        },
        "hourly": {
            "time": ["2026-12-05T05:00", "2026-12-05T06:00", "2026-12-05T07:00"],
            "wind_speed_10m": [18.0, 0.4, None],
            "wind_direction_10m": [360, 0, 200],
            "wind_gusts_10m": [36.0, 0.5, None],
            "temperature_2m": [-2.0, None, 1.5],
        },
        **more,
    }


@pytest.mark.parametrize(
    ("unit", "mps"), [("km/h", 5.0), ("mp/h", 18 * MPH), ("m/s", 18.0), ("kn", 18 * KNOT)]
)
def test_columns_by_the_hour(tmp_path: Path, unit: str, mps: float) -> None:
    hours = read_winds(saved(tmp_path, hourly(unit))).hours
    assert told(hours[0].wind) == pytest.approx((0, mps, 2 * mps))
    assert hours[0].time.isoformat() == "2026-12-05T05:00:00-06:00"
    assert hours[1].wind is not None
    assert hours[2].wind is None
    assert [h.temp_c for h in hours] == [-2.0, None, 1.5]


def test_unix_times_are_in_utc_whatever_the_offset(tmp_path: Path) -> None:
    held = hourly()
    held["hourly_units"]["time"] = "unixtime"
    held["hourly"]["time"] = [1796468400 + 3600 * i for i in range(3)]
    first = read_winds(saved(tmp_path, held)).hours[0]
    assert first.time == datetime(2026, 12, 5, 11, tzinfo=UTC)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"utc_offset_seconds": None}, "no 'utc_offset_seconds' tells it"),
        ({"hourly": {"time": ["2026-12-05T05:00"]}}, "no 'wind_speed_10m'"),
        ({"hourly_units": {}}, "unknown unit of speed"),
        ({"hourly": None}, "not a forecast of a service known here"),
    ],
)
def test_faults_in_columns(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    with pytest.raises(ForecastError, match=words):
        read_winds(saved(tmp_path, hourly(**change)))


def test_columns_of_different_length(tmp_path: Path) -> None:
    held = hourly()
    held["hourly"]["wind_gusts_10m"] = [1.0]
    with pytest.raises(ForecastError, match="not of one length"):
        read_winds(saved(tmp_path, held))


@pytest.mark.parametrize("text", ["{", "[" * 100_000, '{"error": true}', "[]"])
def test_json_that_is_no_forecast(tmp_path: Path, text: str) -> None:
    with pytest.raises(ForecastError, match=r"is not JSON|not a forecast"):
        read_winds(saved(tmp_path, text))


# Stations

HEAD = "station,valid,drct,sknt,gust,tmpf,metar\n"


def test_a_stations_observations(tmp_path: Path) -> None:
    """ASOS columns: knots, Fahrenheit, M for missing, north as 360, calm as 0 and 0."""
    text = (
        "#DEBUG: Format Typ    -> comma\n#DEBUG: Time Zone     -> America/Chicago\n" + HEAD
        + "LSE,2025-11-30 05:53,310.00,10.00,18.00,28.0,x\n"
        + "LSE,2025-11-30 06:53,0.00,0.00,M,28.0,x\n"
        + "LSE,2025-11-30 07:53,M,4.00,M,M,x\n"
        + "LSE,2025-11-30 08:53,M,M,M,M,x\n"
        + "LSE,2025-11-30 09:53,0.00,6.00,M,M,x\n"
        + "LSE,2025-11-30 10:53,360.00,6.00,M,M,x\n"
        + "LSE,2025-11-30 10:53,350.00,6.00,M,M,COR\n"
    )  # fmt: skip
    hours = read_winds(saved(tmp_path, text, "lse.csv")).hours
    assert hours[0].wind == Wind(310.0, 10 * KNOT, 18 * KNOT)
    assert hours[0].time.isoformat() == "2025-11-30T05:53:00-06:00"
    assert hours[1].wind == Wind(0.0, 0.0)
    assert [h.wind for h in hours[2:5]] == [None, None, None]
    assert hours[5].wind is not None
    assert hours[5].wind.from_deg == 350  # the corrected report
    assert len(hours) == 6


def test_the_reports_own_text_tells_utc(tmp_path: Path) -> None:
    row = "LSE,2025-11-30 11:53,310,10,M,28,KLSE 301153Z 31010KT 10SM CLR M02/M06 A3012\n"
    (hour,) = read_winds(saved(tmp_path, HEAD + row, "lse.csv")).hours
    assert hour.time == datetime(2025, 11, 30, 11, 53, tzinfo=UTC)
    local = row.replace("2025-11-30 11:53", "2025-11-30 05:53")
    with pytest.raises(ForecastError, match="nothing tells the zone of this time"):
        read_winds(saved(tmp_path, HEAD + local, "local.csv"))
    named = HEAD.replace("valid", "valid(America/Chicago)") + local
    (hour,) = read_winds(saved(tmp_path, named, "named.csv")).hours
    assert hour.time == datetime(2025, 11, 30, 11, 53, tzinfo=UTC)


def test_two_stations_in_one_file_are_refused(tmp_path: Path) -> None:
    rows = "LSE,2025-11-30 05:53Z,310,10,M,28,\nRST,2025-11-30 06:53Z,310,10,M,28,\n"
    with pytest.raises(ForecastError, match=r"line 3: holds several stations"):
        read_winds(saved(tmp_path, HEAD + rows, "two.csv"))


# There and back, and other clocks


def test_written_and_read_again(tmp_path: Path) -> None:
    forecast = read_winds(saved(tmp_path, hourly()))
    again = read_winds(saved(tmp_path, winds_csv(forecast), "again.csv"))
    assert [h.time for h in again.hours] == [h.time for h in forecast.hours]
    for one, two in zip(forecast.hours, again.hours, strict=True):
        assert two.temp_c == one.temp_c
        assert (one.wind is None) == (two.wind is None)
        if one.wind and two.wind:
            assert two.wind.speed_mps == pytest.approx(one.wind.speed_mps, abs=5e-4)
            assert two.wind.from_deg == one.wind.from_deg


def test_told_by_the_places_clock(tmp_path: Path) -> None:
    rows = "LSE,2025-11-30 11:53Z,310,10,M,28,\n"
    forecast = read_winds(saved(tmp_path, HEAD + rows, "utc.csv"))
    (hour,) = forecast.in_zone("America/Chicago").hours
    assert (hour.time.hour, hour.time) == (5, forecast.hours[0].time)
    assert forecast.in_zone(None) is forecast


# Grids

LAMBERT = "+proj=lcc +lat_0=38.5 +lon_0=-97.5 +lat_1=38.5 +lat_2=38.5 +R=6371229 +units=m"
VALID = 1796468400
CODES = {"UGRD": "2 2", "VGRD": "2 3", "GUST": "2 22", "TMP": "0 0"}
"""Category and number of each element (WMO FM 92 GRIB, code table 4.2)."""
LEVELS = {"UGRD": 10, "VGRD": 10, "GUST": 10, "TMP": 2}


def write_grib(path: Path, values: dict[str, float], *, crs: str, transform: Affine) -> Path:
    options = {"IDS": "REF_TIME=2026-12-05T05:00:00Z"}
    for i, name in enumerate(values, 1):
        options[f"BAND_{i}_PDS_PDTN"] = "0"
        options[f"BAND_{i}_PDS_TEMPLATE_ASSEMBLED_VALUES"] = (
            f"{CODES[name]} 2 0 0 0 0 1 6 103 0 {LEVELS[name]} 255 -127 -2147483647"
        )
    profile = {"driver": "GRIB", "width": 20, "height": 12, "count": len(values)}
    with rasterio.open(
        path, "w", dtype="float64", crs=crs, transform=transform, **profile, **options
    ) as out:
        for i, value in enumerate(values.values(), 1):
            plane = np.full((12, 20), 99.0 if i < 3 else 20.0)
            plane[6, 10] = value
            out.write(plane, i)
    return path


def test_components_on_a_grid_of_latitude_and_longitude(tmp_path: Path) -> None:
    corner = Affine(0.25, 0, -95.0, 0, -0.25, 45.5)
    values = {"UGRD": 3.0, "VGRD": -4.0, "GUST": 9.0, "TMP": -2.0}  # written in kelvin
    path = write_grib(tmp_path / "w.grib2", values, crs="EPSG:4326", transform=corner)
    at = (45.5 - 0.25 * 6.5, -95 + 0.25 * 10.5)
    (hour,) = read_winds(path, at=at).hours
    assert hour.time == datetime.fromtimestamp(VALID, UTC)
    assert told(hour.wind) == pytest.approx((323.1301, 5, 9), abs=1e-3)
    assert hour.temp_c == pytest.approx(-2.0, abs=0.01)
    with pytest.raises(ForecastError, match="does not reach this place"):
        read_winds(path, at=(10.0, 10.0))
    with pytest.raises(ForecastError, match="needs a place"):
        read_winds(path)


def test_components_along_a_conformal_grid_are_turned(tmp_path: Path) -> None:
    """Convergence of a Lambert conic: sin(standard parallel) x (longitude - central meridian)
    (Snyder 1987, eq. 14-4 and 15-2)."""
    corner = Affine(3000, 0, 980_000, 0, -3000, 520_000)
    values = {"UGRD": 0.0, "VGRD": -6.0}
    path = write_grib(tmp_path / "w.grib2", values, crs=LAMBERT, transform=corner)
    with rasterio.open(path) as source:
        x, y = source.transform @ (10.5, 6.5)
    from pyproj import Transformer

    lon, lat = Transformer.from_crs(LAMBERT, "EPSG:4326", always_xy=True).transform(x, y)
    (true,) = read_winds(path, at=(lat, lon)).hours
    assert true.wind is not None
    assert true.wind.from_deg == pytest.approx(0.0, abs=0.01)
    data = bytearray(path.read_bytes())
    section = data.index(b"\x03", 16 + 4)
    while int.from_bytes(data[section + 8 : section + 10], "big") != 30:
        section = data.index(b"\x03", section + 1)
    data[section - 4 + 46] |= 0x08  # octet 47, bit 5: components along the grid (table 3.3)
    path.write_bytes(data)
    (turned,) = read_winds(path, at=(lat, lon)).hours
    assert turned.wind is not None
    expected = math.sin(math.radians(38.5)) * (lon + 97.5)
    assert expected > 5
    assert turned.wind.from_deg == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(
    ("u", "v", "from_deg"), [(0, -5, 0), (-5, 0, 90), (0, 5, 180), (5, 0, 270), (5, -5, 315)]
)
def test_components_to_where_it_comes_from(u: float, v: float, from_deg: float) -> None:
    assert polar(u, v)[1] == pytest.approx(from_deg)


@pytest.mark.parametrize("content", [b"GRIB", b"GRIB\0\0\0\x01" + b"\0" * 60])
def test_grib_that_is_cut_short_or_old(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "w.grib").write_bytes(content)
    with pytest.raises(ForecastError):
        read_winds(tmp_path / "w.grib", at=(44.0, -95.0))


@pytest.mark.parametrize(("engine", "clock"), [("scipy", "time"), ("h5netcdf", "valid_time")])
def test_netcdf_by_standard_names(tmp_path: Path, engine: str, clock: str) -> None:
    """NetCDF-3, and NetCDF-4 with its clock named as in today's reanalysis files (from memory)."""
    xr = pytest.importorskip("xarray")
    axes = (clock, "lat", "lon")
    shape = (2, 3, 4)
    u, v = np.full(shape, 3.0), np.full(shape, -4.0)
    u[1, 1, 2] = np.nan
    data = xr.Dataset(
        {
            "a": (axes, u, {"standard_name": "eastward_wind"}),
            "b": (axes, v, {"standard_name": "northward_wind"}),
            "t2m": (axes, np.full(shape, 270.15), {"units": "K"}),
        },
        coords={
            clock: np.array(["2026-12-05T11", "2026-12-05T12"], dtype="datetime64[ns]"),
            "lat": [44.0, 44.5, 45.0],
            "lon": [264.0, 264.5, 265.0, 265.5],
        },
    )
    data.to_netcdf(tmp_path / "w.nc", engine=engine)
    hours = read_winds(tmp_path / "w.nc", at=(44.4, -95.1)).hours
    assert told(hours[0].wind) == pytest.approx((323.1301, 5, None), abs=1e-3)
    assert hours[1].wind is None
    assert hours[0].temp_c == pytest.approx(-3.0)
    with pytest.raises(ForecastError, match="does not reach"):
        read_winds(tmp_path / "w.nc", at=(10.0, -95.1))
