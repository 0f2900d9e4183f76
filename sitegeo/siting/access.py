"""The way in on foot and by boat, on a coarse grid: how far, and how much of it through water.

On foot people cross any ground but buildings, and water that is known to be no deeper than they
wade: water of unknown depth is not walked through. By boat they cross any water. Both ways are
the cheapest on a grid of a few metres, so that a ditch narrower than that is not seen; neither is
a path that was ever walked.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from rasterio.features import rasterize

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import BoolArray, FloatArray

CELL_M = 5.0
SNAP_M = 15.0
LAUNCH_M = 60.0
"""A boat is carried this far from an access point to the water; judgement."""

WALK_MPMIN, PADDLE_MPMIN, LAUNCH_MIN = 50.0, 60.0, 6.0
"""Metres a minute on firm ground with a load in the dark, and by paddle; judgement."""

# How much longer a metre takes than on firm ground; judgement.
_FIRM, _ROUGH, _WOODS, _WADING = 1.0, 1.5, 1.3, 2.0


@dataclass(frozen=True)
class Ways:
    """The cheapest ways from some starts to points; (points,) each, infinite where there is none.

    Parameters
    ----------
    walk_m, wading_m
        Length of the way on foot, and how much of it leads through water.
    walk_min
        Minutes it takes.
    """

    walk_m: FloatArray
    wading_m: FloatArray
    walk_min: FloatArray


@dataclass(frozen=True)
class Terrain:
    """What a metre costs on foot, cell by cell, infinite where one cannot go; and the water."""

    grid: Grid
    foot: FloatArray
    water: BoolArray


def near(raster: Raster, at: tuple[float, float], reach_m: float) -> Raster:
    """Return the part of a raster within reach of a point."""
    grid = raster.grid
    row, col = (int(v) for v in grid.rowcol(*at))
    n = int(np.ceil(reach_m / grid.pixel_m))
    top, left = max(0, row - n), max(0, col - n)
    rows, cols = slice(top, row + n + 1), slice(left, col + n + 1)
    values = raster.values[..., rows, cols]
    west, north = grid.west + left * grid.pixel_m, grid.north - top * grid.pixel_m
    shape = (values.shape[-2], values.shape[-1])
    part = Grid(grid.crs, west, north, grid.pixel_m, shape)
    valid = None if raster.valid is None else raster.valid[rows, cols]
    return Raster(values, part, valid, raster.bands)


def terrain(
    cover: Raster,
    depth: Raster | None,
    *,
    wade_m: float,
    roads: gpd.GeoDataFrame | None = None,
) -> Terrain:
    """Return what it costs to cross the ground.

    Parameters
    ----------
    roads
        Lines not to be crossed, where that matters.
    """
    each = max(1, round(CELL_M / cover.grid.pixel_m))
    found = cover.band("class")
    deep = np.zeros(found.shape, bool)
    water = found == Cover.WATER
    if depth is None:
        deep = water
    else:
        held = np.where(depth.mask, depth.values, np.nan)
        # Trees and reeds may stand in deep water too.
        deep = np.where(water, ~(held <= wade_m), held > wade_m)
    share = {c: _blocks(found == c, each) for c in (Cover.TREE, Cover.LOW, Cover.BUILT)}
    wet, too_deep, none = _blocks(water, each), _blocks(deep, each), _blocks(found == 0, each)
    cost = _FIRM + (_WOODS - _FIRM) * share[Cover.TREE] + (_ROUGH - _FIRM) * share[Cover.LOW]
    cost = cost + (_WADING - _FIRM) * wet
    grid = cover.grid
    coarse = Grid(grid.crs, grid.west, grid.north, grid.pixel_m * each, cost.shape)
    barred = (too_deep >= 0.5) | (share[Cover.BUILT] >= 0.5) | (none >= 0.5)
    if roads is not None and len(roads):
        barred |= _drawn(roads, coarse)
    return Terrain(coarse, np.where(barred, np.inf, cost), wet >= 0.5)


def on_foot(ground: Terrain, starts: FloatArray, ends: FloatArray) -> Ways:
    """Return the ways on foot from the nearest of some starts to each end."""
    found = _costs(ground.foot, ground.grid, starts)
    if found is None:
        none = np.full(len(ends), np.inf)
        return Ways(none, none, none)
    search, costs = found
    cells = [_snapped(ground.grid, np.isfinite(costs), at) for at in ends]
    walk, wading, minutes = (np.full(len(ends), np.inf) for _ in range(3))
    for n, cell in enumerate(cells):
        if cell is None:
            continue
        path = np.array(search.traceback(cell))
        lengths = np.hypot(*np.diff(path, axis=0).T) * ground.grid.pixel_m
        through = ground.water[tuple(path.T)]
        walk[n] = lengths.sum()
        wading[n] = (lengths * (0.5 * through[1:] + 0.5 * through[:-1])).sum()
        minutes[n] = costs[cell] * ground.grid.pixel_m / WALK_MPMIN
    return Ways(walk, wading, minutes)


def by_boat(ground: Terrain, starts: FloatArray, ends: FloatArray) -> FloatArray:
    """Return how far it is over the water from the nearest launch to each end, metres.

    Infinite where no water leads there.
    """
    afloat = np.where(ground.water, 1.0, np.inf)
    found = _costs(afloat, ground.grid, starts, snap_m=LAUNCH_M)
    if found is None:
        return np.full(len(ends), np.inf)
    costs = found[1] * ground.grid.pixel_m
    reached = [_snapped(ground.grid, np.isfinite(costs), at) for at in ends]
    return np.array([np.inf if cell is None else costs[cell] for cell in reached])


def minutes_in(walk_min: FloatArray, paddle_m: FloatArray) -> FloatArray:
    """Return the minutes of the quicker way in, infinite where there is none."""
    return np.asarray(np.minimum(walk_min, LAUNCH_MIN + paddle_m / PADDLE_MPMIN), float)


def _blocks(plane: BoolArray, each: int) -> FloatArray:
    """Return the share of true pixels in each block; a last, partial block counts what it has."""
    rows, cols = plane.shape
    bands = np.zeros((-(-rows // each), cols), np.float32)
    for n in range(each):
        some = plane[n::each]
        bands[: len(some)] += some
    total = np.zeros((len(bands), -(-cols // each)), np.float32)
    for n in range(each):
        part = bands[:, n::each]
        total[:, : part.shape[1]] += part
    high, wide = (np.diff(np.arange(0, n, each), append=n) for n in plane.shape)
    return np.asarray(total / np.outer(high, wide).astype(np.float32), float)


def _drawn(lines: gpd.GeoDataFrame, grid: Grid) -> BoolArray:
    """Return the cells that lines touch, thick enough that no diagonal step slips through."""
    shapes = lines.geometry.buffer(0.75 * grid.pixel_m)
    burnt = rasterize(shapes, out_shape=grid.shape, transform=grid.transform, all_touched=True)
    return np.asarray(burnt, bool)


def _costs(
    cost: FloatArray, grid: Grid, starts: FloatArray, *, snap_m: float = SNAP_M
) -> tuple[Any, FloatArray] | None:
    """Return a finished search from the cells of some starts, and the cost of every cell."""
    from skimage.graph import MCP_Geometric  # noqa: PLC0415 (only a survey and a plan need it)

    open_cells = np.isfinite(cost)
    found = (_snapped(grid, open_cells, at, snap_m=snap_m) for at in starts)
    cells = sorted({cell for cell in found if cell is not None})
    if not cells:
        return None
    search = MCP_Geometric(np.where(open_cells, cost, -1.0), fully_connected=True)
    costs, _ = search.find_costs(cells)
    return search, costs


def _snapped(
    grid: Grid, open_cells: BoolArray, at: FloatArray, *, snap_m: float = SNAP_M
) -> tuple[int, int] | None:
    """Return the open cell nearest to a point, None where none is near."""
    row, col = (int(v) for v in grid.rowcol(at[0], at[1]))
    n = int(np.ceil(snap_m / grid.pixel_m))
    top, left = max(0, row - n), max(0, col - n)
    rows, cols = np.nonzero(open_cells[top : row + n + 1, left : col + n + 1])
    if not len(rows):
        return None
    x, y = grid.xy(rows + top, cols + left)
    off = np.hypot(x - at[0], y - at[1])
    best = int(off.argmin())
    if off[best] > snap_m + 0.8 * grid.pixel_m:
        return None
    return int(rows[best] + top), int(cols[best] + left)


GOOD_SHARE = 0.85
"""Judgement: a second site scores at least this share of the first."""

NOT_BESIDE_M = 150.0
"""Judgement: nearer than this one sits in the other party's hunt."""

