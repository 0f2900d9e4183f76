"""Tree lines: stretches of bank with canopy behind them and room on the water in front."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields

import geopandas as gpd
import numpy as np
from shapely.geometry import LineString

from sitegeo.angles import bearing_of, circular_mean_deg, compass_point, smoothstep
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import BoolArray, FloatArray, IntArray
from sitegeo.shore.position import Position
from sitegeo.shore.shoreline import ShorelineParams
from sitegeo.shore.stations import (
    ShoreStations,
    fill_short_gaps,
    find_stretches,
    pixels_behind,
    split_by_shore,
    split_by_turn,
)


@dataclass(frozen=True)
class TreeLineParams:
    """What counts as a tree line. All values are judgement.

    Parameters
    ----------
    bank_m, tree_share
        Depth of the bank in which trees are counted, and the least share of it they fill.
    belt_m, belt_gap_m
        How far behind the shore the belt's depth is followed, and the gap that ends it.
    front_m, front_share
        Distance out from the bank that birds need to come in, and the least share of it that is
        water.
    gap_m
        Shorter gaps along the shore do not break a line.
    min_length_m, max_length_m, max_turn_deg
        Shorter lines are dropped; lines are cut where they grow longer or the facing swings more.
    trust, sure_length
        Confidence in the shortest line as a share of the photo's, and what a line of
        `sure_length` times `min_length_m` has more: a long line is less likely an accident.
    """

    bank_m: float = ShorelineParams.bank_m
    tree_share: float = 0.5
    belt_m: float = 90.0
    belt_gap_m: float = 6.0
    front_m: float = 20.0
    front_share: float = 0.75
    gap_m: float = 20.0
    min_length_m: float = 30.0
    max_length_m: float = 250.0
    max_turn_deg: float = 60.0
    trust: tuple[float, float] = (0.7, 0.3)
    sure_length: float = 4.0


@dataclass(frozen=True)
class TreeBelts:
    """The trees behind each station, in the order of the stations.

    Parameters
    ----------
    depth_m
        Depth of the belt, 0 without trees.
    share
        Share of trees in the first `bank_m`, 0 to 1.
    height_m, error_m, sure
        Mean height of the trees in the belt, its standard error, and the mean confidence of their
        class, 0 to 1; NaN without trees or where not known.
    room
        Whether there is water most of the way out to `front_m`.
    """

    depth_m: FloatArray
    share: FloatArray
    height_m: FloatArray
    sure: FloatArray
    error_m: FloatArray
    room: BoolArray

    def select(self, rows: BoolArray) -> TreeBelts:
        """Return the belts of the stations that are true in `rows`."""
        return TreeBelts(*(getattr(self, f.name)[rows] for f in fields(self)))


def measure_tree_belts(
    stations: gpd.GeoDataFrame,
    cover: Raster,
    canopy_height: Raster,
    *,
    canopy_error: Raster | None = None,
    params: TreeLineParams = TreeLineParams(),
) -> TreeBelts:
    """Return the belt of trees behind each station.

    A belt begins in the first `bank_m` behind the shore and ends at the first gap wider than
    `belt_gap_m`.

    Parameters
    ----------
    stations
        The `stations` layer; `facing_deg` is true.
    cover, canopy_height, canopy_error
        Rasters on one grid; heights and their error in metres.
    params
        What counts as a tree line.

    Returns
    -------
    TreeBelts
        One value a station.
    """
    grid = cover.grid
    x, y = (np.asarray(v, float) for v in (stations.geometry.x, stations.geometry.y))
    facing_grid = grid.to_grid_bearing(stations["facing_deg"].to_numpy(float))
    behind = pixels_behind(x, y, facing_grid, grid, reach_m=params.belt_m, fan_deg=(0.0,))
    step = max(grid.pixel_m, 1.0)
    tree = behind.sample(cover, cover.band("class")) == Cover.TREE
    near = max(1, round(params.bank_m / step))
    share = tree[:, :near].mean(axis=1)
    gap = max(1, round(params.belt_gap_m / step))
    # Distance since the last tree along each look; the belt ends where it passes the gap.
    index = np.arange(1, tree.shape[1] + 1)
    last = np.maximum.accumulate(np.where(tree, index, 0), axis=1)
    first = np.where(tree.any(axis=1), tree.argmax(axis=1), near)
    broken = (index - last > gap) & (index > first[:, None] + 1)
    within = np.cumsum(broken, axis=1) == 0
    belt = tree & within & (first < near)[:, None]
    reach = np.where(belt, index, 0).max(axis=1, initial=0)
    depth = np.where(belt.any(axis=1), reach - first, 0) * step
    heights = np.where(belt, behind.sample(canopy_height, canopy_height.values), np.nan)
    sure = np.where(belt, behind.sample(cover, cover.band("confidence")) / 100.0, np.nan)
    count = np.maximum(belt.sum(axis=1), 1)
    some = belt.any(axis=1)
    mean_height = np.where(some, np.nansum(heights, axis=1) / count, np.nan)
    mean_sure = np.where(some, np.nansum(sure, axis=1) / count, np.nan)
    mean_error = np.full(len(some), np.nan)
    if canopy_error is not None:
        # All trees of a place err alike, so the error of a mean is no smaller.
        errors = np.where(belt, behind.sample(canopy_error, canopy_error.values), np.nan)
        mean_error = np.where(some, np.nansum(errors, axis=1) / count, np.nan)
    ahead = pixels_behind(x, y, facing_grid + 180.0, grid, reach_m=params.front_m)
    seen = ahead.sample(cover, cover.band("class"))
    known = np.maximum(np.isfinite(seen).sum(axis=1), 1)
    room = (seen == Cover.WATER).sum(axis=1) >= params.front_share * known
    return TreeBelts(depth, share, mean_height, mean_sure, mean_error, np.asarray(room, np.bool_))


def find_tree_lines(
    stations: gpd.GeoDataFrame,
    belts: TreeBelts,
    grid: Grid,
    *,
    params: TreeLineParams = TreeLineParams(),
) -> Iterator[Position]:
    """Yield the stretches of bank with trees behind and room on the water in front.

    Parameters
    ----------
    stations
        The `stations` layer.
    belts
        The trees behind the same stations, row by row.
    grid
        The place's grid, for its convergence.
    params
        What counts as a tree line.

    Yields
    ------
    Position
        Lines along the shore, water on the left.
    """
    for shore in split_by_shore(stations):
        share, heights = belts.share[shore.rows], belts.height_m[shore.rows]
        depth, sure = belts.depth_m[shore.rows], belts.sure[shore.rows]
        for part in _parts(
            shore,
            (share >= params.tree_share) & belts.room[shore.rows],
            params,
        ):
            standing = heights[part]
            standing = standing[np.isfinite(standing)]
            if not standing.size:
                continue
            line = LineString(shore.xy[part])
            facing = circular_mean_deg(shore.facing_deg[part])
            mean, p90 = float(standing.mean()), float(np.percentile(standing, 90))
            density, belt = float(share[part].mean()), float(np.median(depth[part]))
            errors = belts.error_m[shore.rows][part]
            doubt = float(np.nanmean(errors)) if np.isfinite(errors).any() else None
            shortest, more = params.trust
            sure_m = params.sure_length * params.min_length_m
            trust = shortest + more * float(smoothstep(line.length, params.min_length_m, sure_m))
            yield Position(
                "tree line",
                line,
                float(np.nanmean(sure[part])) * trust,
                f"{line.length:.0f} m of bank with trees about {mean:.0f} m"
                f"{'' if doubt is None else f' ± {max(1.0, doubt):.0f} m'} high behind it, "
                f"{100 * density:.0f} % of the first {params.bank_m:.0f} m filled, "
                f"facing {compass_point(facing)}",
                length_m=line.length,
                belt_depth_m=belt,
                bearing_deg=_bearing(shore.xy[part], grid),
                facing_deg=facing,
                canopy_height_m=mean,
                canopy_height_p90_m=p90,
                canopy_height_error_m=doubt,
                canopy_density=min(1.0, density),
            )


def _parts(
    shore: ShoreStations,
    wanted: BoolArray,
    params: TreeLineParams,
) -> Iterator[IntArray]:
    """Yield the stretches that are long enough, cut where they bend or run on."""
    if shore.step_m <= 0:
        return
    wanted = fill_short_gaps(wanted, shore.closed, round(params.gap_m / shore.step_m))
    for run in find_stretches(wanted, shore.closed):
        count = max(2, int(params.max_length_m / shore.step_m))
        for piece in split_by_turn(shore.facing_deg[run], params.max_turn_deg, count):
            part = run[piece]
            if (len(part) - 1) * shore.step_m >= params.min_length_m:
                yield part


def _bearing(xy: FloatArray, grid: Grid) -> float:
    """Return the true bearing of a run from its first station to its last, water on the left."""
    east, north = xy[-1] - xy[0]
    return float(grid.to_true_bearing(bearing_of(east, north)))
