"""What is said of wading, the boat, the air and the water, by the thresholds it rests on."""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime, timedelta, timezone

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer

from sitegeo.cli.options import TemperatureParam
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.wind import Wind
from sitegeo.exposure.crossing import Crossing
from sitegeo.law import safety
from sitegeo.law.safety import (
    DEFER_CAUTION,
    contact_caution,
    dark_caution,
    morning_cautions,
    us_national_grid,
    wading_caution,
)
from sitegeo.plans.crossing import CrossingFrom, crossing_cautions
from sitegeo.units import FOOT_M

UTM = CRS.from_epsg(26915)
MPH = 0.44704


# US National Weather Service chart of 2001: 0 °F at 15 mph feels like -19 °F, within the 30
# minutes of frostbite (from -18 °F); 30 °F at 10 mph like 21 °F; 20 °F at 15 mph like 6 °F.
@pytest.mark.parametrize(
    ("air_f", "mph", "chill_f", "freezes"),
    [(0, 15, -19, True), (30, 10, 21, False), (20, 15, 6, False), (10, 20, -9, False)],
)
def test_wind_chill_of_the_morning(air_f, mph, chill_f, freezes) -> None:
    told = morning_cautions(Wind(320.0, mph * MPH), (air_f - 32) / 1.8)
    assert told[0] == DEFER_CAUTION
    assert told[1].startswith(f"Wind chill {chill_f} °F (")
    assert f"in air of {air_f} °F" in told[1]
    assert told[1].endswith("bare skin freezes within 30 minutes") == freezes
    assert told[2:] == (safety.COLD_WATER_CAUTION, safety.ICE_CAUTION)


def test_a_plan_for_the_dark_is_told_so() -> None:
    """Civil twilight of 5 December at 44.13 N, 90.55 W: about 06:48 to 16:54 CST (from memory)."""
    cst = timezone(timedelta(hours=-6))
    for hour, dark in ((23, True), (5, True), (7, False), (16, False)):
        told = dark_caution(-90.55, 44.13, datetime(2026, 12, 5, hour, 30, tzinfo=cst))
        assert bool(told) == dark, hour
        assert all(f"It is dark at {hour:02d}:30" in words for words in told)
        assert all("shooting hours are law" in words for words in told)
    assert dark_caution(-90.55, 44.13, None) == ()
    # Far north in winter there is no civil twilight to tell of.
    polar = dark_caution(20.0, 80.0, datetime(2026, 12, 21, 12, 0, tzinfo=cst))
    assert len(polar) == 1
    assert "civil twilight" not in polar[0]


def test_skin_freezes_from_the_limit_itself() -> None:
    speed_mps = 15 * MPH
    limit_c = safety.frostbite_below_c(speed_mps)
    assert "freezes" in morning_cautions(Wind(0.0, speed_mps), limit_c)[1]
    assert "freezes" not in morning_cautions(Wind(0.0, speed_mps), limit_c + 0.01)[1]


def test_without_the_air_it_is_said_what_air_would_freeze_skin() -> None:
    """At 15 mph the chart's frostbite line of 30 minutes, -18 °F, is met near 1 °F of air."""
    (told,) = morning_cautions(Wind(320.0, 15 * MPH))[1:-2]
    assert told.startswith("Air temperature not known: at 1 °F (")
    # No chill above 50 °F or below 3 mph, where the chart has none, and none without a wind.
    for wind, air_c in ((Wind(0.0, 15 * MPH), 10.1), (Wind(0.0, 2.9 * MPH), -5.0), (None, -5.0)):
        assert morning_cautions(wind, air_c) == (
            DEFER_CAUTION,
            safety.COLD_WATER_CAUTION,
            safety.ICE_CAUTION,
        )


@pytest.mark.parametrize(("text", "air_c"), [("28F", -2.2222), ("-2C", -2.0), ("50 °F", 10.0)])
def test_the_air_a_person_writes(text, air_c) -> None:
    assert TemperatureParam().convert(text, None, None) == pytest.approx(air_c, abs=1e-3)


# 1-10-1, Cold Water Boot Camp: 1 minute of breath, 10 of useful movement, 1 hour to unconscious.
def test_the_time_line_of_cold_water() -> None:
    for words in ("1 minute to get your breath", "10 minutes of useful", "1 hour before"):
        assert words in safety.COLD_WATER_CAUTION


