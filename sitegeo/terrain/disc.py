"""The share of land in a disc about a point: exact to a fraction of a pixel, and quick.

Each disc is cut into thin east-west strips; the land in a strip is the difference of two entries
of a running sum along the row.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sitegeo.grid import Grid
from sitegeo.terrain.filters import Bools, compiled

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
    row, column = (grid.north - y) / grid.pixel_m, (x - grid.west) / grid.pixel_m
    down = offset * radius_m / grid.pixel_m
    on_land, on_data = (
        _in_discs(_running(mask), row, column, down, half) for mask in (land & valid, valid)
    )
    share = on_land / np.maximum(on_data, 1e-9)
    return np.where(on_data >= half.sum(), np.clip(share, 0.0, 1.0), np.nan)


def _running(mask: Bools) -> NDArray[np.int32]:
    """Return the pixels of a mask counted along each row, from 0 before the first."""
    running = np.zeros((mask.shape[0], mask.shape[1] + 1), np.int32)
    np.cumsum(mask, axis=1, out=running[:, 1:])
    return running


@compiled
def _in_discs(
    running: NDArray[np.int32], row: Doubles, column: Doubles, down: Doubles, half: Doubles
) -> Doubles:
    """Return the summed length, in pixels, of what was counted in the strips of each disc."""
    total = np.zeros(len(row))
    rows, columns = running.shape[0], running.shape[1] - 1
    for n in range(len(row)):
        for k in range(len(down)):
            at = np.floor(row[n] - down[k])
            if at < 0 or at >= rows:
                continue
            line = running[int(at)]
            for side in (-1.0, 1.0):
                to = min(max(column[n] + side * half[k], 0.0), float(columns))
                whole = min(int(to), columns - 1)
                before = line[whole]
                total[n] += side * (before + (line[whole + 1] - before) * (to - whole))
    return total
