"""Fetch that leaves the photo goes on over the mapped water, or is flagged."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from oracles.rays import planar_fetch
from pyproj import CRS
from scipy import ndimage

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.wind import Wind
from sitegeo.exposure._lines import UNKNOWN_PIXEL
from sitegeo.exposure.crossing import crossing
from sitegeo.exposure.field import extend_fetch, halo
from sitegeo.exposure.sweep import encode_surface, sweep

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
    fetch, at_least = extend_fetch(
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
    assert (around.values == UNKNOWN_PIXEL).all()
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


CELL, FINE = 10.0, 2.0
WIDE = Grid(GRID.crs, 500_000.0, 4_880_000.0, CELL, (240, 240))
PART = slice(400, 800), slice(350, 850)
FRAME = Grid(GRID.crs, WIDE.west + 350 * FINE, WIDE.north - 400 * FINE, FINE, (400, 500))


def lakes(seed):
    """Ragged water in cells of 10 m, and the same in pixels of 2 m."""
    relief = np.random.default_rng(seed).standard_normal(WIDE.shape)
    relief = ndimage.gaussian_filter(relief, 6)
    coarse = relief < np.quantile(relief, 0.7)
    return coarse, np.repeat(np.repeat(coarse, 5, axis=0), 5, axis=1)


@pytest.mark.parametrize("bearing", [0.0, 33.0, 45.0, 118.4, 201.0, 270.0])
def test_the_same_as_lines_that_come_in_from_the_whole_area(bearing):
    # The whole area swept finely is what lines seeded at the frame would give: over water, across
    # land and over water again. Held backward, as the sweep itself is, to one coarse pixel.
    for seed in (0, 1):
        coarse, whole = lakes(seed)
        seeded = sweep(encode_surface(whole), from_grid_deg=bearing, pixel_m=FINE, bands=0)
        alone = sweep(encode_surface(whole[PART]), from_grid_deg=bearing, pixel_m=FINE, bands=0)
        around = Raster(encode_surface(coarse), WIDE)
        fetch, at_least = extend_fetch(
            alone.fetch_m, alone.at_least, FRAME, around, from_grid_deg=bearing
        )
        off = alone.at_least
        assert off.mean() > 0.1
        assert np.array_equal(fetch[~off], alone.fetch_m[~off])
        over = np.where(whole, seeded.fetch_m.astype(float), 0.0)
        low = ndimage.minimum_filter(over, 9)[PART] - CELL - 1
        high = ndimage.maximum_filter(over, 9)[PART] + CELL + 1
        assert np.mean((fetch >= low)[off] & (fetch <= high)[off]) >= 0.995
        assert np.median(np.abs(fetch[off] - seeded.fetch_m[PART][off].astype(float))) <= FINE
        # A bound stays one; within half a coarse pixel of the shore it may be one needlessly.
        runs_out = ndimage.maximum_filter(seeded.at_least, 9)[PART]
        assert np.mean(seeded.at_least[PART][off] & ~at_least[off]) < 0.015
        assert np.mean(at_least[off] & ~runs_out[off]) < 0.1


def test_land_on_the_way_ends_the_fetch_and_the_next_water_starts_afresh():
    # One row: open water beyond the frame, water in it, a dike, and water again.
    water = np.ones((1, 250), bool)
    water[0, 100:103] = False
    frame = Grid(GRID.crs, 500_500.0, 4_879_500.0, 4.0, (1, 250))
    sea = shapely.box(499_800.0, 4_878_000.0, 502_000.0, 4_881_000.0)
    _, around = place(sea)
    made = sweep(encode_surface(water), from_grid_deg=270.0, pixel_m=4.0, bands=0)
    fetch, at_least = extend_fetch(made.fetch_m, made.at_least, frame, around, from_grid_deg=270.0)
    assert fetch[0, :100] == pytest.approx(702 + 4.0 * np.arange(100), abs=10)
    assert np.array_equal(fetch[0, 100:], made.fetch_m[0, 100:])
    assert not at_least.any()


def test_a_hole_in_the_photo_is_bridged_by_the_map():
    water, around = place()
    known = np.ones(GRID.shape, bool)
    known[100:140, 60:80] = False
    surface = encode_surface(water, known=known)
    made = sweep(surface, from_grid_deg=270.0, pixel_m=4.0, bands=0)
    assert made.at_least[120, 81:100].all()
    fetch, at_least = extend_fetch(made.fetch_m, made.at_least, GRID, around, from_grid_deg=270.0)
    assert not at_least.any()
    x, y = GRID.xy(np.full(19, 120), np.arange(81, 100))
    exact = planar_fetch(x, y, LAKE, from_grid_deg=270.0, max_m=5000)
    assert fetch[120, 81:100] == pytest.approx(exact, abs=15)
