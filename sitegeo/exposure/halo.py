"""Water beyond the photo, swept coarser, so that a fetch goes on past the photo's edge.

A fetch along a ray is a sum: what the ray met beyond the data is added where it ended, rather
than carried in by the lines of the sweep. The answer is the same within a coarse pixel, holes in
the photo are bridged too, and a sweep without a halo costs nothing more.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
from affine import Affine
from rasterio import features

from sitegeo.angles import unit_from_bearing
from sitegeo.exposure._beyond import go_on
from sitegeo.exposure._lines import UNKNOWN
from sitegeo.exposure.sweep import encode_surface, sweep
from sitegeo.grid import Grid, Raster
from sitegeo.steps import step


@dataclass(frozen=True)
class HaloParams:
    """How far beyond the photo and how finely.

    Parameters
    ----------
    reach_m
        As far as a place reads its vectors.
    pixel_m
        Size of a pixel of the halo; water narrower than this may end a fetch early.
    """

    reach_m: float = 2000.0
    pixel_m: float = 10.0


@step("halo")
def halo(
    *,
    cover: Raster,
    mapped_water: gpd.GeoDataFrame | None = None,
    params: HaloParams = HaloParams(),
) -> Raster:
    """Mapped water of the photo and 2 km round it, on a coarse grid of its own.

    Returns the `halo` raster, a surface to be swept like the obstacles, without heights; all
    unknown without mapped water.
    """
    west, south, east, north = cover.grid.bounds
    west, north = west - params.reach_m, north + params.reach_m
    rows = int(np.ceil((north - south + params.reach_m) / params.pixel_m))
    columns = int(np.ceil((east + params.reach_m - west) / params.pixel_m))
    grid = Grid(cover.grid.crs, west, north, params.pixel_m, (rows, columns))
    if mapped_water is None or mapped_water.empty:
        return Raster(np.full(grid.shape, UNKNOWN, np.int16), grid)
    water = np.zeros(grid.shape, np.uint8)
    transform = Affine(params.pixel_m, 0, west, 0, -params.pixel_m, north)
    features.rasterize(((g, 1) for g in mapped_water.geometry), out=water, transform=transform)
    return Raster(encode_surface(water > 0), grid)


def continued(
    fetch_m: npt.NDArray[Any],
    at_least: npt.NDArray[np.bool_],
    grid: Grid,
    beyond: Raster,
    *,
    from_grid_deg: float,
) -> tuple[npt.NDArray[Any], npt.NDArray[np.bool_]]:
    """Return a swept fetch and its flags, gone on over a larger area where it ran off the data.

    Parameters
    ----------
    fetch_m, at_least
        (rows, columns) of a sweep on `grid`: whole metres, and where they are a lower bound.
    beyond
        A surface to sweep, coarser and larger than `grid`, in the same CRS: the `halo` layer, or
        obstacles of a whole region round one of its tiles.

    Returns
    -------
    tuple
        The fetch, to about one pixel of `beyond`; and where it still is a lower bound, because
        that area ends on water too, or has no water where the photo ends on some, so that one
        of the two is wrong.
    """
    longer, flags = fetch_m.copy(), at_least.copy()
    if not flags.any():
        return longer, flags
    wider = beyond.grid
    swept = sweep(beyond.values, from_grid_deg=from_grid_deg, pixel_m=wider.pixel_m, bands=0)
    east, north = unit_from_bearing(from_grid_deg)
    go_on(
        longer,
        flags,
        (grid.west, grid.north, grid.pixel_m),
        swept.fetch_m,
        swept.at_least,
        (wider.west, wider.north, wider.pixel_m),
        (float(east), float(north)),
    )
    return longer, flags
