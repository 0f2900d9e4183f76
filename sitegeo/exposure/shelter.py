"""How much trees and banks hold the wind off the water.

Speeds come from the windbreak table of Brandle & Finch, "How Windbreaks Work" (EC1763,
Table 1; the numbers are from memory), as a function of the distance from the obstacle in its
own heights. The lake-scale coefficient of Markfort et al. (2010) is about shear *stress*,
which recovers more slowly, and is kept apart.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator
from scipy.special import ndtr

from sitegeo.angles import smoothstep
from sitegeo.core.typing import AnyFloatArray, Float32Array
from sitegeo.errors import UsageError
from sitegeo.exposure.sweep import HORIZON_STEPS

DENSITY_CLASSES = ("solid", "dense", "open", "bare")
"""Density classes, in the order of the sweep's bands.

A wall, bank or building; a belt several rows deep (60-80 % dense); a single row of trees in
leaf or of conifers (40-60 %); broadleaf trees without leaves (25-35 %).
"""

DEFAULT_CLASS = "open"
SPREAD_DEG = 15.0
"""Standard deviation of the wind's direction over a morning: judgement, a parameter."""

RIPPLE_MPS = 2.5
"""Local 10 m wind that ruffles the water: the middle of Beaufort 2, where wavelets are plain."""

_HEIGHTS = (5.0, 10.0, 15.0, 20.0, 30.0)
_OPEN_AGAIN = 32.0  # heights; the table's 95 % at 30 goes on to 1
_SPEED_RATIO = {
    "solid": (0.25, 0.70, 0.90, 0.95, 1.00),
    "dense": (0.25, 0.35, 0.60, 0.80, 0.95),
    "open": (0.30, 0.50, 0.60, 0.80, 0.95),
    "bare": (0.50, 0.65, 0.80, 0.85, 1.00),
}
# Printed: dense 0.65 at 15 heights and 0.85 at 20, open 0.60 and 0.75. Denser trees would raise
# the wind there; both columns meet within the 5 points that the table is good for.
_THINNER = {"dense": "open"}
_WINDWARD_LEAST = 0.8  # at the foot of the obstacle; judgement, no table
_WINDWARD_FULL = (2.0, 5.0)


def wind_ratio(distance_heights: npt.ArrayLike, density: str = DEFAULT_CLASS) -> Any:
    """Return local over open wind speed, downwind of one obstacle.

    Monotone through the table's points beyond 5 heights and exactly 1 beyond 32. Within 5
    heights the table has no row; its 5-height value is used as a ceiling, since the quiet
    zone close under a windbreak is quieter still (McNaughton 1988, from memory).

    Parameters
    ----------
    distance_heights
        Distance downwind in obstacle heights; infinity is open water.
    density
        One of `DENSITY_CLASSES`.
    """
    distance = np.clip(np.asarray(distance_heights, dtype=float), _HEIGHTS[0], _OPEN_AGAIN)
    ratio = np.where(distance < _OPEN_AGAIN, _curve(density)(distance), 1.0)
    if density in _THINNER:  # between the table's points too
        ratio = np.minimum(ratio, wind_ratio(distance, _THINNER[density]))
    return ratio[()]


@lru_cache
def _curve(density: str) -> PchipInterpolator:
    if density not in _SPEED_RATIO:
        raise UsageError(
            "no such density class",
            value=density,
            remedy=f"One of {', '.join(DENSITY_CLASSES)}",
        )
    return PchipInterpolator((*_HEIGHTS, _OPEN_AGAIN), (*_SPEED_RATIO[density], 1.0))


def windward_ratio(distance_heights: npt.ArrayLike) -> Any:
    """Return local over open wind speed in front of an obstacle the wind blows onto.

    The slowing is measurable 2 to 5 heights out (Brandle & Finch, EC1763); its size is
    judgement: 0.8 up to 2 heights, smoothly 1 at 5.
    """
    recovered = smoothstep(distance_heights, *_WINDWARD_FULL)
    return _WINDWARD_LEAST + (1.0 - _WINDWARD_LEAST) * recovered


def ratio_table(classes: tuple[str, ...] = DENSITY_CLASSES) -> Float32Array:
    """Return `wind_ratio` for each class and horizon code, (classes, 256)."""
    with np.errstate(divide="ignore"):
        distance = 1.0 / HORIZON_STEPS
    return np.stack([wind_ratio(distance, name) for name in classes]).astype(np.float32)


def local_wind_ratio(horizon: AnyFloatArray, *, classes: tuple[str, ...] = DENSITY_CLASSES) -> Any:
    """Return local over open wind speed from the horizon of each density class.

    Parameters
    ----------
    horizon
        (classes, …) largest height ÷ distance upwind; 0 where nothing stands.
    classes
        The density class of each band.

    Returns
    -------
    ndarray
        In (0, 1]; the strongest shelter over the classes, so that a thin tall tree behind a
        dense low one never raises the wind.
    """
    with np.errstate(divide="ignore", over="ignore"):
        distance = 1.0 / np.asarray(horizon, dtype=float)
    return np.min([wind_ratio(d, name) for d, name in zip(distance, classes, strict=True)], axis=0)[
        ()
    ]


def spread_weights(spread_deg: float) -> tuple[AnyFloatArray, AnyFloatArray]:
    """Return the directions that stand for an unsteady wind, and their weights.

    10° apart, so that winds 10° apart share their sweeps, symmetric about the mean and out to two
    standard deviations: seven for the usual 15°. Each has the share of a Gaussian within
    5° of it. One for a perfectly steady wind.
    """
    if not 0 <= spread_deg <= 60:
        raise UsageError(
            "the directional spread is a standard deviation from 0 to 60°", value=spread_deg
        )
    if spread_deg == 0:
        return np.zeros(1), np.ones(1)
    reach = math.ceil(spread_deg / 5.0)
    turns = np.arange(-reach, reach + 1) * 10.0
    edges = np.append(turns - 5.0, turns[-1] + 5.0)
    with np.errstate(over="ignore"):  # a spread next to nothing is a steady wind
        weights = np.diff(ndtr(edges / spread_deg))
    return turns, weights / weights.sum()


def ripples(local_speed_mps: npt.ArrayLike, threshold_mps: float = RIPPLE_MPS) -> Any:
    """Return where the local wind ruffles the water; False where the wind is unknown (NaN)."""
    return (np.asarray(local_speed_mps, dtype=float) >= threshold_mps)[()]


def markfort_sheltering(area_m2: npt.ArrayLike, canopy_height_m: npt.ArrayLike) -> Any:
    """Return the share of a lake's surface stress that its surrounding canopy leaves.

    Markfort et al. (2010), Water Resour. Res. 46: stress is reduced for some 50 canopy
    heights downwind; the lake is taken as a circle of the same area. A lake-scale figure of
    stress, not a local speed.
    """
    reach = 50.0 * np.asarray(canopy_height_m, dtype=float)
    diameter = 2.0 * np.sqrt(np.asarray(area_m2, dtype=float) / np.pi)
    inside = np.minimum(reach / diameter, 1.0)
    exposed = (2 / np.pi) * np.arccos(inside) - (2 / np.pi) * inside * np.sqrt(1 - inside**2)
    return np.where(diameter < reach, 1e-4, exposed)[()]
