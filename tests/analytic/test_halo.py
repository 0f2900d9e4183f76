"""Fetch that leaves the photo goes on over the mapped water, or is flagged."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS

from sitegeo.exposure.crossing import crossing
from sitegeo.exposure.halo import continued, halo
from sitegeo.exposure.rays import planar_fetch
from sitegeo.exposure.sweep import encode_surface, sweep
from sitegeo.grid import Grid, Raster
from sitegeo.wind import Wind

GRID = Grid(CRS.from_epsg(32615), 500_000.0, 4_880_000.0, 4.0, (250, 250))
LAKE = shapely.Point(499_800.0, 4_879_700.0).buffer(900.0, quad_segs=64)


def place(lake=LAKE):
    x, y = GRID.xy(*np.indices(GRID.shape))
    water = shapely.contains_xy(LAKE, x, y)
    cover = Raster(np.stack([np.ones(GRID.shape, np.uint8)] * 2), GRID, None,
                   ("class", "confidence"))  # fmt: skip
    mapped = None if lake is None else gpd.GeoDataFrame(geometry=[lake], crs=GRID.crs)
    return water, halo(cover=cover, mapped_water=mapped)


def swept(water, around, bearing):
    made = sweep(encode_surface(water), from_grid_deg=bearing, pixel_m=4.0, bands=0)
    fetch, at_least = continued(
        made.fetch_m.astype(np.float32), made.at_least, GRID, around, from_grid_deg=bearing
    )
    return made, fetch, at_least


@pytest.mark.parametrize("bearing", [0.0, 250.0, 270.0, 301.5, 333.0])
def test_a_lake_larger_than_the_photo_has_its_whole_fetch(bearing):
    water, around = place()
    made, fetch, at_least = swept(water, around, bearing)
    off = made.at_least & water
    assert off.mean() > 0.1
    assert not at_least.any()
    row, column = np.nonzero(off)
    x, y = GRID.xy(row, column)
    exact = planar_fetch(x, y, LAKE, from_grid_deg=bearing, max_m=5000)
    # One pixel of the halo, and as much again where the shore is met at a slant.
    error = np.abs(fetch[row, column] - exact)
    assert np.median(error) < 10
    assert np.percentile(error, 99) < 30
    assert np.array_equal(fetch[~off], made.fetch_m.astype(np.float32)[~off])


def test_without_mapped_water_it_stays_a_lower_bound():
    water, around = place(None)
    assert not around.mask.any()
    made, fetch, at_least = swept(water, around, 270.0)
    assert np.array_equal(at_least, made.at_least)
    assert np.array_equal(fetch, made.fetch_m.astype(np.float32))


def test_a_map_that_ends_where_the_photo_shows_water_does_not_end_the_fetch():
    inside = LAKE.intersection(shapely.box(*GRID.bounds))
    water, around = place(inside)
    made, _, at_least = swept(water, around, 270.0)
    assert np.mean(at_least[made.at_least]) > 0.9


def test_water_that_leaves_the_halo_too_is_a_lower_bound():
    sea = shapely.box(480_000, 4_870_000, 500_900, 4_890_000)
    water, around = place(sea)
    made, fetch, at_least = swept(water, around, 270.0)
    assert np.array_equal(at_least, made.at_least)
    assert (fetch[made.at_least] >= made.fetch_m[made.at_least] + 1990).all()


def test_a_crossing_counts_the_fetch_beyond_the_photo():
    water, around = place()
    obstacles = Raster(encode_surface(water), GRID)
    wind = Wind(270.0, 8.0, spread_deg=5.0)
    way = {"start": (500_200.0, 4_879_600.0), "end": (500_500.0, 4_879_600.0)}
    assert crossing(obstacles, wind, **way).verdict == "not checked"
    found = crossing(obstacles, wind, halo=around, **way)
    assert found.verdict == "checked"
    exact = planar_fetch([500_500.0], [4_879_600.0], LAKE, from_grid_deg=270.0, max_m=5000)[0]
    assert found.fetch_m == pytest.approx(exact, abs=40)
