"""Mapped water beyond the photo, swept coarser, so that a fetch goes on past its edge."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
from affine import Affine
from rasterio import features

from sitegeo.angles import unit_from_bearing
from sitegeo.exposure.sweep import encode_surface, sweep
from sitegeo.grid import Grid, Raster
from sitegeo.steps import step

Floats = npt.NDArray[np.float64]


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

    Returns the `halo` raster: 1 water, 0 land; no data at all without mapped water.
    """
    west, south, east, north = cover.grid.bounds
    west, north = west - params.reach_m, north + params.reach_m
    rows = int(np.ceil((north - south + params.reach_m) / params.pixel_m))
    columns = int(np.ceil((east + params.reach_m - west) / params.pixel_m))
    grid = Grid(cover.grid.crs, west, north, params.pixel_m, (rows, columns))
    values = np.zeros(grid.shape, np.uint8)
    if mapped_water is None or mapped_water.empty:
        return Raster(values, grid, np.zeros(grid.shape, bool))
    transform = Affine(params.pixel_m, 0, west, 0, -params.pixel_m, north)
    features.rasterize(((g, 1) for g in mapped_water.geometry), out=values, transform=transform)
    return Raster(values, grid)


def fetch_beyond(
    halo: Raster, x: Floats, y: Floats, *, from_grid_deg: float
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return the fetch that goes on upwind of points at the edge of the photo.

    Parameters
    ----------
    x, y
        Where the rays leave the photo.

    Returns
    -------
    further_m, at_least
        Metres of mapped water upwind of each point, to about one pixel of the halo; and where
        that is a lower bound: the halo ends on water, or the map has no water where the photo
        ends on some, so that one of the two is wrong.
    """
    further, bound = np.zeros(x.size), np.ones(x.size, bool)
    grid = halo.grid
    if not x.size or not halo.mask.any():
        return further, bound
    swept = sweep(
        encode_surface(halo.values > 0),
        from_grid_deg=from_grid_deg,
        pixel_m=grid.pixel_m,
        bands=0,
    )
    east, north = unit_from_bearing(from_grid_deg)
    row, column = grid.rowcol(x + 0.5 * grid.pixel_m * east, y + 0.5 * grid.pixel_m * north)
    inside = grid.contains(row, column)
    inside[inside] = halo.values[row[inside], column[inside]] > 0
    row, column = row[inside], column[inside]
    centre_x, centre_y = grid.xy(row, column)
    step_in = (centre_x - x[inside]) * east + (centre_y - y[inside]) * north
    further[inside] = np.maximum(swept.fetch_m[row, column] + step_in, 0)
    bound[inside] = swept.at_least[row, column]
    return further, bound


def continued(
    fetch_m: npt.NDArray[np.float32],
    at_least: npt.NDArray[np.bool_],
    grid: Grid,
    halo: Raster,
    *,
    from_grid_deg: float,
) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.bool_]]:
    """Return a swept fetch and its flags, continued over the halo where it ran off the data."""
    row, column = np.nonzero(at_least)
    x, y = grid.xy(row, column)
    east, north = unit_from_bearing(from_grid_deg)
    so_far = fetch_m[row, column].astype(float)
    further, bound = fetch_beyond(
        halo, x + so_far * east, y + so_far * north, from_grid_deg=from_grid_deg
    )
    longer, flags = fetch_m.copy(), at_least.copy()
    longer[row, column] = so_far + further
    flags[row, column] = bound
    return longer, flags
