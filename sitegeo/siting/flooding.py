"""Trees that stand in water, where the stack of a timber spread can lie."""

from __future__ import annotations

from typing import cast

import numpy as np
import shapely
from rasterio.features import shapes
from rasterio.transform import from_origin
from shapely.geometry import Polygon, shape
from shapely.geometry.base import BaseGeometry

from sitegeo.grid import Raster
from sitegeo.layers import Cover
from sitegeo.spreads.layouts import polygons_of
from sitegeo.spreads.sketches import Area

REACH_M = 90.0
WET_M = 0.1
"""Less water than this floats no decoy; judgement."""

_SIMPLIFY_PX = 0.25  # with the corners it cuts, less than half a pixel in all


def flooded_trees(
    cover: Raster, depth: Raster | None, at: shapely.Point, *, reach_m: float = REACH_M
) -> Area:
    """Return the trees within reach of a point that stand in water, or may: depth unknown counts.

    In the rasters' CRS. A plan says where depth was not known.
    """
    grid = cover.grid
    row, column = (int(np.atleast_1d(v)[0]) for v in grid.rowcol(at.x, at.y))
    n = int(np.ceil(reach_m / grid.pixel_m))
    top, left = max(0, row - n), max(0, column - n)
    window = slice(top, row + n + 1), slice(left, column + n + 1)
    wooded = cover.band("class")[window] == Cover.TREE
    if depth is not None:
        wooded = wooded & ~(np.where(depth.mask[window], depth.values[window], np.nan) < WET_M)
    corner = grid.west + left * grid.pixel_m, grid.north - top * grid.pixel_m
    transform = from_origin(*corner, grid.pixel_m, grid.pixel_m)
    found = shapes(wooded.astype(np.uint8), mask=wooded, transform=transform)
    trees = [
        _without_steps(cast("Polygon", shape(geometry)), grid.pixel_m) for geometry, _ in found
    ]
    return polygons_of(shapely.union_all(trees))


def _without_steps(area: Polygon, pixel_m: float) -> BaseGeometry:
    """Return an area traced along pixel edges without its steps, nowhere half a pixel off.

    Its corners are moved to the middles of its sides, twice: a slanting row of steps becomes a
    straight line through them.
    """
    rings = []
    for ring in (area.exterior, *area.interiors):
        xy = shapely.get_coordinates(shapely.segmentize(ring, pixel_m))[:-1]
        for _ in range(2):
            xy = 0.5 * (xy + np.roll(xy, -1, axis=0))
        rings.append(xy)
    return Polygon(rings[0], rings[1:]).simplify(_SIMPLIFY_PX * pixel_m)
