"""One wind over a place: the `exposure` layer, and the `halo` its fetch goes on over.

The photo ends somewhere; where it ends on water, mapped water round it tells how far the wind has
come. The arithmetic of arrays is in `local_wind`; here are layers on their grids.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from affine import Affine
from rasterio import features

from sitegeo.angles import unit_from_bearing
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.steps import step
from sitegeo.core.typing import AnyArray, BoolArray
from sitegeo.core.wind import Wind
from sitegeo.exposure._kernels import lengthen_fetch
from sitegeo.exposure._lines import UNKNOWN_PIXEL
from sitegeo.exposure.local_wind import wind_over_surface
from sitegeo.exposure.surface import classes_for
from sitegeo.exposure.sweep import encode_surface, sweep
from sitegeo.places.config import Assume


@dataclass(frozen=True)
class HaloParams:
    """How far beyond the photo the map is swept, and how finely; judgement.

    Parameters
    ----------
    reach_m
        How far round the photo mapped water is laid out: as far as a place reads its vectors.
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

    Returns the `halo` raster, a surface to be swept like the obstacles, without heights.

    Parameters
    ----------
    cover
        The `cover` layer; only its grid counts.
    mapped_water
        Polygons of water in the grid's CRS.
    params
        How far and how finely.

    Returns
    -------
    Raster
        int16 as `sweep.encode_surface` packs it, all unknown without mapped water.
    """
    west, south, east, north = cover.grid.bounds
    west, north = west - params.reach_m, north + params.reach_m
    rows = int(np.ceil((north - south + params.reach_m) / params.pixel_m))
    columns = int(np.ceil((east + params.reach_m - west) / params.pixel_m))
    grid = Grid(cover.grid.crs, west, north, params.pixel_m, (rows, columns))
    if mapped_water is None or mapped_water.empty:
        return Raster(np.full(grid.shape, UNKNOWN_PIXEL, np.int16), grid)
    water = np.zeros(grid.shape, np.uint8)
    transform = Affine(params.pixel_m, 0, west, 0, -params.pixel_m, north)
    features.rasterize(((g, 1) for g in mapped_water.geometry), out=water, transform=transform)
    return Raster(encode_surface(water > 0), grid)


def extend_fetch(
    fetch_m: AnyArray,
    at_least: BoolArray,
    grid: Grid,
    beyond: Raster,
    *,
    from_grid_deg: float,
) -> tuple[AnyArray, BoolArray]:
    """Return a swept fetch and its flags, extended over a larger area where it ran off the data.

    Parameters
    ----------
    fetch_m, at_least
        (rows, columns) of a sweep on `grid`: whole metres, and where they are a lower bound.
    grid
        Where they lie.
    beyond
        A surface to sweep, coarser and larger than `grid`, in the same CRS: the `halo` layer, or
        obstacles of a whole region round one of its tiles.
    from_grid_deg
        Where the wind comes from, degrees clockwise from grid north.

    Returns
    -------
    fetch_m, at_least
        Copies: the fetch, to about one pixel of `beyond`; and where it still is a lower bound,
        because that area ends on water too, or has no water where the photo ends on some, so
        that one of the two is wrong.
    """
    longer, flags = fetch_m.copy(), at_least.copy()
    if not flags.any():
        return longer, flags
    wider = beyond.grid
    swept = sweep(beyond.values, from_grid_deg=from_grid_deg, pixel_m=wider.pixel_m, bands=0)
    east, north = unit_from_bearing(from_grid_deg)
    lengthen_fetch(
        longer,
        flags,
        (grid.west, grid.north, grid.pixel_m),
        swept.fetch_m,
        swept.at_least,
        (wider.west, wider.north, wider.pixel_m),
        (float(east), float(north)),
    )
    return longer, flags


@step("exposure")
def exposure(
    *, obstacles: Raster, wind: Wind, assume: Assume, halo: Raster | None = None
) -> Raster:
    """Fetch and local wind at every pixel of water, for one wind.

    Returns the `exposure` raster, float32: `fetch_m` along the mean wind, NaN off the water;
    `at_least` 1 where the data ended upwind, photo and mapped water both; `local_ratio` local
    over open wind speed, averaged over the wind's spread.

    Parameters
    ----------
    obstacles
        The `obstacles` layer.
    wind
        The wind; true bearings.
    assume
        What the place assumes; of it only `leaf_off`.
    halo
        The `halo` layer, over which a fetch that leaves the photo goes on.

    Returns
    -------
    Raster
        Bands ``fetch_m``, ``at_least``, ``local_ratio`` on the grid of `obstacles`.
    """
    grid = obstacles.grid
    bearing = float(grid.to_grid_bearing(wind.from_deg))
    field = wind_over_surface(
        obstacles.values,
        classes_for(obstacles, leaf_off=assume.leaf_off),
        from_grid_deg=bearing,
        speed_mps=wind.speed_mps,
        pixel_m=grid.pixel_m,
        spread_deg=wind.spread_deg,
    )
    if halo is not None:
        field.planes[:2] = extend_fetch(
            field.fetch_m, field.at_least, grid, halo, from_grid_deg=bearing
        )
    return Raster(field.planes, grid, None, ("fetch_m", "at_least", "local_ratio"))
