"""The way birds come in to a pocket: from downwind, bent where a bank bends it.

Birds land into the wind, so they arrive from downwind. Where the wind is a little onto a bank that
straight line leads over the trees: there they come along the bank, over water, and turn into the
wind at the last (common practice, no source). So a way in leaves the pocket straight downwind and
turns out over the water by one angle farther off; of the angles tried birds take the one with the
most open water, each counted less the more it turns. All numbers are judgement.
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
from sitegeo.siting.sampling import classes, sample, strip, turned
from sitegeo.units import yd

_TRACE_M = 1.0
_LANE_M = 4.0


@dataclass(frozen=True)
class ApproachParams:
    """How far a way in is looked along, and how far it bends.

    Parameters
    ----------
    length_m, half_width_m
        Open water wanted on the way, from the pocket out and to either side.
    straight_m, turned_m
        From the pocket out birds fly into the wind up to the first; beyond the second they have
        yet to turn.
    easy_deg, most_deg
        Up to the first a bend costs next to nothing; none reaches the second.
    step_deg
        Bends are tried this far apart.
    least_water
        With less open water than this along the best bend birds are not said to follow it.
    free_deg, sheer_deg
        Up to the first angle of what stands straight downwind birds come over it freely; beyond
        the second they do not come down in front of it (to about 50° over bank trees).
    off_bank_deg
        A wind farther from the front than this blows off the bank, and bends no way in.
    """

    length_m: float = 80.0
    half_width_m: float = 10.0
    straight_m: float = 5.0
    turned_m: float = 35.0
    easy_deg: float = 35.0
    most_deg: float = 65.0
    step_deg: float = 5.0
    least_water: float = 0.5
    free_deg: float = 35.0
    sheer_deg: float = 55.0
    off_bank_deg: float = 120.0


@dataclass(frozen=True)
class Approach:
    """The way in of each blind, (blinds,) each.

    Parameters
    ----------
    bend_deg
        How far it turns from straight downwind as one looks out along it, clockwise positive.
    water
        0 to 1: the share of it that is open water, less what the bend costs.
    """

    bend_deg: FloatArray
    water: FloatArray


def approach(
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
    pocket
        (blinds, 2) middle of each pocket, in the raster's CRS.
    downwind_grid_deg
        Bearing on the grid from the pocket straight downwind.
    facing_grid_deg
        (blinds,) bearing the hide looks out on: the bends tried turn toward it.
    """
    downwind = np.broadcast_to(np.asarray(downwind_grid_deg, float), (len(pocket),))
    off_front = signed_diff_deg(facing_grid_deg, downwind)
    out = np.where(off_front < 0, -1.0, 1.0)
    bends, lanes, worth = _tried(params)
    water = _water(cover, pocket, lanes[:1], out, downwind)[:, 0]
    bend = np.zeros(len(pocket))
    bent = np.flatnonzero((water < 1.0) & (np.abs(off_front) >= 180.0 - params.off_bank_deg))
    if len(bent):
        share = worth * _water(cover, pocket[bent], lanes, out[bent], downwind[bent])
        best = np.round(share, 9).argmax(axis=1)  # the least of equals
        water[bent] = share[np.arange(len(bent)), best]
        followed = water[bent] >= params.least_water
        bend[bent] = np.where(followed, out[bent] * bends[best], 0.0)
    return Approach(bend, water)