REACH_M = 600.0
"""Judgement: as far as people move in the dark with decoys before legal light."""


def second_site(
    blinds: gpd.GeoDataFrame,
    first: pd.Series[Any],
    *,
    cover: Raster,
    depth: Raster | None = None,
    roads: gpd.GeoDataFrame | None = None,
    wade_m: float,
) -> dict[str, Any] | None:
    """Return the nearest good blind on another position that is reached in the dark, or None.

    Reached means on foot from the first, no farther than 600 m by the way, over ground and water
    known to be no deeper than the party wades, and across no mapped road. Water of unknown depth
    is not crossed.

    Parameters
    ----------
    blinds
        Ranked blinds, none rejected, with `id`, `position_id`, `layout` and `score`.
    first
        The blind planned, a row of the same columns.
    cover, depth, roads
        What the way leads over, in the blinds' CRS.
    """
    away = blinds.geometry.distance(first.geometry).to_numpy()
    good = blinds["score"].to_numpy() >= GOOD_SHARE * float(first["score"])
    other = (blinds["position_id"] != first["position_id"]).to_numpy()
    fit = blinds[good & other & (away >= NOT_BESIDE_M) & (away <= REACH_M)]
    if fit.empty:
        return None
    at = (first.geometry.x, first.geometry.y)
    reach = REACH_M + 50.0
    window = shapely.box(at[0] - reach, at[1] - reach, at[0] + reach, at[1] + reach)
    ground = terrain(
        near(cover, at, reach),
        None if depth is None else near(depth, at, reach),
        wade_m=wade_m,
        roads=None if roads is None else roads[roads.intersects(window)],
    )
    ways = on_foot(ground, np.array([at]), shapely.get_coordinates(fit.geometry))
    reached = np.flatnonzero(ways.walk_m <= REACH_M)
    if not len(reached):
        return None
    best = int(reached[ways.walk_m[reached].argmin()])
    row = fit.iloc[best]
    return {
        "id": str(row["id"]),
        "layout": str(row["layout"]),
        "score": round(float(row["score"]), 4),
        "distance_m": round(float(row.geometry.distance(first.geometry)), 1),
        "walk_m": round(float(ways.walk_m[best]), 1),
        "wading_m": round(float(ways.wading_m[best]), 1),
        "note": "on foot, no road and no water deeper than you wade; a way found on the map, not a "
        "path walked",
    }
