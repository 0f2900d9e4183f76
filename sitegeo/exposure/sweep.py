"""One pass along the wind: straight-line fetch and upwind horizon of every water pixel.

The raster is walked downwind in strips of parallel lines, one pixel of each line a step.
Lines are the raster sheared to the wind: at step ``k`` every line has moved sideways by
``round(k * tan(angle))`` pixels, so each pixel lies on exactly one line, the lines of a strip
stay side by side in memory, and a displaced ray is never more than one pixel from the exact
one. A strip is walked in tiles copied out of the raster, transposed where the wind runs along
the rows, so both halves of the compass cost nearly the same.

Along a line the obstacles that can still be the highest seen form the upper hull of the
profile; each pixel is put on that hull once and taken off at most once, which makes the sweep
linear in pixels whatever the height of the trees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from sitegeo.core.parallel import in_threads, thread_count
from sitegeo.core.typing import (
    AnyArray,
    AnyFloatArray,
    BoolArray,
    ByteArray,
    Float32Array,
    FloatArray,
    Int32Array,
)
from sitegeo.errors import RasterError
from sitegeo.exposure import _lines

NO_FETCH = 65535
"""Value of `Sweep.fetch_m` where there is no water: the largest uint16 (standard)."""

_MOST_APART_M = 800  # between the levels of waters: `_lines.TALLEST_DM` less room for what stands


def _horizon_steps() -> Float32Array:
    codes = np.arange(1, 256, dtype=np.int32)
    distance_heights = ((_lines.CODE_TOP - codes) << _lines.CODE_SHIFT).view(np.float32)
    return np.concatenate([np.zeros(1, np.float32), 1.0 / distance_heights]).astype(np.float32)


HORIZON_STEPS: Float32Array = _horizon_steps()
"""Height ÷ distance that each horizon code stands for; 0 is no obstacle within 64 heights.

