"""Local wind at chosen pixels for many winds, from horizons stored every ten degrees.

A sweep along each wind asked for is exact and slow. Here what stands upwind of some pixels is
looked up once for the directions of the wind atlas, and the local wind of any wind follows as an
average over them, weighted by how much the wind's direction spreads. What the trees' height leaves
open is kept as tables for trees taller and shorter than measured.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import shapely

from sitegeo.angles import signed_diff_deg, wrap360
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.parallel import allowed
from sitegeo.core.typing import (
    BoolArray,
    ByteArray,
    Float32Array,
    FloatArray,
    IntArray,
)
from sitegeo.exposure.atlas import Atlas
from sitegeo.exposure.banks import LeeParams
from sitegeo.exposure.shelter import ratio_table, spread_weights, wind_ratio, windward_ratio
from sitegeo.exposure.surface import classes_of
from sitegeo.exposure.sweep import HORIZON_STEPS, empty_sweep, sweep

DIRECTIONS = 36
"""Directions looked at: those of the wind atlas (`atlas.SECTORS`)."""

_APART_DEG = 360.0 / DIRECTIONS
"""Degrees from one direction to the next."""

LEAST_SPREAD_DEG = 8.0
"""Narrower spreads are averaged as this one: directions 10° apart tell no more; judgement."""

OCTAVES = np.linspace(-2.0, 2.0, 9)
"""Powers of two by which the trees' height ÷ distance is scaled, as nodes to interpolate on."""

_NARROWER = 0.95
"""The directions a single wind is averaged over reach two standard deviations, so that theirs is
this share of the wind's own; judgement."""

_OUTLINE_OFF_M = 1.5
"""Outlines of sheltered water are drawn to within this; judgement."""


def even_bearings(count: int = DIRECTIONS) -> FloatArray:
    """Return so many true bearings evenly round the compass from north.

    Examples
    --------
    >>> even_bearings(4).tolist()
    [0.0, 90.0, 180.0, 270.0]
    """
    return np.arange(count, dtype=np.float64) * (360.0 / count)


def horizons_at(
    obstacles: Raster, row: IntArray, col: IntArray, *, atlas: Atlas | None = None
) -> ByteArray:
    """Return what stands upwind of pixels, for each of the `DIRECTIONS`.

    Parameters
    ----------
    obstacles
        The `obstacles` layer.
    row, col
        Pixels on its grid, of one shape.
    atlas
        Read instead of sweeping, where there is one of the same obstacles.

    Returns
    -------
    ndarray
        (directions, classes, *shape of `row`) uint8 horizon codes, see `sweep.HORIZON_STEPS`.
    """
    if atlas is None:
        return _swept(obstacles, row, col)
    top, left = int(row.min()), int(col.min())
    bottom, right = int(row.max()) + 1, int(col.max()) + 1
    at = np.ravel_multi_index((row - top, col - left), (bottom - top, right - left))

    def read(bearing: float) -> ByteArray:
        codes = atlas.horizon_codes(round(bearing), (slice(top, bottom), slice(left, right)))
        return codes.reshape(len(codes), -1).take(at, axis=1)

    with ThreadPoolExecutor(allowed()) as pool:
        return np.stack(list(pool.map(read, even_bearings())))


def _swept(obstacles: Raster, row: IntArray, col: IntArray) -> ByteArray:
    grid, classes = obstacles.grid, len(classes_of(obstacles))
    buffers = empty_sweep(grid.shape, classes)
    codes = np.empty((DIRECTIONS, classes, *row.shape), np.uint8)
    for number, bearing in enumerate(even_bearings()):
        from_grid = float(grid.to_grid_bearing(bearing))
        sweep(
            obstacles.values, from_grid_deg=from_grid, pixel_m=grid.pixel_m, bands=classes,
            out=buffers,
        )  # fmt: skip
        codes[number] = buffers.horizon_code[:, row, col]
    return codes


