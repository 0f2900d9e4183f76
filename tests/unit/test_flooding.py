"""The trees that stand in water as areas: no steps of pixels, and no more trees than there are."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from helpers_terrain import NORTH, WEST, cover_of, ground
from scipy import ndimage
from shapely.geometry import Point, box

from sitegeo.core.contracts import Cover
from sitegeo.siting.stage import find_flooded_trees

SIZE = 60
MIDDLE = Point(WEST + SIZE / 2, NORTH - SIZE / 2)
EAST, UP = (v - m for v, m in zip(ground(SIZE, SIZE).xy(*np.indices((SIZE, SIZE))),
                                  MIDDLE.coords[0], strict=True))  # fmt: skip


def traced(wooded: np.ndarray) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Return the outline given, and the pixels themselves."""
    cover = cover_of(np.where(wooded, Cover.TREE, Cover.WATER).astype(np.uint8))
    rows, cols = np.nonzero(wooded)
    pixels = [box(WEST + c, NORTH - r - 1, WEST + c + 1, NORTH - r)
              for r, c in zip(rows, cols, strict=True)]  # fmt: skip
    return find_flooded_trees(cover, None, MIDDLE), shapely.union_all(pixels)


@pytest.mark.parametrize("seed", range(6))
def test_nowhere_more_than_half_a_pixel_more_than_there_is(seed):
    rng = np.random.default_rng(seed)
    noise = ndimage.gaussian_filter(rng.normal(size=(SIZE, SIZE)), 0.4 * seed)
    trees, pixels = traced(noise > 0)
    assert trees.is_valid
    assert trees.difference(pixels.buffer(0.5)).area < 1e-6
    if seed >= 3:
        assert trees.area == pytest.approx(pixels.area, rel=0.02)


@pytest.mark.parametrize("slope", [0.0, 0.3, 0.5, 1.0, 2.5])
def test_a_slanting_edge_is_drawn_straight(slope):
    trees, _ = traced(slope * EAST + 3.3 > UP)
    edge = trees.boundary.intersection(MIDDLE.buffer(22))
    straight = 2 * np.sqrt(22**2 - (3.3**2 / (1 + slope**2)))
    assert edge.length < 1.03 * straight
