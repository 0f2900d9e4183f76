"""A photo's shoreline against a mapped one whose distance from it is known."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from helpers_terrain import NORTH, WEST, centres, cover_of, lake
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from sitegeo.errors import CrsError
from sitegeo.layers import Cover
from sitegeo.terrain.agreement import agreement

SIZE, RADIUS = 500, 150.0
EAST, UP = centres(SIZE, SIZE)
WET = np.hypot(EAST, UP) < RADIUS
MIDDLE = (WEST + SIZE / 2, NORTH - SIZE / 2)


def mapped(shape: BaseGeometry) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=[shape], crs=lake(WET).grid.crs)


def circle(east: float = 0.0, radius: float = RADIUS) -> BaseGeometry:
    return Point(MIDDLE[0] + east, MIDDLE[1]).buffer(radius, quad_segs=90)


@pytest.mark.parametrize(
    ("shape", "rms_m"),
    [
        (circle(), 0.0),
        (circle(radius=RADIUS + 3), 3.0),
        # A circle moved by d lies |d cos| away: d over the root of two.
        (circle(east=6.0), 6.0 / np.sqrt(2)),
    ],
)
def test_rms_distance_of_circles(shape: BaseGeometry, rms_m: float) -> None:
    found = agreement(lake(WET), mapped(shape))
    assert found.rms_m == pytest.approx(rms_m, abs=0.3)
    assert found.share == 1.0


def test_a_lake_of_which_half_is_mapped_far_off_says_so() -> None:
    found = agreement(lake(WET), mapped(circle(east=80.0)))
    assert found.share < 0.6
    assert found.dry_m2 == pytest.approx(found.unmapped_m2, rel=0.05)
    words = " ".join(found.words())
    assert "that the map lacks" in words
    assert "no water on" in words


def test_trees_in_mapped_water_are_told_apart_from_dry_ground() -> None:
    classes = np.where(WET, int(Cover.WATER), int(Cover.OPEN))
    classes[WET & (EAST > 60)] = Cover.TREE
    found = agreement(cover_of(classes), mapped(circle()))
    assert found.trees_m2 == pytest.approx((WET & (EAST > 60)).sum(), rel=0.05)
    assert found.dry_m2 == 0.0
    assert "trees stand on" in found.words()[1]


def test_water_far_from_any_on_the_map() -> None:
    found = agreement(lake(WET), mapped(circle(east=1_000.0, radius=50.0)))
    assert np.isnan(found.rms_m)
    assert found.share == 0.0
    assert found.unmapped_m2 == pytest.approx(WET.sum(), rel=0.05)


def test_another_coordinate_system_is_refused() -> None:
    with pytest.raises(CrsError):
        agreement(lake(WET), mapped(circle()).to_crs(4326))
