"""Ways in on foot and by boat on a coarse grid, and the blind to fall back on if one is taken.

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
from sitegeo.siting.sampling import crop_around

_BARRED_SHARE = 0.5  # judgement: a cell so much of which cannot be crossed is not crossed
_WALL_PX = 0.75  # half the width, in cells, that keeps a diagonal step from slipping through a line
_HALF_DIAGONAL_PX = 0.8  # a cell's corner lies so far from its middle, and some


@dataclass(frozen=True)
class AccessParams:
    """How people get to a hide; judgement throughout.

    Parameters
    ----------
    walk_m_per_min
        With a load in the dark, on firm open ground.
    paddle_m_per_min
        By paddle.
    launch_min
        To get a boat afloat.
    woods, rough, wading
        How much longer a metre takes among trees, in low cover and through water than on firm
        ground.
    unseen
        The same where it is not known what the way leads over: on firm ground and rough.
    cell_m
        Side of a cell of the coarse grid.
    snap_m, launch_m
        A way begins and ends at the nearest open cell within the first; a boat is carried as far
        as the second from an access point to the water.
    """

    walk_m_per_min: float = 50.0
    paddle_m_per_min: float = 60.0
    launch_min: float = 6.0
    woods: float = 1.3
    rough: float = 1.5
    wading: float = 2.0
    unseen: float = 1.25
    cell_m: float = 5.0
    snap_m: float = 15.0
    launch_m: float = 60.0


@dataclass(frozen=True)
class Walks:
    """The cheapest ways on foot from some starts to points, (points,); infinite where none leads.

    Parameters
    ----------
    walk_m, wading_m
        Length of the way, and how much of it leads through water.
    walk_min
        Minutes it takes.
    """

    walk_m: FloatArray
    wading_m: FloatArray
    walk_min: FloatArray


@dataclass(frozen=True)
class Terrain:
    """What a metre costs on foot, cell by cell, and where the water is.

    Parameters
    ----------
    grid
        The coarse grid.
    foot
        How much longer a metre takes than on firm ground, infinite where one cannot go.
    water
        Cells that are mostly water.
    """

    grid: Grid
    foot: FloatArray
    water: BoolArray


def make_terrain(
    cover: Raster,
    depth: Raster | None,
    *,
    wade_m: float,
    roads: gpd.GeoDataFrame | None = None,
    params: AccessParams = AccessParams(),
) -> Terrain:
    """Return what it costs to cross the ground.

    Parameters
    ----------
    cover
        The `cover` layer.
    depth
        Depth of water in metres, None where it is not known.
    wade_m
        Deepest water the party wades.
    roads
        Lines not to be crossed, where that matters, in the cover's CRS.
    params
        What slows people down.

    Returns
    -------
    Terrain
        On cells of about `params.cell_m`.
    """
    each = max(1, round(params.cell_m / cover.grid.pixel_m))
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
    cost = 1.0 + (params.woods - 1.0) * share[Cover.TREE] + (params.rough - 1.0) * share[Cover.LOW]
    cost = cost + (params.wading - 1.0) * wet
    grid = cover.grid
    coarse = Grid(grid.crs, grid.west, grid.north, grid.pixel_m * each, cost.shape)
    barred = (too_deep >= _BARRED_SHARE) | (share[Cover.BUILT] >= _BARRED_SHARE)
    barred |= none >= _BARRED_SHARE
    if roads is not None and len(roads):
        barred |= _touched(roads, coarse)
    return Terrain(coarse, np.where(barred, np.inf, cost), wet >= 0.5)


def find_walks(
    ground: Terrain,
    starts: FloatArray,
    ends: FloatArray,
    *,
    params: AccessParams = AccessParams(),
) -> Walks:
    """Return the ways on foot from the nearest of some starts to each end.

    Parameters
    ----------
    ground
        From `make_terrain`.
    starts, ends
        (starts, 2) and (points, 2) coordinates in its CRS.
    params
        How fast people walk, and how far off a way may begin and end.

    Returns
    -------
    Walks
        In the order of `ends`.
    """
    found = _search(ground.foot, ground.grid, starts, snap_m=params.snap_m)
    if found is None:
        none = np.full(len(ends), np.inf)
        return Walks(none, none, none)
    search, costs = found
    reached = np.isfinite(costs)
    cells = [_nearest_cell(ground.grid, reached, at, snap_m=params.snap_m) for at in ends]
    walk, wading, minutes = (np.full(len(ends), np.inf) for _ in range(3))
    for n, cell in enumerate(cells):
        if cell is None:
            continue
        path = np.array(search.traceback(cell))
        lengths = np.hypot(*np.diff(path, axis=0).T) * ground.grid.pixel_m
        through = ground.water[tuple(path.T)]
        walk[n] = lengths.sum()
        wading[n] = (lengths * (0.5 * through[1:] + 0.5 * through[:-1])).sum()
        minutes[n] = costs[cell] * ground.grid.pixel_m / params.walk_m_per_min
    return Walks(walk, wading, minutes)


def paddle_distances(
    ground: Terrain,
    starts: FloatArray,
    ends: FloatArray,
    *,
    params: AccessParams = AccessParams(),
) -> FloatArray:
    """Return how far it is over the water from the nearest launch to each end.

    Parameters
    ----------
    ground
        From `make_terrain`.
    starts, ends
        (starts, 2) and (points, 2) coordinates in its CRS.
    params
        How far a boat is carried to the water, and how far off a way may end.

    Returns
    -------
    ndarray
        (points,), metres; infinite where no water leads there.
    """
    afloat = np.where(ground.water, 1.0, np.inf)
    found = _search(afloat, ground.grid, starts, snap_m=params.launch_m)
    if found is None:
        return np.full(len(ends), np.inf)
    costs = found[1] * ground.grid.pixel_m
    reached = np.isfinite(costs)
    cells = [_nearest_cell(ground.grid, reached, at, snap_m=params.snap_m) for at in ends]
    return np.array([np.inf if cell is None else costs[cell] for cell in cells])


def access_minutes(
    walk_min: FloatArray, paddle_m: FloatArray, *, params: AccessParams = AccessParams()
) -> FloatArray:
    """Return the minutes of the quicker way in.

    Parameters
    ----------
    walk_min, paddle_m
        (points,) minutes on foot and metres over the water, infinite where there is no way.
    params
        How fast people paddle, and how long a launch takes.

    Returns
    -------
    ndarray
        (points,), infinite where there is neither way.

    Examples
    --------
    >>> access_minutes(np.array([np.inf, 3.0]), np.array([600.0, 600.0])).tolist()
    [16.0, 3.0]
    """
    paddle_min = params.launch_min + paddle_m / params.paddle_m_per_min
    return np.asarray(np.minimum(walk_min, paddle_min), float)


@dataclass(frozen=True)
class FallbackParams:
    """Which other blind is worth moving to before legal light; judgement throughout.

    Parameters
    ----------
    good_share
        It scores at least this share of the first.
    not_beside_m
        Nearer than this one sits in the other party's hunt.
    reach_m
        As far as people move in the dark with decoys.
    margin_m
        The ground is looked at so much farther, for ways that lead round.
    """

    good_share: float = 0.85
    not_beside_m: float = 150.0
    reach_m: float = 600.0
    margin_m: float = 50.0


def find_fallback_blind(
    blinds: gpd.GeoDataFrame,
    first: pd.Series[Any],
    *,
    cover: Raster,
    depth: Raster | None = None,
    roads: gpd.GeoDataFrame | None = None,
    wade_m: float,
    params: FallbackParams = FallbackParams(),
) -> dict[str, Any] | None:
    """Return the nearest good blind on another position that is reached in the dark.

    Reached means on foot from the first, no farther than `params.reach_m` by the way, over ground
    and water known to be no deeper than the party wades, and across no mapped road. Water of
    unknown depth is not crossed.

    Parameters
    ----------
    blinds
        Ranked blinds, none rejected, with `id`, `position_id`, `layout` and `score`.
    first
        The blind planned, a row of the same columns.
    cover, depth, roads
        What the way leads over, in the blinds' CRS.
    wade_m
        Deepest water the party wades.
    params
        What counts as good and as reached.

    Returns
    -------
    dict or None
        Its `id`, `layout` and `score`, `distance_m`, `walk_m`, `wading_m` and a `note`; None where
        there is no such blind.
    """
    away = blinds.geometry.distance(first.geometry).to_numpy()
    good = blinds["score"].to_numpy() >= params.good_share * float(first["score"])
    other = (blinds["position_id"] != first["position_id"]).to_numpy()
    fit = blinds[good & other & (away >= params.not_beside_m) & (away <= params.reach_m)]
    if fit.empty:
        return None
    at = (first.geometry.x, first.geometry.y)
    reach = params.reach_m + params.margin_m
    window = shapely.box(at[0] - reach, at[1] - reach, at[0] + reach, at[1] + reach)
    ground = make_terrain(
        crop_around(cover, at, reach),
        None if depth is None else crop_around(depth, at, reach),
        wade_m=wade_m,
        roads=None if roads is None else roads[roads.intersects(window)],
    )
    walks = find_walks(ground, np.array([at]), shapely.get_coordinates(fit.geometry))
    reached = np.flatnonzero(walks.walk_m <= params.reach_m)
    if not len(reached):
        return None
    best = int(reached[walks.walk_m[reached].argmin()])
    row = fit.iloc[best]
    return {
        "id": str(row["id"]),
        "layout": str(row["layout"]),
        "score": round(float(row["score"]), 4),
        "distance_m": round(float(row.geometry.distance(first.geometry)), 1),
        "walk_m": round(float(walks.walk_m[best]), 1),
        "wading_m": round(float(walks.wading_m[best]), 1),
        "note": "on foot, no road and no water deeper than you wade; a way found on the map, not a "
        "path walked",
    }


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


def _touched(lines: gpd.GeoDataFrame, grid: Grid) -> BoolArray:
    """Return the cells that lines touch, thick enough that no diagonal step slips through."""
    shapes = lines.geometry.buffer(_WALL_PX * grid.pixel_m)
    burnt = rasterize(shapes, out_shape=grid.shape, transform=grid.transform, all_touched=True)
    return np.asarray(burnt, bool)


def _search(
    cost: FloatArray, grid: Grid, starts: FloatArray, *, snap_m: float
) -> tuple[Any, FloatArray] | None:
    """Return a finished search from the cells of some starts, and the cost of every cell."""
    from skimage.graph import MCP_Geometric  # noqa: PLC0415 (only a survey and a plan need it)

    open_cells = np.isfinite(cost)
    found = (_nearest_cell(grid, open_cells, at, snap_m=snap_m) for at in starts)
    cells = sorted({cell for cell in found if cell is not None})
    if not cells:
        return None
    search = MCP_Geometric(np.where(open_cells, cost, -1.0), fully_connected=True)
    costs, _ = search.find_costs(cells)
    return search, costs


def _nearest_cell(
    grid: Grid, open_cells: BoolArray, at: FloatArray, *, snap_m: float
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
    if off[best] > snap_m + _HALF_DIAGONAL_PX * grid.pixel_m:
        return None
    return int(rows[best] + top), int(cols[best] + left)
