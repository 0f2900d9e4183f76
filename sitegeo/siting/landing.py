"""Where birds would come down for a blind: open water, in range, with room to descend.

Birds land into the wind (common practice, no source), so they come down against obstacles that
lie downwind of the water, or round them where a bank bends the way in (`siting.approach`). In calm
air no direction is claimed, and of a light breeze it is said that it may not count (Hart et al.
2013: birds then land along the magnetic meridian). How mallards brake is published (Whitehead et
al. 2023: tau-dot 0.90), but neither the speed nor the angle they come in at: lengths and angles
here are judgement, and no stopping length is claimed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage
from shapely.geometry.base import BaseGeometry
from skimage.measure import find_contours

from sitegeo.angles import smoothstep, unit_from_bearing
from sitegeo.exposure.sweep import encode_surface, sweep
from sitegeo.grid import Grid, Raster
from sitegeo.layers import Cover
from sitegeo.siting.approach import aside
from sitegeo.units import yd
from sitegeo.wind import Wind

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
) -> tuple[NDArray[Any], NDArray[Any], Grid]:
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
) -> NDArray[Any]:
    """Return how touchdowns scatter about the pocket, with a longer tail along the way in."""
    x, y = grid.xy(*np.indices(grid.shape))
    east, north = unit_from_bearing(from_grid)
    dx, dy = x - pocket.centroid.x, y - pocket.centroid.y
    upwind = dx * east + dy * north
    across = dy * east - dx * north - aside(-upwind, bend_deg)  # to the right, looking downwind
    along = np.where(upwind < 0, 1.5 * params.along_m, 0.7 * params.along_m)
    return np.asarray(np.exp(-0.5 * ((upwind / along) ** 2 + (across / params.across_m) ** 2)))


def _contoured(odds: NDArray[Any], grid: Grid) -> gpd.GeoDataFrame:
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
