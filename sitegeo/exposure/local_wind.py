"""One wind over the water: fetch, shelter and local speed of every pixel, in arrays alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sitegeo.core.typing import BoolArray, ByteArray, Float32Array
from sitegeo.core.wind import DEFAULT_SPREAD_DEG
from sitegeo.exposure import _kernels
from sitegeo.exposure.shelter import (
    DEFAULT_CLASS,
    DENSITY_CLASSES,
    ratio_table,
    spread_weights,
    windward_ratio,
)
from sitegeo.exposure.sweep import HORIZON_STEPS, NO_FETCH, empty_sweep, encode_surface, sweep


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
    spread_deg: float = DEFAULT_SPREAD_DEG,
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

    Returns
    -------
    WindField
        Fetch and local wind of every pixel of water.

    Raises
    ------
    RasterError
        As for `sweep.encode_surface` and `sweep.sweep`.

    Examples
    --------
    Trees of 10 m upwind of 200 m of water, the wind from the north:

    >>> import numpy as np
    >>> water = np.ones((42, 1), dtype=bool)
    >>> water[:2] = False
    >>> field = wind_over_water(
    ...     water, np.where(water, 0.0, 10.0), from_grid_deg=0.0, speed_mps=6.0, pixel_m=5.0,
    ...     spread_deg=0.0,
    ... )
    >>> bool(field.local_speed_mps[10, 0] < field.local_speed_mps[40, 0] < 6.0)
    True
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
    spread_deg: float = DEFAULT_SPREAD_DEG,
    windward: bool = True,
    threads: int | None = None,
) -> WindField:
    """Sweep one wind over a surface of `sweep.encode_surface`.

    Parameters
    ----------
    surface
        (rows, columns) int16.
    classes
        What each density class of the surface is looked up as, of `shelter.DENSITY_CLASSES`:
        1, 2 or 4 names.
    from_grid_deg, speed_mps, pixel_m, spread_deg, windward, threads
        As for `wind_over_water`.

    Returns
    -------
    WindField
        Fetch and local wind of every pixel of water.
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
        _kernels.add_ratio(ratio, buffers.horizon_code, table * np.float32(weight), threads)
        if turn == 0:
            fetch[:] = buffers.fetch_m
            at_least[:] = buffers.at_least
    if windward:
        swept(from_grid_deg + 180.0)
        with np.errstate(divide="ignore"):
            ahead = windward_ratio(1.0 / HORIZON_STEPS).astype(np.float32)
        _kernels.cap_ratio(ratio, buffers.horizon_code, np.tile(ahead, (len(table), 1)), threads)
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
