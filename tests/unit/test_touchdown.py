"""Where birds would come down (common practice, no source, unless named)."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS
from shapely.geometry import Point

from sitegeo.core.contracts import CONTRACTS, Cover, check
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.wind import CALM_MPS, Wind
from sitegeo.siting.approach import find_touchdown
from sitegeo.units import yd

SIDE = 240
GRID = Grid(CRS(26915), 500_000.0, 4_900_240.0, 1.0, (SIDE, SIDE))
BANDS = ("class", "confidence")


def at(x: float, y: float) -> tuple[float, float]:
    """Return map coordinates of metres east and north of the middle."""
    return 500_120.0 + x, 4_900_120.0 + y


def landed(wind: Wind, trees: np.ndarray, height_m: float = 15.0, **more: object):
    """Touchdown about a pocket at the middle of a lake with trees where the mask says."""
    cover = np.where(trees, Cover.TREE, Cover.WATER)
    rasters = {
        "cover": Raster(np.stack([cover, np.full_like(cover, 90)]), GRID, None, BANDS),
        "canopy_height": Raster(np.where(trees, height_m, 0.0), GRID),
    }
    pocket = Point(at(0, 0)).buffer(yd(8))
    return find_touchdown(**rasters, pocket=pocket, wind=wind, **more)  # type: ignore[arg-type]


def middle(found: gpd.GeoDataFrame) -> np.ndarray:
    likely = found[found["probability"] == found["probability"].max()].geometry.iloc[0]
    return np.array(likely.centroid.coords[0]) - at(0, 0)


ROW, COLUMN = np.indices((SIDE, SIDE))
NORTH, EAST = SIDE / 2 - ROW, COLUMN - SIDE / 2
OPEN = np.zeros((SIDE, SIDE), bool)
HOLE = np.hypot(NORTH, EAST) > 14  # an opening in timber


def test_on_open_water_they_come_down_in_the_pocket_or_short_of_it() -> None:
    found = landed(Wind(270.0, 5.0), OPEN)
    check(found, CONTRACTS["touchdown"])
    assert found["probability"].tolist() == [0.25, 0.5, 0.75]
    for outer, inner in zip(found.geometry, found.geometry[1:], strict=False):
        assert outer.buffer(0.01).contains(inner)
    east, north = middle(found)
    assert 0 < east < yd(15), "downwind of the pocket's middle"
    assert abs(north) < 1.5


@pytest.mark.parametrize("speed", [0.0, 0.9 * CALM_MPS])
def test_calm_air_claims_nothing(speed: float) -> None:
    """In no wind and light breeze landing was not tied to the wind: Hart et al. 2013."""
    assert landed(Wind(270.0, speed), OPEN).empty


def test_close_under_trees_downwind_there_is_no_room() -> None:
    """Birds over the trees to the west land beyond the pocket, farther from them."""
    trees = EAST < -15
    free, under = (landed(Wind(90.0, 5.0), mask) for mask in (OPEN, trees))
    assert middle(under)[0] > middle(free)[0] + 2
    taller = landed(Wind(90.0, 5.0), trees, height_m=25.0)
    assert taller.empty or middle(taller)[0] > middle(under)[0]


def test_trees_upwind_take_no_room() -> None:
    trees = EAST > 25
    free, beyond = (landed(Wind(90.0, 5.0), mask) for mask in (OPEN, trees))
    assert middle(beyond) == pytest.approx(middle(free), abs=0.5)


def test_into_timber_they_drop_steeply() -> None:
    glided, dropped = (landed(Wind(315.0, 5.0), HOLE, timber=t) for t in (False, True))
    assert np.hypot(*middle(dropped)) < yd(4)
    assert glided.empty or np.hypot(*middle(glided)) > np.hypot(*middle(dropped))
    water = Point(at(0, 0)).buffer(15)
    assert water.contains(dropped.union_all())


def test_nobody_lands_on_decoys_or_on_land() -> None:
    mass = Point(at(yd(-14), 0)).buffer(yd(6))
    trees = EAST > 12
    found = landed(Wind(270.0, 5.0), trees, height_m=2.0, taken=mass).union_all()
    assert found.intersection(mass.buffer(-1.5)).is_empty
    assert found.bounds[2] <= at(13.5, 0)[0]


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_turning_world_and_wind_turns_it(turn: int) -> None:
    trees = (EAST < -18) & (NORTH > -30)
    here = landed(Wind(70.0, 5.0), trees).union_all()
    turned = np.rot90(trees[1:, 1:], -turn // 90)  # about the middle of a pixel
    again = OPEN.copy()
    again[1:, 1:] = turned
    there = landed(Wind((70.0 + turn) % 360, 5.0), again).union_all()
    back = shapely.affinity.rotate(there, turn, origin=at(0, 0))
    assert back.symmetric_difference(here).area < 0.12 * here.area