def depths(*metres):
    """A raster whose columns, 10 m wide, hold the depths."""
    grid = Grid(UTM, 0.0, 100.0, 10.0, (10, len(metres)))
    return Raster(np.tile(np.array(metres, np.float32), (10, 1)), grid)


def waded(depth, *columns, current=None, wade_m=0.75):
    spots = {f"spot {n}": shapely.Point(10.0 * n + 5, 50.0) for n in columns}
    record = {"gear": {"wade_m": wade_m}, "assume": {"current_mps": current}}
    return wading_caution(record, depth, spots)


# The rule of ten (US Geological Survey, second-hand): feet of depth times feet a second.
@pytest.mark.parametrize(
    ("depth_ft", "current_fps", "fine"),
    [(2.0, 4.9, True), (2.0, 5.1, False), (2.4, 4.2, False), (2.4, None, True), (2.6, None, False)],
)
def test_wading_by_ones_own_depth_and_the_rule_of_ten(depth_ft, current_fps, fine) -> None:
    current = None if current_fps is None else current_fps * FOOT_M
    told = waded(depths(depth_ft * FOOT_M, 0.1), 0, 1, current=current, wade_m=2.5 * FOOT_M)
    assert ("too deep or too fast" in told) != fine
    assert "at spot 0" in told
    assert ("current not known" in told) == (current is None)


def test_a_depth_that_is_not_known_is_said() -> None:
    assert waded(None, 0).endswith("depth not known, current not known; probe every step")
    hole = depths(0.2, np.nan)
    assert waded(hole, 1).startswith("Wading: depth not known")
    assert waded(hole, 0, 1, 7).endswith("depth not known at spot 1, spot 7")


def crossing(height_m, **more):
    usual = dict.fromkeys((f.name for f in fields(Crossing)), 0.0)
    told = {"verdict": "checked", "water_m": 800.0, "sea_out": "abeam", "sea_back": "abeam"}
    flags = {"depth_capped": False, "gust_given": True, "height_m": height_m, "gust_mps": 12.0}
    return CrossingFrom("ramp", Crossing(**{**usual, **told, **flags, **more}))


@pytest.mark.parametrize(
    ("height_m", "words"),
    [
        (0.30, "do not cross"),
        (0.31, "do not cross"),
        (0.29, "too near"),
        (0.225, "too near"),
        (0.224, "; under the 1 ft (0.3 m) you set"),
    ],
)
def test_waves_against_ones_own_boat(height_m, words) -> None:
    (told,) = crossing_cautions(crossing(height_m), 0.3)
    assert words in told
    (unasked,) = crossing_cautions(crossing(height_m))
    assert "write what your boat can take" in unasked
    (unknown,) = crossing_cautions(crossing(None, verdict="not checked"), 0.3)
    assert "not checked" in unknown
    assert "under the" not in unknown
    assert "not checked" in crossing_cautions(None, 0.3)[0]


# hobu/mgrs tests/test.txt, and the White House of chrisveness/geodesy test/utm-mgrs-tests.js: its
# UTM is 323394.296 4307395.634, and a grid reference truncates.
@pytest.mark.parametrize(
    ("lat", "lon", "reference"),
    [
        (42.0, -93.0, "15TWG0000049776"),
        (38.9072, -77.0369, "18SUJ2338308450"),
        (39.9526, -75.1652, "18SVK8588822509"),
        (38.40542615377341, -92.07439526029498, "15SWC8081751205"),
        (38.8977, -77.0365, "18SUJ2339407395"),
    ],
)
def test_grid_references(lat, lon, reference) -> None:
    crs = CRS.from_epsg(32600 + int(reference[:2]))
    spot = Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
    assert us_national_grid(shapely.Point(spot), crs) == reference


# Washington Monument, FGDC-STD-011-2001: 38.889467310 N, 77.035240216 W is 18SUJ2348306479.
def test_what_to_leave_with_someone_ashore() -> None:
    crs = CRS.from_epsg(26918)
    to_grid = Transformer.from_crs(4326, crs, always_xy=True)
    hide = shapely.Point(to_grid.transform(-77.035240216, 38.889467310))
    assert us_national_grid(hide, crs) == "18SUJ2348306479"
    ways = gpd.GeoDataFrame(
        geometry=[shapely.Point(hide.x + 900, hide.y), shapely.Point(hide.x + 100, hide.y)], crs=crs
    )
    told = contact_caution(hide, ways, crs)
    assert told.endswith("hide 18SUJ2348306479, way in 18SUJ2358306479")
    assert contact_caution(hide, None, crs).endswith("hide 18SUJ2348306479")
