"""The way birds come in to a pocket, and where they touch down in it.

Birds land into the wind, so they arrive from downwind. Where the wind is a little onto a bank that
straight line leads over the trees: there they come along the bank, over water, and turn into the
wind at the last (common practice, no source). So an approach leaves the pocket straight downwind
and turns out over the water by one angle farther off; of the angles tried birds take the one with
the most open water, each counted less the more it turns. They touch down about the pocket, along
the approach, on water that they reach in a glide past what stands downwind. All numbers are
judgement.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import ArrayLike
from scipy import ndimage
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import signed_diff_deg, smoothstep, unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import AnyArray, FloatArray
from sitegeo.core.wind import Wind
from sitegeo.exposure.sweep import encode_surface, sweep, top_m
from sitegeo.siting.sampling import (
    cover_classes,
    crop_around,
    rotate_offsets,
    sample_around,
    strip_offsets,
)
from sitegeo.units import yd

_TRACE_M = 1.0  # an approach is traced in steps of this


@dataclass(frozen=True)
class ApproachParams:
    """How far an approach is looked along, and how far it bends; judgement throughout.

    Parameters
    ----------
    length_m, half_width_m
        Open water wanted on the approach, from the pocket out and to either side.
    straight_m, turned_m
        From the pocket out birds fly into the wind up to the first; beyond the second they have
        yet to turn.
    easy_deg, most_deg
        Up to the first a bend costs next to nothing; none reaches the second.
    cost_per_deg
        Share of its water that an easy bend costs for each degree.
    step_deg
        Bends are tried this far apart.
    least_water
        With less open water than this along the best bend birds are not said to follow it.
    lane_m
        What stands this far to either side of a straight approach is come over; nearer to the
        pocket than this nothing counts.
    free_deg, sheer_deg
        Up to the first angle of what stands straight downwind birds come over it freely; beyond
        the second they do not come down in front of it (to about 50° over bank trees).
    off_bank_deg
        A wind farther from the front than this blows off the bank, and bends no approach.
    """

    length_m: float = 80.0
    half_width_m: float = 10.0
    straight_m: float = 5.0
    turned_m: float = 35.0
    easy_deg: float = 35.0
    most_deg: float = 65.0
    cost_per_deg: float = 0.0015
    step_deg: float = 5.0
    least_water: float = 0.5
    lane_m: float = 4.0
    free_deg: float = 35.0
    sheer_deg: float = 55.0
    off_bank_deg: float = 120.0


@dataclass(frozen=True)
class Approach:
    """The approach to each blind, (blinds,) each.

    Parameters
    ----------
    bend_deg
        How far it turns from straight downwind as one looks out along it, clockwise positive.
    water
        0 to 1: the share of it that is open water, less what the bend costs.
    """

    bend_deg: FloatArray
    water: FloatArray


def find_approach(
    cover: Raster,
    pocket: FloatArray,
    downwind_grid_deg: ArrayLike,
    facing_grid_deg: FloatArray,
    *,
    params: ApproachParams = ApproachParams(),
) -> Approach:
    """Return the way birds come in to each pocket.

    Parameters
    ----------
    cover
        The `cover` layer.
    pocket
        (blinds, 2) middle of each pocket, in the raster's CRS.
    downwind_grid_deg
        Bearing on the grid from the pocket straight downwind.
    facing_grid_deg
        (blinds,) bearing the hide looks out on: the bends tried turn toward it.
    params
        How far approaches bend, and what a bend costs.

    Returns
    -------
    Approach
        In the order of `pocket`.
    """
    downwind = np.broadcast_to(np.asarray(downwind_grid_deg, float), (len(pocket),))
    off_front = signed_diff_deg(facing_grid_deg, downwind)
    out = np.where(off_front < 0, -1.0, 1.0)
    bends, lanes, kept = _bends_tried(params)
    water = _water(cover, pocket, lanes[:1], out, downwind)[:, 0]
    bend = np.zeros(len(pocket))
    bent = np.flatnonzero((water < 1.0) & (np.abs(off_front) >= 180.0 - params.off_bank_deg))
    if len(bent):
        share = kept * _water(cover, pocket[bent], lanes, out[bent], downwind[bent])
        best = np.round(share, 9).argmax(axis=1)  # the least of equals
        water[bent] = share[np.arange(len(bent)), best]
        followed = water[bent] >= params.least_water
        bend[bent] = np.where(followed, out[bent] * bends[best], 0.0)
    return Approach(bend, water)


def score_descent(
    obstacles: Raster,
    pocket: FloatArray,
    downwind_grid_deg: float,
    *,
    params: ApproachParams = ApproachParams(),
) -> FloatArray:
    """Return 1 where birds straight from downwind clear what stands there, 0 where it is sheer.

    Parameters
    ----------
    obstacles
        The `obstacles` layer of `exposure.surface`.
    pocket
        (blinds, 2) middle of each pocket, in its CRS.
    downwind_grid_deg
        Bearing on the grid straight downwind.
    params
        How high birds come over.

    Returns
    -------
    ndarray
        (blinds,), 0 to 1.
    """
    out = strip_offsets(params.length_m, params.lane_m, 2.0)
    out = out[out[:, 1] >= params.lane_m]
    packed = sample_around(
        obstacles, pocket, rotate_offsets(out, np.full(len(pocket), downwind_grid_deg))
    )
    own = sample_around(obstacles, pocket, np.zeros((1, 2)))
    rise_m = top_m(packed) - top_m(own)
    angle = np.rad2deg(np.arctan2(rise_m, np.hypot(*out.T))).max(axis=1, initial=0.0)
    return np.asarray(1.0 - smoothstep(angle, params.free_deg, params.sheer_deg), float)


def approach_lines(
    pocket: FloatArray,
    downwind_grid_deg: ArrayLike,
    bend_deg: FloatArray,
    *,
    length_m: float,
    params: ApproachParams = ApproachParams(),
) -> FloatArray:
    """Return the middle of each approach from the pocket outward.

    Parameters
    ----------
    pocket
        (blinds, 2) middle of each pocket, in a metric CRS.
    downwind_grid_deg
        Bearing on the grid straight downwind, for all or (blinds,).
    bend_deg
        (blinds,) from `find_approach`.
    length_m
        How far out it is traced.
    params
        Where along it birds turn.

    Returns
    -------
    ndarray
        (blinds, n, 2), a point a metre.

    Examples
    --------
    >>> (line,) = approach_lines(np.zeros((1, 2)), 90.0, np.zeros(1), length_m=3.0)
    >>> line.round(6).tolist()
    [[0.0, 0.0], [1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]
    """
    downwind = np.broadcast_to(np.asarray(downwind_grid_deg, float), (len(pocket),))
    local = np.stack([_traced(float(b), length_m, params) for b in bend_deg])
    return np.asarray(pocket[:, None] + rotate_offsets(local, downwind), float)


def approach_offset(
    downwind_m: FloatArray, bend_deg: float, *, params: ApproachParams = ApproachParams()
) -> FloatArray:
    """Return how far to the right an approach has gone at distances straight downwind.

    Parameters
    ----------
    downwind_m
        Distances from the pocket.
    bend_deg
        How far the approach turns, clockwise positive.
    params
        Where along it birds turn.

    Returns
    -------
    ndarray
        Metres, of the shape of `downwind_m`.
    """
    x, y = _traced(bend_deg, 4 * params.length_m, params).T
    return np.asarray(np.interp(downwind_m, y, x), float)


def _traced(bend_deg: float, length_m: float, params: ApproachParams) -> FloatArray:
    """Return an approach every metre, straight downwind along +y."""
    along = np.arange(0.0, length_m + _TRACE_M / 2, _TRACE_M)
    heading = np.deg2rad(_heading(along[:-1] + _TRACE_M / 2, bend_deg, params))
    steps = _TRACE_M * np.column_stack([np.sin(heading), np.cos(heading)])
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])


def _heading(along_m: ArrayLike, bend_deg: float, params: ApproachParams) -> FloatArray:
    return bend_deg * np.asarray(smoothstep(along_m, params.straight_m, params.turned_m), float)


@cache
def _bends_tried(params: ApproachParams) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return bends from the least up, the lane of each, and the share of its water that each keeps.

    Outward is to the right; lanes are (bends, spots, 2).
    """
    bends = np.arange(0.0, params.most_deg, params.step_deg)
    across = np.linspace(-params.half_width_m, params.half_width_m, 6)
    along = np.arange(2, int(params.length_m) + 1, 4)
    lanes = []
    for bend in bends:
        middle = _traced(float(bend), params.length_m, params)[along]
        heading = np.deg2rad(_heading(along * _TRACE_M, float(bend), params))
        right = np.column_stack([np.cos(heading), -np.sin(heading)])
        lanes.append((middle[:, None] + across[None, :, None] * right[:, None]).reshape(-1, 2))
    easy = 1.0 - params.cost_per_deg * bends
    kept = easy * (1.0 - smoothstep(bends, params.easy_deg, params.most_deg))
    return bends, np.stack(lanes), np.asarray(kept, float)


def _water(
    cover: Raster, pocket: FloatArray, lanes: FloatArray, out: FloatArray, downwind: FloatArray
) -> FloatArray:
    """Return the share of each lane on water, (blinds, lanes)."""
    spots = lanes.reshape(1, -1, 2) * np.stack([out, np.ones_like(out)], axis=1)[:, None]
    wet = cover_classes(cover, pocket, rotate_offsets(spots, downwind)) == Cover.WATER
    return np.asarray(wet.reshape(len(pocket), len(lanes), -1).mean(axis=2), float)


TOUCHDOWN_LEVELS = (0.25, 0.5, 0.75)
"""Shares of the likeliest spot's probability at which touchdown is outlined."""

_LEAST_ODDS = 0.05  # judgement: where no spot is likelier than this nothing is claimed
_LEAST_M2 = 4.0  # smaller outlines are left out
_LEAST_CORNERS = 8  # outlines of no more are a pixel or two
_SIMPLIFY_PX = 0.3  # outlines are simplified by no more than this


@dataclass(frozen=True)
class LandingParams:
    """How birds descend and scatter; judgement, within what is common practice (no source).

    Parameters
    ----------
    glide_deg, steep_deg
        Angle of obstacles downwind up to which birds glide in freely, and beyond which they do
        not come down at all (10 to 20° gliding, to about 50° over bank trees).
    drop_deg, sheer_deg
        The same in a timber opening, where they drop through the hole in the crowns (60 to 80°).
    along_m, across_m
        How far touchdowns scatter about the pocket along and across the wind.
    downwind_tail, upwind_tail
        Scatter before the pocket, on the approach, and beyond it, as shares of `along_m`.
    reach_m
        Half the side of the square looked at.
    come_from_m
        Along a bent approach obstacles are met in the direction in which it lies this far out.
    """

    glide_deg: float = 15.0
    steep_deg: float = 50.0
    drop_deg: float = 60.0
    sheer_deg: float = 80.0
    along_m: float = yd(12.0)
    across_m: float = yd(8.0)
    downwind_tail: float = 1.5
    upwind_tail: float = 0.7
    reach_m: float = 200.0
    come_from_m: float = 40.0


def find_touchdown(
    *,
    cover: Raster,
    canopy_height: Raster,
    pocket: BaseGeometry,
    wind: Wind,
    taken: BaseGeometry | None = None,
    timber: bool = False,
    bend_deg: float = 0.0,
    params: LandingParams = LandingParams(),
) -> gpd.GeoDataFrame:
    """Return where birds would touch down, as nested polygons of relative probability.

    Parameters
    ----------
    cover, canopy_height
        The layers of these names, on one grid.
    pocket
        Water meant for landing, in the rasters' CRS.
    wind
        Birds land into it.
    taken
        Water that decoys stand on.
    timber
        Whether the pocket is in a timber opening.
    bend_deg
        How far the approach turns from straight downwind, clockwise positive.
    params
        How birds descend and scatter.

    Returns
    -------
    GeoDataFrame
        The `touchdown` layer: `probability` is a share of the likeliest spot's. Empty in calm air
        or without a pocket.
    """
    crs = cover.grid.crs
    if wind.calm or pocket.is_empty:
        return _frame([], [], crs)
    at = (pocket.centroid.x, pocket.centroid.y)
    near = crop_around(cover, at, params.reach_m)
    heights, grid = crop_around(canopy_height, at, params.reach_m).values, near.grid
    water = near.band("class") == Cover.WATER
    from_grid = float(cover.grid.to_grid_bearing(wind.from_deg))
    (off_m,) = approach_offset(np.array([params.come_from_m]), bend_deg)
    come_from = from_grid + 180.0 + float(np.degrees(np.arctan2(off_m, params.come_from_m)))
    surface = encode_surface(water, heights)
    lee = sweep(surface, from_grid_deg=come_from, pixel_m=grid.pixel_m)
    angle = np.degrees(np.arctan(lee.horizon[0]))
    free, most = (
        (params.drop_deg, params.sheer_deg) if timber else (params.glide_deg, params.steep_deg)
    )
    odds = 1.0 - smoothstep(angle, free, most)
    odds = odds * _scatter(grid, pocket, from_grid, bend_deg, params) * water
    if taken is not None and not taken.is_empty:
        x, y = grid.xy(*np.indices(grid.shape))
        shapely.prepare(taken)
        odds[shapely.contains_xy(taken, x, y)] = 0.0
    odds = ndimage.gaussian_filter(odds, 1.0 / grid.pixel_m) * water
    if odds.max() < _LEAST_ODDS:
        return _frame([], [], crs)
    return _contoured(odds / odds.max(), grid)


def _scatter(
    grid: Grid, pocket: BaseGeometry, from_grid: float, bend_deg: float, params: LandingParams
) -> AnyArray:
    """Return how touchdowns scatter about the pocket, with a longer tail along the approach."""
    x, y = grid.xy(*np.indices(grid.shape))
    east, north = unit_from_bearing(from_grid)
    dx, dy = x - pocket.centroid.x, y - pocket.centroid.y
    upwind = dx * east + dy * north
    across = (
        dy * east - dx * north - approach_offset(-upwind, bend_deg)
    )  # to the right, looking downwind
    along = params.along_m * np.where(upwind < 0, params.downwind_tail, params.upwind_tail)
    return np.asarray(np.exp(-0.5 * ((upwind / along) ** 2 + (across / params.across_m) ** 2)))


def _contoured(odds: AnyArray, grid: Grid) -> gpd.GeoDataFrame:
    from skimage.measure import find_contours  # noqa: PLC0415 (slow; only a plan draws it)

    padded = np.pad(odds, 1)
    shapes, levels = [], []
    for level in TOUCHDOWN_LEVELS:
        rings = [
            np.column_stack(grid.xy(ring[:, 0] - 1, ring[:, 1] - 1))
            for ring in find_contours(padded, level)  # type: ignore[no-untyped-call]
            if len(ring) > _LEAST_CORNERS
        ]
        area = shapely.make_valid(shapely.MultiPolygon())
        for ring in sorted(rings, key=lambda r: -shapely.Polygon(r).area):
            area = area.symmetric_difference(shapely.Polygon(ring).buffer(0))
        area = area.simplify(_SIMPLIFY_PX * grid.pixel_m).buffer(0)
        if area.area > _LEAST_M2:
            shapes.append(area)
            levels.append(level)
    return _frame(shapes, levels, grid.crs)


def _frame(shapes: list[Any], levels: list[float], crs: Any) -> gpd.GeoDataFrame:
    names = [f"touchdown{n}" for n in range(1, len(shapes) + 1)]
    return gpd.GeoDataFrame({"id": names, "probability": levels}, geometry=shapes, crs=crs)
