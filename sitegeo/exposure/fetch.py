"""Fetch by its three named methods, and the formulas behind them.

Wave formulas of the Coastal Engineering Manual take the *straight-line* fetch: the manual
(EM 1110-2-1100, Part II, ch. 2, "Narrow fetches") advises against effective fetch. The
averages are for comparing places, and for models that were fitted to them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from sitegeo.core.typing import AnyFloatArray, BoolArray, Float32Array
from sitegeo.errors import RasterError
from sitegeo.exposure.sweep import NO_FETCH, empty_sweep, sweep

COSINE_RADIALS_DEG = tuple(range(-42, 43, 6))
"""15 radials at 6° (USGS UMESC PSR 97-08, Rogala 1997)."""

MEAN_RADIALS_DEG = tuple(range(-12, 13, 3))
"""9 radials at 3° (the "SPM" option of Rohweder et al. 2008; from memory)."""


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


def cosine_weighted(
    radials_m: npt.ArrayLike, deviations_deg: npt.ArrayLike, *, projected: bool = False
) -> Any:
    """Return Σ x cos a / Σ cos a over the first axis of `radials_m`.

    The sum of cosines is computed, never the 13.512 often reprinted for 15 radials at 6°,
    which is a sum of rounded cosines (exactly 13.5109…).

    Parameters
    ----------
    radials_m
        Fetch along each radial.
    deviations_deg
        Angle of each radial from the wind.
    projected
        Project each radial on the wind's axis first (Saville's original form, from memory):
        Σ x cos² a / Σ cos a. It differs by 11 % off a straight shore.
    """
    radials = np.asarray(radials_m, dtype=float)
    cosines = np.cos(np.deg2rad(deviations_deg))
    return np.tensordot(cosines ** (2 if projected else 1), radials, axes=1) / cosines.sum()


def mean_of_radials(radials_m: npt.ArrayLike) -> Any:
    """Return the plain mean over the first axis."""
    return np.mean(np.asarray(radials_m, dtype=float), axis=0)


def straight_line_fetch(
    surface: npt.NDArray[np.int16],
    *,
    from_grid_deg: float,
    pixel_m: float,
    threads: int | None = None,
) -> Fetch:
    """Return the over-water distance straight upwind; arguments as for `sweep.sweep`."""
    bearings = np.array([from_grid_deg])
    return _average(surface, bearings, np.ones(1), pixel_m=pixel_m, threads=threads)


def cosine_weighted_fetch(
    surface: npt.NDArray[np.int16],
    *,
    from_grid_deg: float,
    pixel_m: float,
    deviations_deg: Sequence[float] = COSINE_RADIALS_DEG,
    threads: int | None = None,
) -> Fetch:
    """Return the cosine-weighted effective fetch; arguments as for `sweep.sweep`."""
    turns = np.asarray(deviations_deg, dtype=float)
    weights = np.cos(np.deg2rad(turns))
    return _average(surface, from_grid_deg + turns, weights, pixel_m=pixel_m, threads=threads)


def mean_fetch(
    surface: npt.NDArray[np.int16],
    *,
    from_grid_deg: float,
    pixel_m: float,
    deviations_deg: Sequence[float] = MEAN_RADIALS_DEG,
    threads: int | None = None,
) -> Fetch:
    """Return the plain mean over radials either side of the wind; as for `sweep.sweep`."""
    turns = np.asarray(deviations_deg, dtype=float)
    weights = np.ones_like(turns)
    return _average(surface, from_grid_deg + turns, weights, pixel_m=pixel_m, threads=threads)


def _average(
    surface: npt.NDArray[np.int16],
    bearings_deg: AnyFloatArray,
    weights: AnyFloatArray,
    *,
    pixel_m: float,
    threads: int | None,
) -> Fetch:
    if not bearings_deg.size:
        raise RasterError("a fetch needs at least one radial", remedy="Give deviations_deg")
    shape = (surface.shape[0], surface.shape[1])
    buffers = empty_sweep(shape, 0)
    total = np.zeros(shape, np.float32)
    at_least = np.zeros(shape, np.bool_)
    for bearing, weight in zip(bearings_deg, weights / weights.sum(), strict=True):
        sweep(
            surface,
            from_grid_deg=float(bearing),
            pixel_m=pixel_m,
            bands=0,
            threads=threads,
            out=buffers,
        )
        total += np.float32(weight) * buffers.fetch_m
        at_least |= buffers.at_least
    total[buffers.fetch_m == NO_FETCH] = np.nan
    return Fetch(total, at_least)
