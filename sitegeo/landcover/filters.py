"""Filters over a window, fast and the same wherever a tile begins.

Every sum is taken in one fixed order per pixel, never as a running one, so that a pixel's result
depends on its own window alone and tiles join bit for bit. Windows are given by their radius in
pixels; near the border of an array the outermost pixel stands for what lies beyond.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np
from scipy import ndimage

from sitegeo.core.typing import AnyArray, BoolArray, Float32Array, Int32Array

F = TypeVar("F", bound=Callable[..., Any])

BINOMIAL_5 = np.array([1, 4, 6, 4, 1], np.float32) / np.float32(16)
"""A binomial blur of one pixel's standard deviation."""
BINOMIAL_3 = np.array([1, 2, 1], np.float32) / np.float32(4)
"""The same of 0.7 pixel."""


def compiled(function: F) -> F:
    """Compile a loop over arrays, once on this machine; it lets other threads run."""
    return cast("F", numba.njit(nogil=True, cache=True)(function))


@compiled
def _weighted(plane: Float32Array, weights: Float32Array) -> Float32Array:
    rows, cols = plane.shape
    radius = len(weights) // 2
    across = np.empty_like(plane)
    row = np.empty(cols + 2 * radius, np.float32)
    for i in range(rows):
        row[:radius] = plane[i, 0]
        row[radius : radius + cols] = plane[i]
        row[radius + cols :] = plane[i, cols - 1]
        out = across[i]
        for j in range(cols):
            out[j] = weights[0] * row[j]
        for k in range(1, len(weights)):
            weight = weights[k]
            shifted = row[k : k + cols]
            for j in range(cols):
                out[j] += weight * shifted[j]
    done = np.empty_like(plane)
    for i in range(rows):
        out = done[i]
        first = across[max(i - radius, 0)]
        for j in range(cols):
            out[j] = weights[0] * first[j]
        for k in range(1, len(weights)):
            weight = weights[k]
            other = across[min(max(i + k - radius, 0), rows - 1)]
            for j in range(cols):
                out[j] += weight * other[j]
    return done


@compiled
def _lowest(plane: Float32Array, radius: int) -> Float32Array:
    rows, cols = plane.shape
    across = np.empty_like(plane)
    row = np.empty(cols + 2 * radius, np.float32)
    for i in range(rows):
        row[:radius] = plane[i, 0]
        row[radius : radius + cols] = plane[i]
        row[radius + cols :] = plane[i, cols - 1]
        out = across[i]
        out[:] = row[:cols]
        for k in range(1, 2 * radius + 1):
            shifted = row[k : k + cols]
            for j in range(cols):
                out[j] = shifted[j] if shifted[j] < out[j] else out[j]
    done = np.empty_like(plane)
    for i in range(rows):
        out = done[i]
        out[:] = across[max(i - radius, 0)]
        for k in range(1, 2 * radius + 1):
            other = across[min(max(i + k - radius, 0), rows - 1)]
            for j in range(cols):
                out[j] = other[j] if other[j] < out[j] else out[j]
    return done


