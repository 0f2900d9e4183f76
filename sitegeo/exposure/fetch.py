"""Fetch over a whole raster by its three named methods.

Wave formulas of the Coastal Engineering Manual take the *straight-line* fetch: the manual
(EM 1110-2-1100, Part II, ch. 2, "Narrow fetches") advises against effective fetch. The
averages are for comparing places, and for models that were fitted to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from sitegeo.core.typing import BoolArray, Float32Array
from sitegeo.errors import UsageError
from sitegeo.exposure.sweep import NO_FETCH, empty_sweep, sweep


class Radials(NamedTuple):
    """Directions whose fetches are averaged."""

    turns_deg: tuple[float, ...]
    """Angle of each from the wind, clockwise."""
    weights: tuple[float, ...]
    """Share of each; they sum to 1."""


def _radials(turns_deg: range, *, by_cosine: bool) -> Radials:
    cosines = np.cos(np.deg2rad(turns_deg))
    weights = cosines if by_cosine else np.ones(len(turns_deg))
    return Radials(tuple(map(float, turns_deg)), tuple((weights / weights.sum()).tolist()))


FETCH_METHODS = {
    "straight-line": _radials(range(1), by_cosine=False),
    "cosine-weighted": _radials(range(-42, 43, 6), by_cosine=True),
    "mean": _radials(range(-12, 13, 3), by_cosine=False),
}
"""Ways to measure fetch, by name. ``straight-line``: the distance straight upwind.
``cosine-weighted``: Σ x cos a / Σ cos a over 15 radials at 6° (published: Rogala 1997, USGS UMESC
PSR 97-08); the sum of the cosines is computed, 13.5109…, never the 13.512 reprinted from rounded
tables. ``mean``: the plain mean of 9 radials at 3° (published: the "SPM" option of Rohweder et
al. 2008, from memory)."""


@dataclass(frozen=True, slots=True)
class Fetch:
    """Fetch of every water pixel.

    Attributes
    ----------
    fetch_m
        (rows, columns) float32 metres; NaN off the water.
    at_least
        (rows, columns) bool; some radial left the data before it met land, so that the fetch
        is a lower bound.
    """

    fetch_m: Float32Array
    at_least: BoolArray


def measure_fetch(
    surface: npt.NDArray[np.int16],
    *,
    from_grid_deg: float,
    pixel_m: float,
    method: str = "straight-line",
    threads: int | None = None,
) -> Fetch:
    """Return the fetch of every water pixel for one wind direction.

    Parameters
    ----------
    surface
        (rows, columns) as `sweep.encode_surface` makes it; row 0 is north.
    from_grid_deg
        Where the wind comes from, degrees clockwise from grid north.
    pixel_m
        Pixel size, metres.
    method
        One of `FETCH_METHODS`.
    threads
        As for `sweep.sweep`.

    Returns
    -------
    Fetch
        Metres, and where they are a lower bound.

    Raises
    ------
    UsageError
        No such method.
    RasterError
        As for `sweep.sweep`.

    Examples
    --------
    A lake of 5 pixels of 10 m between two shores, the wind from the north:

    >>> import numpy as np
    >>> from sitegeo.exposure.sweep import encode_surface
    >>> water = np.ones((7, 1), dtype=bool)
    >>> water[[0, -1]] = False
    >>> fetch = measure_fetch(encode_surface(water), from_grid_deg=0.0, pixel_m=10.0)
    >>> fetch.fetch_m[:, 0].tolist()
    [nan, 5.0, 15.0, 25.0, 35.0, 45.0, nan]
    """
    if method not in FETCH_METHODS:
        raise UsageError(
            "no such way to measure fetch",
            value=method,
            remedy=f"One of {', '.join(FETCH_METHODS)}",
        )
    shape = (surface.shape[0], surface.shape[1])
    buffers = empty_sweep(shape, 0)
    total = np.zeros(shape, np.float32)
    at_least = np.zeros(shape, np.bool_)
    for turn, weight in zip(*FETCH_METHODS[method], strict=True):
        sweep(
            surface,
            from_grid_deg=from_grid_deg + turn,
            pixel_m=pixel_m,
            bands=0,
            threads=threads,
            out=buffers,
        )
        total += np.float32(weight) * buffers.fetch_m
        at_least |= buffers.at_least
    total[buffers.fetch_m == NO_FETCH] = np.nan
    return Fetch(total, at_least)
