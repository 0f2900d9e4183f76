"""Trees that stand in water, where the stack of a timber spread can lie."""

from __future__ import annotations

import numpy as np
import shapely
from rasterio.features import shapes
from rasterio.transform import from_origin
from shapely.geometry import shape

from sitegeo.grid import Raster
from sitegeo.layers import Cover
from sitegeo.spreads.layouts import polygons_of
from sitegeo.spreads.sketches import Area

REACH_M = 90.0
WET_M = 0.1
"""Less water than this floats no decoy; judgement."""


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
    trees = shapely.union_all([shape(geometry) for geometry, _ in found])
    # No plan shows the steps of the pixels.
    return polygons_of(trees.simplify(0.75 * grid.pixel_m))
