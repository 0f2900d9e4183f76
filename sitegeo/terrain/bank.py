"""What stands on the bank behind a station."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sitegeo.angles import unit_from_bearing
from sitegeo.grid import Grid, Raster
from sitegeo.layers import Cover

Doubles = NDArray[np.float64]
Indices = NDArray[np.int64]

BANK_NAMES = {
    Cover.NONE: "none",
    Cover.WATER: "water",
    Cover.TREE: "tree",
    Cover.LOW: "low cover",
    Cover.OPEN: "open",
    Cover.BUILT: "built",
}
"""Words for the cover of a bank; "water" where only water lies behind, "none" off the data."""


@dataclass(frozen=True)
class Behind:
    """Pixels behind stations, (stations, looks) each, nearest first; `inside` the grid or not."""

    row: Indices
    column: Indices
    inside: NDArray[np.bool_]

    def sample(self, raster: Raster, plane: NDArray[np.generic]) -> Doubles:
        """Return a plane's values there, nan where there is no data."""
        row, column = np.where(self.inside, self.row, 0), np.where(self.inside, self.column, 0)
        known = self.inside & raster.mask[row, column]
        return np.where(known, plane[row, column].astype(float), np.nan)


def look_behind(
    x: Doubles,
    y: Doubles,
    facing_grid_deg: Doubles,
    grid: Grid,
    *,
    reach_m: float,
    fan_deg: tuple[float, ...] = (0.0, -25.0, 25.0),
) -> Behind:
    """Return the pixels behind each station, from the first whole pixel to `reach_m`."""
    step = max(grid.pixel_m, 1.0)
    distance = np.arange(0.75 * step, max(reach_m, 1.5 * step), step)
    bearing = np.asarray(facing_grid_deg)[:, None, None] + 180.0 + np.asarray(fan_deg)
    east, north = unit_from_bearing(bearing)
    at_x = x[:, None, None] + distance[:, None] * east
    at_y = y[:, None, None] + distance[:, None] * north
    row, column = grid.rowcol(at_x, at_y)
    flat = (len(x), distance.size * len(fan_deg))
    row, column = row.reshape(flat), column.reshape(flat)
    return Behind(row, column, grid.contains(row, column))


def bank_classes(cover: Raster, behind: Behind) -> list[Cover]:
    """Return the commonest land class behind each station."""
    seen = behind.sample(cover, cover.band("class"))
    codes = (Cover.TREE, Cover.LOW, Cover.OPEN, Cover.BUILT)
    counts = np.stack([(seen == c).sum(axis=1) for c in codes])
    best = np.argmax(counts, axis=0) if counts.size else np.empty(0, int)
    wet = (seen == Cover.WATER).any(axis=1)
    return [
        codes[b] if counts[b, i] else Cover.WATER if wet[i] else Cover.NONE
        for i, b in enumerate(best)
    ]


def bank_heights(canopy_height: Raster, behind: Behind) -> Doubles:
    """Return the usual height of the plants behind each station, 0 where they are few.

    The median of what stands there, when it fills at least a quarter of the bank; nan off data.
    """
    seen = behind.sample(canopy_height, canopy_height.values)
    known = np.isfinite(seen)
    standing = seen > 0.5
    few = standing.sum(axis=1) < 0.25 * np.maximum(known.sum(axis=1), 1)
    with_plants = np.where(standing, seen, np.nan)
    with_plants[few] = 0.0
    height = np.nanmedian(with_plants, axis=1) if len(seen) else np.empty(0)
    return np.asarray(np.where(known.any(axis=1), height, np.nan))
