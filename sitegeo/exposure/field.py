"""The wind over the water for one forecast wind: fetch, shelter and local speed together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
from affine import Affine
from rasterio import features

from sitegeo.angles import unit_from_bearing
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.steps import step
from sitegeo.core.typing import AnyArray, BoolArray, ByteArray, Float32Array
from sitegeo.core.wind import Wind
from sitegeo.exposure import _kernels
from sitegeo.exposure._kernels import go_on
from sitegeo.exposure._lines import UNKNOWN
from sitegeo.exposure.shelter import (
    DEFAULT_CLASS,
    DENSITY_CLASSES,
    SPREAD_DEG,
    ratio_table,
    spread_weights,
    windward_ratio,
)
from sitegeo.exposure.surface import classes_for
from sitegeo.exposure.sweep import HORIZON_STEPS, NO_FETCH, empty_sweep, encode_surface, sweep
from sitegeo.places.config import Assume


@dataclass(frozen=True, slots=True)
class WindField:
    """One wind over every pixel of water.

    Attributes
    ----------
    planes
        (3, rows, columns) float32, the first three of the properties.
    speed_mps
        Its open speed.
    """

    planes: Float32Array
    speed_mps: float

    @property
    def fetch_m(self) -> Float32Array:
        """Straight-line fetch for the mean direction; NaN off the water."""
        return np.asarray(self.planes[0])

    @property
    def at_least(self) -> BoolArray:
        """Where the data ran out upwind before land was met.

        The fetch is a lower bound there, and shelter from beyond the data is not counted.
        """
        return np.asarray(self.planes[1] > 0)

    @property
    def local_ratio(self) -> Float32Array:
        """Local over open wind speed, in (0, 1]; NaN off the water.

        Averaged over the wind's spread of direction.
        """
        return np.asarray(self.planes[2])

    @property
    def local_speed_mps(self) -> Float32Array:
        """Local wind speed; NaN off the water."""
        return np.asarray(self.local_ratio * np.float32(self.speed_mps))


def wind_over_water(
    water: BoolArray,
    height_m: npt.ArrayLike = 0.0,
    density_class: ByteArray | None = None,
    *,
    from_grid_deg: float,
    speed_mps: float,
    pixel_m: float,
    spread_deg: float = SPREAD_DEG,
    windward: bool = True,
    level_m: npt.ArrayLike = 0.0,
    known: BoolArray | None = None,
    threads: int | None = None,
) -> WindField:
    """Sweep one wind and its spread of directions over a north-up raster.

    Parameters
    ----------
    water, height_m, level_m, known
        As for `sweep.encode_surface`.
    density_class
        Index into `shelter.DENSITY_CLASSES` of what stands on each pixel; all ``open`` if
        None.
    from_grid_deg, speed_mps
        Where the wind comes from, degrees clockwise from grid north, and its open speed.
    pixel_m
        Pixel size.
    spread_deg
        Standard deviation of the wind's direction; 0 for a perfectly steady wind.
    windward
        Count the slowing in front of banks and trees the wind blows onto (mean direction).
    threads
        As for `sweep.sweep`.
    """
    classes, density = _classes(water, density_class)
    surface = encode_surface(water, height_m, density=density, level_m=level_m, known=known)
    return wind_over_surface(
        surface,
        classes,
        from_grid_deg=from_grid_deg,
        speed_mps=speed_mps,
        pixel_m=pixel_m,
        spread_deg=spread_deg,
        windward=windward,
        threads=threads,
    )


def wind_over_surface(
    surface: npt.NDArray[np.int16],
    classes: Sequence[str],
    *,
    from_grid_deg: float,
    speed_mps: float,
    pixel_m: float,
    spread_deg: float = SPREAD_DEG,
    windward: bool = True,
    threads: int | None = None,
) -> WindField:
    """Sweep one wind over a surface of `sweep.encode_surface`; the rest as `wind_over_water`.

    Parameters
    ----------
    classes
        What each density class of the surface is looked up as, of `shelter.DENSITY_CLASSES`:
        1, 2 or 4 names.
    """
    table = ratio_table(tuple(classes))
    shape = (surface.shape[0], surface.shape[1])
    buffers = empty_sweep(shape, len(table))
    planes = np.zeros((3, *shape), np.float32)
    fetch, at_least, ratio = planes
    turns, weights = spread_weights(spread_deg)

    def swept(bearing: float) -> None:
        sweep(
            surface,
            from_grid_deg=bearing,
            pixel_m=pixel_m,
            bands=len(table),
            threads=threads,
            out=buffers,
        )

    for turn, weight in zip(turns, weights, strict=True):
        swept(from_grid_deg + float(turn))
        _kernels.add(ratio, buffers.horizon_code, table * np.float32(weight), threads)
        if turn == 0:
            fetch[:] = buffers.fetch_m
            at_least[:] = buffers.at_least
    if windward:
        swept(from_grid_deg + 180.0)
        with np.errstate(divide="ignore"):
            ahead = windward_ratio(1.0 / HORIZON_STEPS).astype(np.float32)
        _kernels.cap(ratio, buffers.horizon_code, np.tile(ahead, (len(table), 1)), threads)
    np.minimum(ratio, 1, out=ratio)  # the weights' last bit
    land = buffers.fetch_m == NO_FETCH
    fetch[land] = np.nan
    ratio[land] = np.nan
    return WindField(planes, speed_mps)


def _classes(
    water: BoolArray, density: ByteArray | None
) -> tuple[tuple[str, ...], ByteArray | None]:
    """Name the density classes to sweep apart, renumbered when two or fewer occur: faster."""
    if density is None:
        return (DEFAULT_CLASS,), None
    present = np.flatnonzero(np.bincount(density[~water].ravel(), minlength=1))
    if len(present) > 2 or present.max(initial=0) >= len(DENSITY_CLASSES):
        return DENSITY_CLASSES, density
    if len(present) < 2:
        return tuple(DENSITY_CLASSES[i] for i in present) or (DEFAULT_CLASS,), None
    return tuple(DENSITY_CLASSES[i] for i in present), (density == present[1]).astype(np.uint8)


@step("exposure")
def exposure(
    *, obstacles: Raster, wind: Wind, assume: Assume, halo: Raster | None = None
) -> Raster:
    """Fetch and local wind at every pixel of water, for one wind.

    Returns the `exposure` raster, float32: `fetch_m` along the mean wind, NaN off the water;
    `at_least` 1 where the data ended upwind, photo and mapped water both; `local_ratio` local
    over open wind speed, averaged over the wind's spread.
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
        field.planes[:2] = continued(
            field.fetch_m, field.at_least, grid, halo, from_grid_deg=bearing
        )
    return Raster(field.planes, grid, None, ("fetch_m", "at_least", "local_ratio"))


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
    fetch_m: AnyArray,
    at_least: BoolArray,
    grid: Grid,
    beyond: Raster,
    *,
    from_grid_deg: float,
) -> tuple[AnyArray, BoolArray]:
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