32 steps to a doubling, so a code is within 1.6 % of the value swept; 1/64 to 3.8, where it
saturates.
"""


@dataclass(frozen=True, slots=True)
class Sweep:
    """What the wind has met upwind of every water pixel, for one direction.

    Attributes
    ----------
    fetch_m
        (rows, columns) uint16, metres of water upwind of the pixel's centre along the wind;
        the shore lies half a step before the first land centre. `NO_FETCH` off the water.
        Halves round to even; longer than 65,534 m stays there and is `at_least`.
    horizon_code
        (bands, rows, columns) uint8, the largest obstacle height ÷ distance upwind, as an
        index into `HORIZON_STEPS`; 0 off the water. One band for all obstacles, or one per
        density class.
    at_least
        (rows, columns) bool, water whose upwind ray left the data before it met land: fetch
        and horizon there are lower bounds, not measurements.
    """

    fetch_m: npt.NDArray[np.uint16]
    horizon_code: ByteArray
    at_least: BoolArray

    @property
    def horizon(self) -> Float32Array:
        """Height ÷ distance, (bands, rows, columns), decoded."""
        return HORIZON_STEPS[self.horizon_code]


def empty_sweep(shape: tuple[int, int], bands: int = 1) -> Sweep:
    """Return buffers for `sweep` to write into when many directions are swept in turn."""
    return Sweep(
        np.empty(shape, np.uint16), np.empty((bands, *shape), np.uint8), np.empty(shape, np.bool_)
    )


def sweep(
    surface: npt.NDArray[np.int16],
    *,
    from_grid_deg: float,
    pixel_m: float,
    bands: int = 1,
    threads: int | None = None,
    out: Sweep | None = None,
) -> Sweep:
    """Sweep one wind direction over a north-up raster of square pixels.

    Parameters
    ----------
    surface
        As `encode_surface` makes it; row 0 is north.
    from_grid_deg
        Where the wind comes from, degrees clockwise from grid north; any real number.
    pixel_m
        Pixel size, metres.
    bands
        1 for one horizon over all obstacles, 4 for one per density class, 2 where only the
        first two classes occur, 0 for fetch alone.
    threads
        Threads to use; by default all the processor allows, one on a small raster.
    out
        Buffers of `empty_sweep` to overwrite and return.

    Returns
    -------
    Sweep
        The observer is at the level of its own water; obstacles under 1 m are ignored.

    Raises
    ------
    RasterError
        The surface is not a two-dimensional int16 raster, the buffers do not fit it, or a number
        is out of range.

    Notes
    -----
    Two land pixels that touch at a corner close the gap between them, for fetch and for the
    horizon, so a one-pixel dike holds at every azimuth.

    Examples
    --------
    Five pixels of water south of trees 12 m tall, the wind from the north:

    >>> import numpy as np
    >>> water = np.array([[False], [True], [True], [True], [True], [True]])
    >>> surface = encode_surface(water, np.where(water, 0.0, 12.0))
    >>> swept = sweep(surface, from_grid_deg=0.0, pixel_m=10.0)
    >>> swept.fetch_m[1:, 0].tolist()
    [5, 15, 25, 35, 45]
    """
    if (
        surface.ndim != 2
        or surface.dtype != np.int16
        or not 0 < min(surface.shape) <= max(surface.shape) <= _lines.MOST_STEPS
    ):
        raise RasterError(
            "the surface to sweep must be a two-dimensional int16 raster",
            value=f"{surface.dtype}{surface.shape}",
            remedy="Make it with encode_surface",
        )
    if not (math.isfinite(from_grid_deg) and math.isfinite(pixel_m) and pixel_m > 0):
        raise RasterError(
            "a sweep needs a finite bearing and a positive pixel size",
            value=(from_grid_deg, pixel_m),
        )
    if bands not in (0, 1, 2, _lines.CLASS_COUNT):
        raise RasterError("a sweep makes 0, 1, 2 or 4 horizon bands", value=bands)
    out = _buffers(out, (surface.shape[0], surface.shape[1]), bands)
    surface = np.ascontiguousarray(surface)
    shift, way, step_px = _shear(from_grid_deg, surface.shape)
    n_cross = surface.shape[0] if way[1] else surface.shape[1]
    first_line = -int(shift.max())
    strips = -(-(n_cross - int(shift.min()) - first_line) // _lines.LANES)
    workers = min(strips, thread_count(threads, surface.size))

    outputs = out.fetch_m.view(np.int16), out.at_least.view(np.uint8), out.horizon_code

    def walk(worker: int) -> None:
        _lines.sweep_strips(
            surface, outputs, shift, way, step_px * pixel_m, first_line, (worker, strips, workers)
        )

    in_threads(walk, workers)
    return out


def _buffers(out: Sweep | None, shape: tuple[int, int], bands: int) -> Sweep:
    """Buffers that the kernel can write to unchecked."""
    if out is None:
        return empty_sweep(shape, bands)
    arrays: tuple[AnyArray, ...] = (out.fetch_m, out.horizon_code, out.at_least)
    kinds = ("uint16", shape), ("uint8", (bands, *shape)), ("bool", shape)
    for array, kind in zip(arrays, kinds, strict=True):
        if (array.dtype.name, array.shape) != kind or not array.flags.c_contiguous:
            raise RasterError(
                "the buffers do not fit the sweep",
                value=f"{array.dtype}{array.shape}",
                remedy="Make them with empty_sweep",
            )
    return out


def encode_surface(
    water: BoolArray,
    height_m: npt.ArrayLike = 0.0,
    *,
    density: ByteArray | None = None,
    level_m: npt.ArrayLike = 0.0,
    known: BoolArray | None = None,
) -> npt.NDArray[np.int16]:
    """Pack water, obstacle height, density class and water level into one int16 raster.

    Land is ``height << 2 | class``, the height in decimetres above the lowest water; water is
    ``~level``, its level in decimetres above the lowest water; unknown pixels are -32768.

    Parameters
    ----------
    water
        (rows, columns) bool.
    height_m
        Height of the top of whatever stands on each land pixel, in the same vertical reference
        as `level_m`; with the default level that is the height above the water. NaN counts
        as level ground. Above 819 m it is taken as 819 m.
    density
        Density class of each pixel, an index into `shelter.DENSITY_CLASSES`; solid if None.
    level_m
        Level of the water, one number or one a pixel (see `water_levels`); NaN off the water
        is the level of the nearest.
    known
        False where the data ran out: neither water nor land.

    Returns
    -------
    ndarray
        (rows, columns) int16, ready for `sweep`.

    Raises
    ------
    RasterError
        Shapes differ, or water levels span more than 800 m.
    """
    water = np.asarray(water, dtype=bool)
    height = np.asarray(height_m, dtype=np.float32)
    level = np.asarray(level_m, dtype=np.float32)
    for name, array in (("height_m", height), ("level_m", level), ("density", density),
                        ("known", known)):  # fmt: skip
        if array is not None and array.ndim and array.shape != water.shape:
            raise RasterError(
                f"{name} must have the shape of the water mask, {water.shape}", value=array.shape
            )
    if level.ndim:
        over_water = level[water] if water.any() else np.zeros(1, np.float32)
        base = over_water.min()
        if not over_water.max() - base <= _MOST_APART_M:  # a NaN fails this too
            raise RasterError(
                f"water levels must be known and within {_MOST_APART_M} m of each other",
                value=(float(base), float(over_water.max())),
                remedy="Split the place, or give one level",
            )
        ground = (level if np.isfinite(level).all() else nearest_level(water, level)) - base
    else:
        base = np.float32(level)
        ground = np.float32(0)
    surface = _decimetres(np.broadcast_to(height - base, water.shape))
    # Under 1 m above the nearest water is shore, not an obstacle.
    surface[surface < _decimetres(ground) + _lines.LEAST_DM] = 0
    surface <<= 2
    if density is not None:
        if density.max(initial=0) >= _lines.CLASS_COUNT:
            raise RasterError("a density class is an index from 0 to 3", value=density.max())
        surface |= density.astype(np.int16)
    wet = ~_decimetres(level - base)
    surface[water] = wet[water] if wet.ndim == 2 else wet
    if known is not None:
        surface[~known] = _lines.UNKNOWN_PIXEL
    return surface


def top_m(packed: npt.ArrayLike) -> FloatArray:
    """Return metres above the lowest water of what `encode_surface` packed, 0 if not known."""
    values = np.asarray(packed, np.float64)
    whole = np.where(values < 0, -1.0 - values, np.floor(values / 4.0)) / 10.0
    return np.where(np.isfinite(values) & (values != _lines.UNKNOWN_PIXEL), whole, 0.0)


def _decimetres(metres: npt.ArrayLike) -> npt.NDArray[np.int16]:
    """Metres as whole decimetres from 0 to the tallest a pixel can hold; NaN as 0."""
    tenths = np.rint(np.atleast_1d(np.multiply(metres, 10, dtype=np.float32)))
    # fmin and fmax take the number, not the NaN.
    whole: npt.NDArray[np.int16] = np.fmax(np.fmin(tenths, _lines.TALLEST_DM), 0).astype(np.int16)
    return whole


def water_levels(
    water: BoolArray,
    ground_m: AnyFloatArray,
    *,
    otherwise_m: float | None = None,
) -> Float32Array:
    """Return one level for each connected body of water: the median ground over it.

    Parameters
    ----------
    water
        (rows, columns); bodies join through corners.
    ground_m
        (rows, columns) height of the ground. Voids (NaN), common in lidar over open water, do
        not count.
    otherwise_m
        Level of a body that is all void; by default that of the nearest body that is not.

    Returns
    -------
    ndarray
        (rows, columns) float32 metres, NaN off the water.

    Raises
    ------
    RasterError
        The ground is void over all of the water, and `otherwise_m` is not given.
    """
    labels, count = ndimage.label(water, structure=np.ones((3, 3), int))
    level = np.full(water.shape, np.nan, np.float32)
    if not count:
        return level
    measured = water & np.isfinite(ground_m)
    bodies, heights = labels[measured], ground_m[measured]  # a median sorts what it is given
    present = np.bincount(bodies, minlength=count + 1)[1:] > 0
    if not present.any() and otherwise_m is None:
        raise RasterError(
            "the ground raster is void over all of the water", remedy="Give water_level_m"
        )
    medians = np.full(count, np.nan if otherwise_m is None else otherwise_m, np.float32)
    if present.any():
        medians[present] = ndimage.median(heights, bodies, np.flatnonzero(present) + 1)
    level[water] = medians[labels[water] - 1]
    if not present.all() and otherwise_m is None:
        level = np.where(water, nearest_level(np.isfinite(level), level), np.nan)
    return level.astype(np.float32)


def nearest_level(water: BoolArray, level: Float32Array) -> Float32Array:
    """Return the level of the nearest water, everywhere."""
    values = level[water]
    if values.size == 0 or np.ptp(values) == 0:
        return np.full(water.shape, values[0] if values.size else 0, np.float32)
    nearest = ndimage.distance_transform_edt(~water, return_distances=False, return_indices=True)
    return np.asarray(level[tuple(nearest)], np.float32)


def _shear(
    from_grid_deg: float, shape: tuple[int, ...]
) -> tuple[Int32Array, tuple[bool, bool], float]:
    """Sideways pixels at each step, the way (backwards, by columns), pixels a step.

    The angle is folded into the first octant in whole degrees before any tangent is taken, so
    that turning or mirroring raster and wind together gives the same lines exactly.
    """
    bearing = from_grid_deg % 360.0
    quarter = round(bearing / 90.0)
    off_axis = bearing - 90.0 * quarter
    quarter %= 4
    by_column = quarter in (1, 3)
    steps = np.arange(shape[1] if by_column else shape[0])
    tangent = math.tan(math.radians(abs(off_axis)))
    sideways = np.floor(steps * tangent + 0.5).astype(np.int32)
    # Downwind of a wind from just east of north lies west; the other quarters by turning.
    sign = -1 if (off_axis > 0) == (quarter in (0, 1)) else 1
    return sideways * sign, (quarter in (1, 2), by_column), math.hypot(1.0, tangent)