def over_what_stands(
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
        As `exposure.obstacles` makes it.
    """
    out = strip(params.length_m, _LANE_M, 2.0)
    out = out[out[:, 1] >= _LANE_M]
    packed = sample(obstacles, pocket, turned(out, np.full(len(pocket), downwind_grid_deg)))
    own = sample(obstacles, pocket, np.zeros((1, 2)))
    rise_m = top_m(packed) - top_m(own)
    angle = np.rad2deg(np.arctan2(rise_m, np.hypot(*out.T))).max(axis=1, initial=0.0)
    return np.asarray(1.0 - smoothstep(angle, params.free_deg, params.sheer_deg), float)


def lines(
    pocket: FloatArray,
    downwind_grid_deg: ArrayLike,
    bend_deg: FloatArray,
    *,
    length_m: float,
    params: ApproachParams = ApproachParams(),
) -> FloatArray:
    """Return the middle of each way in from the pocket outward, (blinds, n, 2), in its CRS."""
    downwind = np.broadcast_to(np.asarray(downwind_grid_deg, float), (len(pocket),))
    local = np.stack([_traced(float(b), length_m, params) for b in bend_deg])
    return np.asarray(pocket[:, None] + turned(local, downwind), float)


def aside(
    downwind_m: FloatArray, bend_deg: float, *, params: ApproachParams = ApproachParams()
) -> FloatArray:
    """Return how far to the right the way in has gone at a distance straight downwind."""
    x, y = _traced(bend_deg, 4 * params.length_m, params).T
    return np.asarray(np.interp(downwind_m, y, x), float)


def _traced(bend_deg: float, length_m: float, params: ApproachParams) -> FloatArray:
    """Return a way in every metre, straight downwind along +y."""
    along = np.arange(0.0, length_m + _TRACE_M / 2, _TRACE_M)
    heading = np.deg2rad(_heading(along[:-1] + _TRACE_M / 2, bend_deg, params))
    steps = _TRACE_M * np.column_stack([np.sin(heading), np.cos(heading)])
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])


def _heading(along_m: ArrayLike, bend_deg: float, params: ApproachParams) -> FloatArray:
    return bend_deg * np.asarray(smoothstep(along_m, params.straight_m, params.turned_m), float)


@cache
def _tried(params: ApproachParams) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return bends from the least up, the lane of each, and what each leaves of its worth.

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
    worth = (1.0 - 0.0015 * bends) * (1.0 - smoothstep(bends, params.easy_deg, params.most_deg))
    return bends, np.stack(lanes), np.asarray(worth, float)


def _water(
    cover: Raster, pocket: FloatArray, lanes: FloatArray, out: FloatArray, downwind: FloatArray
) -> FloatArray:
    """Return the share of each lane on water, (blinds, lanes)."""
    spots = lanes.reshape(1, -1, 2) * np.stack([out, np.ones_like(out)], axis=1)[:, None]
    wet = classes(cover, pocket, turned(spots, downwind)) == Cover.WATER
    return np.asarray(wet.reshape(len(pocket), len(lanes), -1).mean(axis=2), float)


LEVELS = (0.25, 0.5, 0.75)


@dataclass(frozen=True)
class LandingParams:
    """Descent and scatter; judgement, within what is common practice.

    Parameters
    ----------
    glide_deg, steep_deg
        Angle of obstacles downwind up to which birds glide in freely, and beyond which they do
        not come down at all (10 to 20° gliding, to about 50° over bank trees).
    drop_deg, sheer_deg
        The same in a timber opening, where they drop through the hole in the crowns (60 to 80°).
    along_m, across_m
        How far touchdowns scatter about the pocket along and across the wind.
    reach_m
        Half the side of the square looked at.
    seen_m
        Along a bent way in obstacles are met in the direction in which it lies this far out.
    """

    glide_deg: float = 15.0
    steep_deg: float = 50.0
    drop_deg: float = 60.0
    sheer_deg: float = 80.0
    along_m: float = yd(12.0)
    across_m: float = yd(8.0)
    reach_m: float = 200.0
    seen_m: float = 40.0


def touchdown(
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
    pocket
        Water meant for landing, in the rasters' CRS.
    taken
        Water that decoys stand on.
    timber
        Whether the pocket is in a timber opening.
    bend_deg
        How far the way in turns from straight downwind, clockwise positive.

    Returns
    -------
    The `touchdown` layer: 1 is the likeliest spot. Empty in calm air or without a pocket.
    """
    crs = cover.grid.crs
    if wind.calm or pocket.is_empty:
        return _frame([], [], crs)
    near, heights, grid = _window(cover, canopy_height, pocket, params.reach_m)
    water = near == Cover.WATER
    from_grid = float(cover.grid.to_grid_bearing(wind.from_deg))
    (off_m,) = aside(np.array([params.seen_m]), bend_deg)
    come_from = from_grid + 180.0 + float(np.degrees(np.arctan2(off_m, params.seen_m)))
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
    if odds.max() < 0.05:
        return _frame([], [], crs)
    return _contoured(odds / odds.max(), grid)


def _window(
    cover: Raster, canopy_height: Raster, pocket: BaseGeometry, reach_m: float
) -> tuple[AnyArray, AnyArray, Grid]:
    grid = cover.grid
    x, y = pocket.centroid.x, pocket.centroid.y
    row, col = (int(v[0]) for v in (np.atleast_1d(i) for i in grid.rowcol(x, y)))
    n = int(np.ceil(reach_m / grid.pixel_m))
    top, left = max(0, row - n), max(0, col - n)
    rows = slice(top, min(grid.shape[0], row + n + 1))
    cols = slice(left, min(grid.shape[1], col + n + 1))
    shape = (rows.stop - rows.start, cols.stop - cols.start)
    west, north = grid.west + left * grid.pixel_m, grid.north - top * grid.pixel_m
    part = Grid(grid.crs, west, north, grid.pixel_m, shape)
    return cover.band("class")[rows, cols], canopy_height.values[rows, cols], part


def _scatter(
    grid: Grid, pocket: BaseGeometry, from_grid: float, bend_deg: float, params: LandingParams
) -> AnyArray:
    """Return how touchdowns scatter about the pocket, with a longer tail along the way in."""
    x, y = grid.xy(*np.indices(grid.shape))
    east, north = unit_from_bearing(from_grid)
    dx, dy = x - pocket.centroid.x, y - pocket.centroid.y
    upwind = dx * east + dy * north
    across = dy * east - dx * north - aside(-upwind, bend_deg)  # to the right, looking downwind
    along = np.where(upwind < 0, 1.5 * params.along_m, 0.7 * params.along_m)
    return np.asarray(np.exp(-0.5 * ((upwind / along) ** 2 + (across / params.across_m) ** 2)))


def _contoured(odds: AnyArray, grid: Grid) -> gpd.GeoDataFrame:
    from skimage.measure import find_contours  # noqa: PLC0415 (slow; only a plan draws it)

    padded = np.pad(odds, 1)
    shapes, levels = [], []
    for level in LEVELS:
        rings = [
            np.column_stack(grid.xy(ring[:, 0] - 1, ring[:, 1] - 1))
            for ring in find_contours(padded, level)  # type: ignore[no-untyped-call]
            if len(ring) > 8
        ]
        area = shapely.make_valid(shapely.MultiPolygon())
        for ring in sorted(rings, key=lambda r: -shapely.Polygon(r).area):
            area = area.symmetric_difference(shapely.Polygon(ring).buffer(0))
        area = area.simplify(0.3 * grid.pixel_m).buffer(0)
        if area.area > 4:
            shapes.append(area)
            levels.append(level)
    return _frame(shapes, levels, grid.crs)


def _frame(shapes: list[Any], levels: list[float], crs: Any) -> gpd.GeoDataFrame:
    names = [f"touchdown{n}" for n in range(1, len(shapes) + 1)]
    return gpd.GeoDataFrame({"id": names, "probability": levels}, geometry=shapes, crs=crs)