@compiled
def _spread(labels: Int32Array, steps: int) -> Int32Array:
    rows, cols = labels.shape
    source = np.full((rows, cols), -1, np.int32)
    front = np.empty(rows * cols, np.int32)
    count = 0
    for i in range(rows):
        for j in range(cols):
            if labels[i, j] == 0:
                continue
            source[i, j] = i * cols + j
            edge = (
                (i > 0 and labels[i - 1, j] == 0)
                or (i < rows - 1 and labels[i + 1, j] == 0)
                or (j > 0 and labels[i, j - 1] == 0)
                or (j < cols - 1 and labels[i, j + 1] == 0)
            )
            if edge:
                front[count] = i * cols + j
                count += 1
    out = labels.copy()
    start = 0
    for _ in range(steps):
        end = count
        # Of several ways into a pixel at one step, the southernmost seed's is taken.
        for at in range(start, end):
            here = front[at]
            i, j = here // cols, here % cols
            for y in range(max(i - 1, 0), min(i + 2, rows)):
                for x in range(max(j - 1, 0), min(j + 2, cols)):
                    if out[y, x] == 0:
                        if source[y, x] < 0:
                            front[count] = y * cols + x
                            count += 1
                        source[y, x] = max(source[y, x], source[i, j])
        for at in range(end, count):
            here = front[at]
            seed = source[here // cols, here % cols]
            out[here // cols, here % cols] = labels[seed // cols, seed % cols]
        start = end
    return out


@compiled
def _contest(one: BoolArray, other: BoolArray, height: Float32Array, steps: int) -> BoolArray:
    rows, cols = one.shape
    size = rows * cols
    zone = np.empty(size, np.int32)
    count = 0
    flat_one, flat_other, flat_height = one.ravel(), other.ravel(), height.ravel()
    most = np.float32(np.inf)
    # The lowest pass on the way from either side, and how long that way is.
    level = np.full((2, size), most, np.float32)
    way = np.full((2, size), 32767, np.int16)
    for at in range(size):
        i, j = at // cols, at % cols
        if flat_one[at]:
            level[0, at], way[0, at] = 0, 0
        elif flat_other[at]:
            level[1, at], way[1, at] = 0, 0
        elif 0 < i < rows - 1 and 0 < j < cols - 1:
            zone[count] = at
            count += 1
    new_level, new_way = level.copy(), way.copy()
    for _ in range(steps):
        changed = 0
        for k in range(count):
            at = zone[k]
            here = flat_height[at]
            for side in range(2):
                best, steps_there = level[side, at], way[side, at]
                for to in (at - cols, at - 1, at + 1, at + cols):
                    through = max(level[side, to], here)
                    length = way[side, to] + 1
                    if through < best or (through == best and length < steps_there):
                        best, steps_there = through, length
                if best < new_level[side, at] or steps_there < new_way[side, at]:
                    changed += 1
                new_level[side, at], new_way[side, at] = best, steps_there
        level, new_level = new_level, level
        way, new_way = new_way, way
        if changed == 0:
            break
    won = flat_one.copy()
    for k in range(count):
        at = zone[k]
        a, b = level[0, at], level[1, at]
        won[at] = a < b or (a == b and a < most and way[0, at] <= way[1, at])
    return won.reshape(rows, cols)


def convolve(plane: Float32Array, weights: Float32Array) -> Float32Array:
    """Return the plane convolved with symmetric weights along both axes."""
    return _weighted(np.ascontiguousarray(plane, np.float32), weights)


def box_mean(plane: AnyArray, radius: int) -> Float32Array:
    """Return the mean of the square window of 2 radius + 1 pixels about each pixel."""
    width = 2 * radius + 1
    return convolve(plane, np.full(width, 1.0 / width, np.float32))


def gaussian_weights(sigma: float) -> Float32Array:
    """Return Gaussian weights out to three standard deviations."""
    radius = int(np.ceil(3 * sigma))
    weights = np.exp(-0.5 * (np.arange(-radius, radius + 1) / sigma) ** 2)
    return np.asarray(weights / weights.sum(), np.float32)


def window_minimum(plane: Float32Array, radius: int) -> Float32Array:
    """Return the least value in the square window about each pixel."""
    return _lowest(np.ascontiguousarray(plane, np.float32), radius)


def grow_labels(labels: Int32Array, steps: int) -> Int32Array:
    """Return labels grown by a number of pixels onto unlabelled ground, the nearest first."""
    return _spread(np.ascontiguousarray(labels), steps)


def split_at_ridges(
    one: BoolArray, other: BoolArray, height: Float32Array, steps: int
) -> BoolArray:
    """Return one side with the undecided ground it wins: a watershed of bounded reach.

    Ground goes to the side from which it is reached over the lower pass, and at equal passes by
    the shorter way.

    Parameters
    ----------
    one, other
        Masks of the two sides, shape (rows, columns).
    height
        Height of the passes: here, how steeply colour changes.
    steps
        Farthest that either side grows, in pixels.

    Returns
    -------
    BoolArray
        The same shape; what neither side reaches is not of `one`.

    Examples
    --------
    >>> import numpy as np
    >>> height = np.zeros((3, 6), np.float32)
    >>> height[:, 3] = 1
    >>> one, other = np.zeros((2, 3, 6), bool)
    >>> one[:, 0], other[:, 5] = True, True
    >>> split_at_ridges(one, other, height, 9)[1].astype(int)
    array([1, 1, 1, 0, 0, 0])
    """
    return _contest(one, other, np.ascontiguousarray(height, np.float32), steps)


def open_by_square(mask: BoolArray, radius: int) -> BoolArray:
    """Return the parts of a mask in which a square of 2 radius + 1 pixels fits."""
    core = _lowest(mask.astype(np.float32), radius)
    return _lowest(-core, radius) < 0


def open_by_cross(mask: BoolArray) -> BoolArray:
    """Return the mask opened by the cross of a pixel and its four neighbours."""
    padded = np.pad(mask, 1, mode="edge")
    core = np.pad(_cross(padded, np.logical_and), 1, mode="edge")
    return _cross(core, np.logical_or)


def _cross(padded: BoolArray, join: Callable[[BoolArray, BoolArray], BoolArray]) -> BoolArray:
    out = join(padded[1:-1, 1:-1], padded[:-2, 1:-1])
    for part in (padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:]):
        out = join(out, part)
    return out


def texture(plane: Float32Array, radius: int, *, where: BoolArray | None = None) -> Float32Array:
    """Return the strength of fine detail about each pixel: its departure from the local mean.

    A gentle slope of brightness (haze, a shelving bed) counts for nothing.

    Parameters
    ----------
    plane
        Shape (rows, columns).
    radius
        Of the square window, in pixels.
    where
        Pixels that count; all without it.

    Returns
    -------
    Float32Array
        The root of the mean square departure in the window, the same shape.
    """
    if where is None:
        detail = plane - box_mean(plane, radius)
        return np.sqrt(box_mean(detail * detail, radius))
    inside = where.astype(np.float32)
    share = 1 / np.maximum(box_mean(inside, radius), np.float32(1e-3))
    detail = inside * (plane - box_mean(inside * plane, radius) * share)
    return np.sqrt(box_mean(detail * detail, radius) * share)


def open_by_disc(mask: BoolArray, radius_px: float) -> BoolArray:
    """Return the parts of a mask in which a disc of the radius fits.

    Examples
    --------
    >>> import numpy as np
    >>> mask = np.zeros((7, 7), bool)
    >>> mask[:5, :5], mask[2, 5:] = True, True
    >>> open_by_disc(mask, 2.0)[2].astype(int)
    array([1, 1, 1, 1, 1, 0, 0])
    """
    out = np.zeros_like(mask)
    # A disc lies in one connected part, and those too narrow for it are many.
    labels, _ = ndimage.label(mask, np.ones((3, 3)))
    for number, window in enumerate(ndimage.find_objects(labels), 1):
        if min(s.stop - s.start for s in window) < 2 * radius_px - 1:
            continue
        part = np.pad(labels[window] == number, 1)
        core = ndimage.distance_transform_edt(part) >= radius_px
        if core.any():
            reached = ndimage.distance_transform_edt(~core) < radius_px
            out[window] |= (part & reached)[1:-1, 1:-1]
    return out
