"""The crossing on water with exact answers."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import CRS

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.wind import GUST_FACTOR, Wind
from sitegeo.exposure.crossing import crossing
from sitegeo.exposure.sweep import encode_surface
from sitegeo.exposure.waves import significant_wave

# On the central meridian, so that grid and true north are one.
GRID = Grid(CRS.from_epsg(32615), 499_000.0, 4_880_000.0, 5.0, (400, 400))
WEST, NORTH = GRID.west, GRID.north


def lake(*, island=False, open_north=False):
    """A square lake of 1,500 m, 250 m from every edge of the data."""
    water = np.zeros(GRID.shape, bool)
    water[0 if open_north else 50 : 350, 50:350] = True
    if island:
        water[180:220, 150:250] = False
    return Raster(encode_surface(water, np.where(water, 0, 15.0)), GRID)


def cross(obstacles, wind, start, end, **more):
    """Metres from the north-west corner of the data, x east and y south."""
    return crossing(
        obstacles,
        wind,
        start=(WEST + start[0], NORTH - start[1]),
        end=(WEST + end[0], NORTH - end[1]),
        **more,
    )


def test_gust_longest_fetch_and_no_shelter():
    wind = Wind(0.0, 8.0, 12.0, spread_deg=0.0)
    # The straight-line fetch, as the Coastal Engineering Manual (EM 1110-2-1100, Part II, ch. 2)
    # wants it: an effective fetch would be 11 % longer off this straight shore.
    # From the west bank to the east bank, 1,000 m south of the tall trees of the north bank.
    found = cross(lake(), wind, (240, 1250), (1760, 1250))
    assert found.verdict == "checked"
    assert found.fetch_m == pytest.approx(1002.5, abs=3)
    expected = significant_wave(12.0, found.fetch_m)
    assert found.height_m == pytest.approx(expected.height_m)
    assert found.period_s == pytest.approx(expected.period_s)
    assert found.water_m == pytest.approx(1500, abs=6)
    assert found.land_m == 0
    assert (found.sea_out, found.sea_back) == ("abeam", "abeam")
    assert found.gust_given


def test_the_worst_point_lies_farthest_downwind_and_seas_turn_on_the_way_back():
    wind = Wind(180.0, 8.0, spread_deg=0.0)
    found = cross(lake(), wind, (1000, 1740), (1000, 260))
    assert found.worst_y == pytest.approx(NORTH - 260, abs=10)
    assert (found.sea_out, found.sea_back) == ("astern", "ahead")
    assert found.gust_mps == pytest.approx(GUST_FACTOR * 8.0)
    assert not found.gust_given


def test_the_longest_fetch_over_the_spread_counts():
    # In the corner the wind along the diagonal runs farther than the mean wind.
    start, end = (1700, 1700), (1740, 1740)
    steady = cross(lake(), Wind(0.0, 8.0, spread_deg=0.0), start, end)
    unsteady = cross(lake(), Wind(0.0, 8.0, spread_deg=20.0), start, end)
    assert steady.fetch_m == pytest.approx(1490, abs=6)
    assert unsteady.fetch_m > 1.3 * steady.fetch_m
    assert unsteady.height_m > steady.height_m


def test_fetch_off_the_data_is_not_checked():
    away = cross(lake(open_north=True), Wind(0.0, 8.0), (300, 1500), (1500, 1500))
    assert away.verdict == "not checked"
    assert away.height_m is None
    assert away.period_s is None
    # The same water with the wind from the land is known.
    assert cross(lake(open_north=True), Wind(180.0, 8.0), (300, 1500), (1500, 1500)).height_m
    # The spread alone may reach what the mean wind does not.
    west = Wind(270.0, 8.0, spread_deg=0.0)
    wide = Wind(270.0, 8.0, spread_deg=40.0)
    assert cross(lake(open_north=True), west, (1500, 300), (1700, 300)).verdict == "checked"
    assert cross(lake(open_north=True), wide, (1500, 300), (1700, 300)).verdict == "not checked"


def test_a_way_that_leaves_the_data_is_not_checked():
    found = cross(lake(), Wind(0.0, 8.0), (-400, 1000), (1500, 1000))
    assert found.verdict == "not checked"


def test_land_on_the_way_is_said_and_a_dry_way_has_no_wave():
    wind = Wind(90.0, 8.0)
    found = cross(lake(island=True), wind, (1000, 1740), (1000, 260))
    assert found.land_m == pytest.approx(200, abs=10)
    dry = cross(lake(), wind, (100, 100), (100, 1900))
    assert dry.verdict == "no water"
    assert dry.height_m is None
    assert dry.water_m == 0


def test_depth_caps_the_wave_only_where_it_is_known():
    wind = Wind(0.0, 15.0, spread_deg=0.0)
    way = ((300, 1700), (1700, 1700))
    free = cross(lake(), wind, *way)
    shoal = Raster(np.full(GRID.shape, 0.3, np.float32), GRID)
    capped = cross(lake(), wind, *way, depth=shoal)
    assert free.height_m > 0.3
    assert capped.height_m == pytest.approx(0.18)
    assert capped.depth_capped
    known = np.zeros(GRID.shape, bool)
    known[:, :200] = True
    half = cross(lake(), wind, *way, depth=Raster(shoal.values, GRID, known))
    assert half.height_m == pytest.approx(free.height_m)
    assert not half.depth_capped


def test_calm_air_raises_nothing():
    found = cross(lake(), Wind(0.0, 0.0), (300, 1000), (1700, 1000))
    assert found.verdict == "checked"
    assert found.height_m == 0
    assert found.sea_out == "no wind"
