"""Stations in the order they are walked: stretches of one kind, turns, the ground behind."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from sitegeo.angles import signed_diff_deg, unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class ShoreStations:
    """The stations of one shore in the order they are walked, water on the left.

    Parameters
    ----------
    id
        The shore's.
    rows
        Where its stations stand in the `stations` layer.
    xy
        Shape (n, 2), metres in the layer's CRS.
    facing_deg
        True bearing towards the water at each.
    step_m
        Distance between neighbours.
    closed
        Whether the last station is next to the first.
    """

    id: str
    rows: IntArray
    xy: FloatArray
    facing_deg: FloatArray
    step_m: float
    closed: bool

    @property
    def length_m(self) -> float:
        """Length of the shore."""
        return self.step_m * len(self.rows)

    def shifted(self, values: FloatArray, by: int) -> FloatArray:
        """Return the values `by` stations further along, held at the ends of an open shore."""
        n = len(values)
        index = np.arange(n) + by
        return values[index % n if self.closed else np.clip(index, 0, n - 1)]

    def turn_deg(self, reach_m: float) -> FloatArray:
        """Return how many degrees the shore turns within `reach_m` each way of each station.

        Positive round a point of land, negative round a cove; summed step by step, so that a
        narrow spit turns by 180 and not by less.
        """
        # The facing drifts the same way as the heading: clockwise when land lies inside.
        turn = np.asarray(signed_diff_deg(self.shifted(self.facing_deg, 1), self.facing_deg))
        count = max(1, round(reach_m / self.step_m))
        total = np.zeros_like(turn)
        for by in range(-count, count):
            total += self.shifted(turn, by)
        return total


def split_by_shore(stations: gpd.GeoDataFrame) -> Iterator[ShoreStations]:
    """Yield each shore of the stations in order of id."""
    x, y = (np.asarray(v, float) for v in (stations.geometry.x, stations.geometry.y))
    chainage = stations["chainage_m"].to_numpy(float)
    facing = stations["facing_deg"].to_numpy(float)
    for name, rows in sorted(stations.groupby("shore_id", sort=True).indices.items()):
        at = np.asarray(rows, np.int64)
        at = at[np.argsort(chainage[at], kind="stable")]
        step = float(np.diff(chainage[at]).mean()) if len(at) > 1 else 0.0
        xy = np.column_stack([x[at], y[at]])
        gap = float(np.hypot(*(xy[0] - xy[-1])))
        # A ring starts at chainage 0, a shore cut by the frame half a step in.
        closed = len(at) > 2 and chainage[at[0]] == 0 and gap <= 1.5 * step
        yield ShoreStations(str(name), at, xy, facing[at], step, closed)


def find_stretches(flag: BoolArray, closed: bool) -> list[IntArray]:
    """Return the indices of each run of consecutive true values, in order.

    On a closed shore a run may pass the start.

    Examples
    --------
    >>> import numpy as np
    >>> flag = np.array([True, False, True, True])
    >>> [run.tolist() for run in find_stretches(flag, closed=False)]
    [[0], [2, 3]]
    >>> [run.tolist() for run in find_stretches(flag, closed=True)]
    [[2, 3, 0]]
    """
    n = len(flag)
    if not flag.any():
        return []
    if flag.all():
        return [np.arange(n)]
    start = int(np.flatnonzero(~flag)[0]) if closed else 0
    order = (np.arange(n) + start) % n
    turned = np.concatenate([[False], flag[order], [False]])
    edges = np.flatnonzero(turned[1:] != turned[:-1])
    return [order[a:b] for a, b in zip(edges[::2], edges[1::2], strict=True)]


def fill_short_gaps(flag: BoolArray, closed: bool, gap: int) -> BoolArray:
    """Return the flags with the short gaps between true values filled.

    Parameters
    ----------
    flag
        One value a station.
    closed
        Whether the last is next to the first; ends of an open shore are not filled.
    gap
        Most false values in a row that are filled.

    Returns
    -------
    BoolArray
        The same shape.
    """
    out = flag.copy()
    for hole in find_stretches(~flag, closed):
        at_end = not closed and (hole[0] == 0 or hole[-1] == len(flag) - 1)
        if len(hole) <= gap and not at_end and len(hole) < len(flag):
            out[hole] = True
    return out


def split_by_turn(facing_deg: FloatArray, max_turn_deg: float, max_count: int) -> list[slice]:
    """Return the pieces of a stretch, cut where the facing has swung too far or it is too long.

    Parameters
    ----------
    facing_deg
        Bearing towards the water at each station of the stretch.
    max_turn_deg
        Most that the facing varies within a piece.
    max_count
        Most stations in a piece; longer ones are cut into equal parts.

    Returns
    -------
    list[slice]
        In order; together they cover the stretch.

    Examples
    --------
    >>> import numpy as np
    >>> split_by_turn(np.array([0.0, 5.0, 5.0, 95.0, 90.0]), 60.0, 10)
    [slice(0, 3, None), slice(3, 5, None)]
    """
    swing = np.concatenate([[0.0], np.cumsum(signed_diff_deg(facing_deg[1:], facing_deg[:-1]))])
    cuts, start = [0], 0
    for i in range(1, len(swing)):
        part = swing[start : i + 1]
        if part.max() - part.min() > max_turn_deg:
            cuts.append(i)
            start = i
    cuts.append(len(swing))
    pieces = []
    for a, b in itertools.pairwise(cuts):
        parts = int(np.ceil((b - a) / max_count))
        marks = np.linspace(a, b, parts + 1).round().astype(int)
        pieces += [slice(int(p), int(q)) for p, q in itertools.pairwise(marks)]
    return pieces


BANK_NAMES = {
    Cover.NONE: "none",
    Cover.WATER: "water",
    Cover.TREE: "tree",
    Cover.LOW: "low cover",
    Cover.OPEN: "open",
    Cover.BUILT: "built",
}
"""Words for the cover of a bank; "water" where only water lies behind, "none" off the data."""


_FAN_DEG = (0.0, -25.0, 25.0)
"""Directions in which the bank is looked at, from straight behind a station (judgement)."""

_STANDING_M = 0.5
"""Plants lower than this do not count towards the height of a bank (judgement)."""

_STANDING_SHARE = 0.25
"""Plants on less of a bank than this give it no height (judgement)."""


@dataclass(frozen=True)
class BankPixels:
    """The pixels behind stations, nearest first.

    Parameters
    ----------
    row, column
        Shape (stations, looks).
    inside
        Whether each lies on the grid.
    """

    row: IntArray
    column: IntArray
    inside: BoolArray

    def sample(self, raster: Raster, plane: NDArray[np.generic]) -> FloatArray:
        """Return the values of a plane of the raster there, NaN where there is no data."""
        row, column = np.where(self.inside, self.row, 0), np.where(self.inside, self.column, 0)
        known = self.inside & raster.mask[row, column]
        return np.where(known, plane[row, column].astype(float), np.nan)


def pixels_behind(
    x: FloatArray,
    y: FloatArray,
    facing_grid_deg: FloatArray,
    grid: Grid,
    *,
    reach_m: float,
    fan_deg: tuple[float, ...] = _FAN_DEG,
) -> BankPixels:
    """Return the pixels behind each station, from the first whole pixel to `reach_m`.

    Parameters
    ----------
    x, y
        Stations, shape (n,), metres in the grid's CRS.
    facing_grid_deg
        Their grid bearing towards the water.
    grid
        The grid of the pixels.
    reach_m
        How far behind the shore.
    fan_deg
        Directions of the looks, from straight behind.

    Returns
    -------
    BankPixels
        Shape (n, looks).
    """
    # Nearer than three quarters of a step a pixel may still be mostly water.
    step = max(grid.pixel_m, 1.0)
    distance = np.arange(0.75 * step, max(reach_m, 1.5 * step), step)
    bearing = np.asarray(facing_grid_deg)[:, None, None] + 180.0 + np.asarray(fan_deg)
    east, north = unit_from_bearing(bearing)
    at_x = x[:, None, None] + distance[:, None] * east
    at_y = y[:, None, None] + distance[:, None] * north
    row, column = grid.rowcol(at_x, at_y)
    flat = (len(x), distance.size * len(fan_deg))
    row, column = row.reshape(flat), column.reshape(flat)
    return BankPixels(row, column, grid.contains(row, column))


def bank_classes(cover: Raster, behind: BankPixels) -> list[Cover]:
    """Return the commonest land class behind each station, water or none where there is no land."""
    seen = behind.sample(cover, cover.band("class"))
    codes = (Cover.TREE, Cover.LOW, Cover.OPEN, Cover.BUILT)
    counts = np.stack([(seen == c).sum(axis=1) for c in codes])
    best = np.argmax(counts, axis=0) if counts.size else np.empty(0, int)
    wet = (seen == Cover.WATER).any(axis=1)
    return [
        codes[b] if counts[b, i] else Cover.WATER if wet[i] else Cover.NONE
        for i, b in enumerate(best)
    ]


def bank_heights(canopy_height: Raster, behind: BankPixels) -> FloatArray:
    """Return the height in metres of the plants behind each station, 0 where they are few.

    The median of what stands there, if it fills at least a quarter of the bank; NaN off the data.
    """
    seen = behind.sample(canopy_height, canopy_height.values)
    known = np.isfinite(seen)
    standing = seen > _STANDING_M
    few = standing.sum(axis=1) < _STANDING_SHARE * np.maximum(known.sum(axis=1), 1)
    with_plants = np.where(standing, seen, np.nan)
    with_plants[few] = 0.0
    height = np.nanmedian(with_plants, axis=1) if len(seen) else np.empty(0)
    return np.asarray(np.where(known.any(axis=1), height, np.nan))
