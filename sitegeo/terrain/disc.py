"""The share of land in a disc about a point: exact to a fraction of a pixel, and quick.

Each disc is cut into thin east-west strips; the land in a strip is the difference of two entries
of a running sum along the row.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sitegeo.grid import Grid
from sitegeo.terrain.filters import Bools

Doubles = NDArray[np.float64]


def land_fraction(
    x: Doubles, y: Doubles, radius_m: float, *, land: Bools, valid: Bools, grid: Grid
) -> Doubles:
    """Return the share of land in a disc about each point, off-data ground left out.

    Empty (nan) where less than half of the disc is on the data. On a smooth shore the share is
    1/2 - radius x curvature / (3 pi) to first order, curvature positive round a point of land
    (an integral invariant, Manay et al. 2006).
    """
    strips = max(64, 4 * int(np.ceil(2 * radius_m / grid.pixel_m)))
    offset = (np.arange(strips) + 0.5) / strips * 2 - 1
    half = np.sqrt(1 - offset**2) * radius_m / grid.pixel_m
    row = (grid.north - y[:, None]) / grid.pixel_m - offset * radius_m / grid.pixel_m
    column = ((x - grid.west) / grid.pixel_m)[:, None]
    on_land = _strip_sums(land & valid, row, column - half, column + half)
    on_data = _strip_sums(valid, row, column - half, column + half)
    share = on_land / np.maximum(on_data, 1e-9)
    return np.where(on_data >= half.sum(), np.clip(share, 0.0, 1.0), np.nan)


def _strip_sums(mask: Bools, row: Doubles, start: Doubles, stop: Doubles) -> Doubles:
    """Return the summed length of the mask's pixels in strips from start to stop, in pixels."""
    rows, columns = mask.shape
    running = np.zeros((rows, columns + 1), np.int32)
    np.cumsum(mask, axis=1, out=running[:, 1:])
    which = np.floor(row).astype(np.int64)
    inside = (which >= 0) & (which < rows)
    which = np.clip(which, 0, rows - 1)

    def upto(column: Doubles) -> Doubles:
        column = np.clip(column, 0, columns)
        whole = np.minimum(column.astype(np.int64), columns - 1)
        before = running[which, whole]
        return np.asarray(before + (running[which, whole + 1] - before) * (column - whole))

    return np.asarray(np.where(inside, upto(stop) - upto(start), 0.0).sum(axis=1))