def gaussian_weights(from_deg: FloatArray, spread_deg: FloatArray) -> FloatArray:
    """Return how much each direction counts in winds whose direction spreads.

    Parameters
    ----------
    from_deg, spread_deg
        (winds,) mean direction and its standard deviation, degrees.

    Returns
    -------
    ndarray
        (winds, directions), each row summing to 1.
    """
    sigma = np.maximum(_NARROWER * spread_deg, LEAST_SPREAD_DEG)[:, None]
    off = signed_diff_deg(even_bearings(), np.asarray(wrap360(from_deg))[:, None])
    weights = np.exp(-0.5 * (off / sigma) ** 2)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True), float)


def neighbour_weights(from_deg: FloatArray) -> FloatArray:
    """Return (winds, directions) weights of the two directions either side of each wind.

    Examples
    --------
    A wind from 13° lies between those stored for 10° and 20°:

    >>> neighbour_weights(np.array([13.0]))[0, :3].round(2).tolist()
    [0.0, 0.7, 0.3]
    """
    off = np.abs(signed_diff_deg(even_bearings(), np.asarray(wrap360(from_deg))[:, None]))
    return np.asarray(np.clip(1.0 - off / _APART_DEG, 0.0, 1.0), float)


@dataclass(frozen=True)
class RatioTables:
    """Local over open wind on patches of water, for any wind; made by `ratio_tables`.

    Parameters
    ----------
    lee, front
        (octaves, directions, *patches) in the lee of what stands upwind, and in front of what
        stands there, each the mean over a patch's water.
    """

    lee: FloatArray
    front: FloatArray

    def of_winds(
        self, from_deg: FloatArray, spread_deg: FloatArray, taller: FloatArray | None = None
    ) -> FloatArray:
        """Return local over open wind for winds.

        Parameters
        ----------
        from_deg, spread_deg
            (winds,) true bearing the wind comes from, and the spread of it.
        taller
            (winds, first axis of the patches) factor on the trees' height ÷ distance; none is 1.

        Returns
        -------
        ndarray
            (winds, *patches), in 0 to 1.
        """
        near, opposite = gaussian_weights(from_deg, spread_deg), neighbour_weights(from_deg + 180.0)
        nodes = self.lee.shape[0]
        if taller is None:
            middle = slice(nodes // 2, nodes // 2 + 1)
            return np.asarray(self._at(near, opposite, middle)[0], float)
        held = self._at(near, opposite, slice(None))
        place = (np.log2(taller) - OCTAVES[0]) / (OCTAVES[1] - OCTAVES[0])
        place = np.clip(place, 0, nodes - 1)
        low = np.minimum(place.astype(int), nodes - 2)
        part = (place - low)[..., None]
        picked = [np.take_along_axis(held, (low + n)[None, ..., None], axis=0)[0] for n in (0, 1)]
        return np.asarray(picked[0] * (1 - part) + picked[1] * part, float)

    def _at(self, near: FloatArray, opposite: FloatArray, nodes: slice) -> FloatArray:
        lee = np.einsum("wd,kdbp->kwbp", near, self.lee[nodes], optimize=True)
        front = np.einsum("wd,kdbp->kwbp", opposite, self.front[nodes], optimize=True)
        return np.asarray(np.minimum(np.minimum(lee, front), 1.0), float)


def ratio_tables(codes: ByteArray, wet: BoolArray, classes: tuple[str, ...]) -> RatioTables:
    """Return local over open wind by octave and direction, the mean over each patch's water.

    Parameters
    ----------
    codes
        (directions, classes, rows, patches, pixels) of `horizons_at`: of each row so many patches.
    wet
        (rows, patches, pixels) whether a pixel is water.
    classes
        Density class each band of `codes` is looked up as, see `surface.lookup_classes`.

    Returns
    -------
    RatioTables
        Arrays (octaves, directions, rows, patches).
    """
    count = np.maximum(wet.sum(axis=-1), 1)
    lee_table = np.empty((len(OCTAVES), *codes.shape[:1], *wet.shape[:2]))
    front_table = np.empty_like(lee_table)
    for number, octave in enumerate(OCTAVES):
        # A bank or a building is as high as it is; what is not known is the trees.
        scale = [1.0 if name == "solid" else 2.0**octave for name in classes]
        with np.errstate(divide="ignore"):
            distances = [1.0 / (HORIZON_STEPS * s) for s in scale]
        lee = _least([wind_ratio(d, n) for d, n in zip(distances, classes, strict=True)], codes)
        front = _least([windward_ratio(d) for d in distances], codes)
        lee_table[number] = (lee * wet).sum(axis=-1) / count
        front_table[number] = (front * wet).sum(axis=-1) / count
    return RatioTables(lee_table, front_table)


def _least(tables: list[FloatArray], codes: ByteArray) -> FloatArray:
    """Return the least over the classes of what each one's table gives for its codes."""
    looked = [table[codes[:, band]] for band, table in enumerate(tables)]
    return np.asarray(np.minimum.reduce(looked), float)


def ratios_as_swept(
    codes: ByteArray, classes: tuple[str, ...], from_deg: Sequence[float], *, spread_deg: float
) -> Float32Array:
    """Return local over open wind, to the last bit what a sweep along each wind gives.

    Parameters
    ----------
    codes
        (directions, bands, pixels) of `horizons_at`; bands past those of `classes` do not count.
    classes
        Density class each band is looked up as, see `surface.classes_for`.
    from_deg
        Winds from whole multiples of `_APART_DEG`, true.
    spread_deg
        Standard deviation of their direction.

    Returns
    -------
    ndarray
        (winds, pixels) float32, at most 1.
    """
    lee = ratio_table(classes)
    with np.errstate(divide="ignore"):
        front = windward_ratio(1.0 / HORIZON_STEPS).astype(np.float32)
    behind = [np.minimum.reduce([t[c] for t, c in zip(lee, each, strict=True)]) for each in codes]
    ahead = [np.minimum.reduce([front[c] for c in each]) for each in codes]
    turns, weights = spread_weights(spread_deg)
    ratio = np.empty((len(from_deg), codes.shape[-1]), np.float32)
    for n, bearing in enumerate(from_deg):
        at = round(bearing / _APART_DEG)
        # Single precision and this order: as the field of one wind is summed.
        mean = np.zeros(codes.shape[-1], np.float32)
        for turn, weight in zip(turns, weights, strict=True):
            mean += behind[(at + round(turn / _APART_DEG)) % DIRECTIONS] * np.float32(weight)
        ratio[n] = np.minimum(np.minimum(mean, ahead[(at + DIRECTIONS // 2) % DIRECTIONS]), 1)
    return ratio


def sheltered_outlines(ratio: Float32Array, grid: Grid, params: LeeParams) -> Iterator[FloatArray]:
    """Give the outlines of the water in the lee, smooth between the pixels.

    Parameters
    ----------
    ratio
        (rows, columns) local over open wind, NaN off the water.
    grid
        Where it lies.
    params
        What counts as sheltered.

    Yields
    ------
    ndarray
        Closed (n, 2) rings in the grid's CRS; a ring inside another is a hole.
    """
    from skimage.measure import find_contours  # noqa: PLC0415 (slow; only a map draws outlines)

    # Land beside sheltered water lets the outline run on to the bank, and no farther.
    held = np.pad(np.where(np.isnan(ratio), 1.0, ratio), 1, constant_values=1.0)
    rings = find_contours(held, params.sheltered_ratio)  # type: ignore[no-untyped-call]
    columns = (grid.xy(ring[:, 0] - 1.0, ring[:, 1] - 1.0) for ring in rings)
    drawn = np.array([shapely.Polygon(np.column_stack(xy)) for xy in columns], dtype=object)
    for ring in shapely.simplify(drawn[shapely.area(drawn) >= params.least_m2], _OUTLINE_OFF_M):
        yield shapely.get_coordinates(ring)
