"""Tree lines: find_stretches of bank with canopy behind them and room on the water in front."""

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
from sitegeo.shore.stations import (
    ShoreStations,
    fill_short_gaps,
    find_stretches,
    pixels_behind,
    split_by_shore,
    split_by_turn,
)

_BELT_GAP_M = 6.0


@dataclass(frozen=True)
class TreeBelts:
    """The trees behind each station, by row of the stations; one raster look, no neighbours.

    Parameters
    ----------
    depth_m, share, height_m, sure, error_m
        The belt's depth, the share of trees in the first `bank_m`; mean height, certainty and
        error of height of the trees within the belt (NaN without any, or where not known).
    room
        Whether there is water, or plants in it, nearly all the way out to `front_m`.
    """

    depth_m: FloatArray
    share: FloatArray
    height_m: FloatArray
    sure: FloatArray
    error_m: FloatArray
    room: BoolArray

    def of(self, rows: BoolArray) -> TreeBelts:
        """Return those of some of the stations."""
        return TreeBelts(*(getattr(self, f.name)[rows] for f in fields(self)))


def measure_tree_belts(
    stations: gpd.GeoDataFrame,
    cover: Raster,
    canopy_height: Raster,
    canopy_error: Raster | None,
    *,
    bank_m: float,
    belt_m: float,
    front_m: float,
) -> TreeBelts:
    """Return the belt of trees behind each station; it ends at the first gap wider than 6 m."""
    grid = cover.grid
    x, y = (np.asarray(v, float) for v in (stations.geometry.x, stations.geometry.y))
    facing_grid = grid.to_grid_bearing(stations["facing_deg"].to_numpy(float))
    behind = pixels_behind(x, y, facing_grid, grid, reach_m=belt_m, fan_deg=(0.0,))
    step = max(grid.pixel_m, 1.0)
    tree = behind.sample(cover, cover.band("class")) == Cover.TREE
    near = max(1, round(bank_m / step))
    share = tree[:, :near].mean(axis=1)
    gap = max(1, round(_BELT_GAP_M / step))
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
    ahead = pixels_behind(x, y, facing_grid + 180.0, grid, reach_m=front_m)
    seen = ahead.sample(cover, cover.band("class"))
    known = np.maximum(np.isfinite(seen).sum(axis=1), 1)
    room = (seen == Cover.WATER).sum(axis=1) >= 0.75 * known
    return TreeBelts(depth, share, mean_height, mean_sure, mean_error, np.asarray(room, np.bool_))


def find_tree_lines(
    stations: gpd.GeoDataFrame,
    belts: TreeBelts,
    grid: Grid,
    *,
    bank_m: float,
    min_share: float,
    gap_m: float,
    min_length_m: float,
    max_length_m: float,
    max_turn_deg: float,
) -> Iterator[Position]:
    """Yield the find_stretches of bank where trees fill at least `min_share` of what lies behind.

    A bank without room before it, as on a ditch, counts for nothing. `belts` are of the same
    stations, row by row.
    """
    for shore in split_by_shore(stations):
        share, heights = belts.share[shore.rows], belts.height_m[shore.rows]
        depth, sure = belts.depth_m[shore.rows], belts.sure[shore.rows]
        for part in _parts(
            shore,
            (share >= min_share) & belts.room[shore.rows],
            gap_m=gap_m,
            min_length_m=min_length_m,
            max_length_m=max_length_m,
            max_turn_deg=max_turn_deg,
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
            # A longer run is less likely an accident of the classes.
            trust = 0.7 + 0.3 * float(smoothstep(line.length, min_length_m, 4 * min_length_m))
            yield Position(
                "tree line",
                line,
                float(np.nanmean(sure[part])) * trust,
                f"{line.length:.0f} m of bank with trees about {mean:.0f} m"
                f"{'' if doubt is None else f' ± {max(1.0, doubt):.0f} m'} high behind it, "
                f"{100 * density:.0f} % of the first {bank_m:.0f} m filled, "
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
    *,
    gap_m: float,
    min_length_m: float,
    max_length_m: float,
    max_turn_deg: float,
) -> Iterator[IntArray]:
    """Yield the find_stretches that are long enough, cut where they bend or run on."""
    if shore.step_m <= 0:
        return
    wanted = fill_short_gaps(wanted, shore.closed, round(gap_m / shore.step_m))
    for run in find_stretches(wanted, shore.closed):
        count = max(2, int(max_length_m / shore.step_m))
        for piece in split_by_turn(shore.facing_deg[run], max_turn_deg, count):
            part = run[piece]
            if (len(part) - 1) * shore.step_m >= min_length_m:
                yield part


def _bearing(xy: FloatArray, grid: Grid) -> float:
    """Return the true bearing of a run from its first station to its last, water on the left."""
    east, north = xy[-1] - xy[0]
    return float(grid.to_true_bearing(bearing_of(east, north)))
