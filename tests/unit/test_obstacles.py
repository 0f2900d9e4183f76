"""Levels of water bodies, voids in the ground, and what counts as an obstacle."""

from __future__ import annotations

import numpy as np
from pyproj import CRS

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.exposure.surface import OBSTACLE_CLASSES, lookup_classes, obstacles
from sitegeo.exposure.sweep import sweep
from sitegeo.landcover.leaves import leaves_are_off
from sitegeo.places.config import Assume

SHAPE = (60, 90)
GRID = Grid(CRS.from_epsg(32615), 500_000.0, 4_880_000.0, 2.0, SHAPE)


def place(*, tree_m=10.0):
    """Two ponds side by side, a bare bank between them and trees round about."""
    classes = np.full(SHAPE, Cover.TREE, dtype=np.uint8)
    classes[10:50, 10:40] = Cover.WATER
    classes[10:50, 50:80] = Cover.WATER
    classes[10:50, 40:50] = Cover.OPEN
    cover = Raster(np.stack([classes, np.full(SHAPE, 90, np.uint8)]), GRID, None,
                   ("class", "confidence"))  # fmt: skip
    canopy = Raster(np.where(classes == Cover.TREE, np.float32(tree_m), np.float32(0)), GRID)
    return cover, canopy


def ground(*, west=100.0, east=100.0, bank=100.0, land=100.0):
    values = np.full(SHAPE, land, np.float32)
    values[10:50, 10:40] = west
    values[10:50, 50:80] = east
    values[10:50, 40:50] = bank
    return Raster(values, GRID, np.isfinite(values))


def horizon(surface, bearing):
    return sweep(surface.values, from_grid_deg=bearing, pixel_m=2.0, bands=2).horizon


def made(g=None, **assumed):
    cover, canopy = place()
    given = {} if g is None else {"ground": g}
    return obstacles(cover=cover, canopy_height=canopy, assume=Assume(**assumed), **given)


def test_each_pond_has_its_own_level():
    # The west pond lies 3 m above the east one; the bank stands 1.5 m over the west pond.
    surface = made(ground(west=103.0, east=100.0, bank=104.5, land=104.5))
    solid = OBSTACLE_CLASSES.index("solid")
    from_bank = horizon(surface, 270.0)[solid, 30, 50]  # first pixel of the east pond
    assert abs(from_bank / (4.5 / 2.0) - 1) < 0.02
    into_west = horizon(surface, 90.0)[solid, 30, 39]
    assert abs(into_west / (1.5 / 2.0) - 1) < 0.02


def test_trees_stand_on_the_ground_and_are_open():
    far = horizon(made(ground(land=102.0)), 0.0)[OBSTACLE_CLASSES.index("open"), 39, 20]
    assert abs(far / (12.0 / 60.0) - 1) < 0.02
    assert (
        abs(horizon(made(), 0.0)[OBSTACLE_CLASSES.index("open"), 39, 20] / (10.0 / 60.0) - 1) < 0.02
    )


def test_buildings_are_as_high_as_the_surface_over_the_ground():
    cover, canopy = place(tree_m=0.0)
    cover.values[0, 5:8, 15:30] = Cover.BUILT
    flat = ground()
    roofs = Raster(np.where(cover.band("class") == Cover.BUILT, np.float32(108), flat.values), GRID)
    given = {"cover": cover, "canopy_height": canopy, "assume": Assume(), "ground": flat}
    solid = OBSTACLE_CLASSES.index("solid")
    far = horizon(obstacles(**given, surface=roofs), 0.0)[solid, 40, 20]
    assert abs(far / (8.0 / (33 * 2.0)) - 1) < 0.02
    assert horizon(obstacles(**given), 0.0)[solid, 40, 20] == 0


def test_a_void_over_water_takes_what_is_assumed_else_the_nearest_level():
    void = ground(west=np.nan, east=100.0, bank=101.5)
    assumed = made(void, water_level_m=98.5)
    assert abs(horizon(assumed, 90.0)[0, 30, 39] / (3.0 / 2.0) - 1) < 0.02
    nearest = made(void)
    assert abs(horizon(nearest, 90.0)[0, 30, 39] / (1.5 / 2.0) - 1) < 0.02
    # Measured levels stand, whatever is assumed for those that are not.
    assert np.array_equal(made(ground(), water_level_m=50.0).values, made(ground()).values)


def test_ground_that_is_void_all_over_counts_as_level():
    none = ground(west=np.nan, east=np.nan, bank=np.nan, land=np.nan)
    assert np.array_equal(made(none).values, made().values)
    assert np.array_equal(made(none, water_level_m=240.0).values, made().values)


def test_land_void_is_level_with_the_nearest_water():
    surface = made(ground(west=100.0, east=107.0, bank=np.nan))
    assert horizon(surface, 90.0)[0, 30, 39] == 0
    assert horizon(surface, 270.0)[0, 30, 50] == 0


def test_unknown_cover_ends_the_data():
    cover, canopy = place()
    valid = np.ones(SHAPE, bool)
    valid[:, :20] = False
    part = Raster(cover.values, GRID, valid, cover.bands)
    surface = obstacles(cover=part, canopy_height=canopy, assume=Assume())
    swept = sweep(surface.values, from_grid_deg=270.0, pixel_m=2.0)
    assert swept.at_least[30, 25]
    assert not swept.at_least[30, 55]


def test_leaves_follow_the_calendar():
    assert lookup_classes(leaf_off=True) == ("solid", "bare")
    assert lookup_classes(leaf_off=None) == lookup_classes(leaf_off=False) == OBSTACLE_CLASSES
    north = [month for month in range(1, 13) if leaves_are_off(month, 45.0)]
    south = [month for month in range(1, 13) if leaves_are_off(month, -40.0)]
    assert north == [1, 2, 3, 4, 11, 12]
    assert south == [5, 6, 7, 8, 9, 10]
    assert not any(leaves_are_off(month, lat) for month in range(1, 13) for lat in (-10, 0, 20))
