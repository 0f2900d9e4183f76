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
"""What trees of unknown density are taken for; judgement."""

RIPPLE_MPS = 2.5
"""Local 10 m wind at which water begins to ripple, the edge of a calm strip: the middle of
Beaufort force 2 (published: WMO, small wavelets, 1.6 to 3.3 m/s); which point of it is judgement.
How much ripple a spread of decoys wants is another matter (`siting.score.ScoreParams`)."""

_HEIGHTS = (5.0, 10.0, 15.0, 20.0, 30.0)  # distances of the table's columns, in heights; published
_OPEN_AGAIN = 32.0  # heights; judgement: the table's 95 % at 30 goes on to 1
# Published: Brandle & Finch, EC1763, Table 1, from memory.
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
_WINDWARD_HEIGHTS = (2.0, 5.0)  # where the slowing is full, and where it ends; published, EC1763

_TURN_APART_DEG = 10.0  # judgement: winds 10° apart share their sweeps
_WIDEST_SPREAD_DEG = 60.0  # judgement: beyond it a wind has no direction

_STRESS_HEIGHTS = 50.0  # published: how far a canopy reduces stress (Markfort et al. 2010)
_LEAST_STRESS = 1e-4  # where all of a lake is within that: not zero, so that it can divide


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

    Returns
    -------
    ndarray
        In (0, 1], of the shape of `distance_heights`.

    Raises
    ------
    UsageError
        No such density class.

    Examples
    --------
    Ten heights behind a single row of trees in leaf half of the wind is left:

    >>> round(float(wind_ratio(10.0, "open")), 2)
    0.5
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
    recovered = smoothstep(distance_heights, *_WINDWARD_HEIGHTS)
    return _WINDWARD_LEAST + (1.0 - _WINDWARD_LEAST) * recovered


def ratio_table(classes: tuple[str, ...] = DENSITY_CLASSES) -> Float32Array:
    """Return `wind_ratio` for each class and horizon code, (classes, 256)."""
    with np.errstate(divide="ignore"):
        distance = 1.0 / HORIZON_STEPS
    return np.stack([wind_ratio(distance, name) for name in classes]).astype(np.float32)


def spread_weights(spread_deg: float) -> tuple[AnyFloatArray, AnyFloatArray]:
    """Return the directions that stand for an unsteady wind, and their weights.

    Parameters
    ----------
    spread_deg
        Standard deviation of the wind's direction.

    Returns
    -------
    turns, weights
        (directions,) degrees from the mean, 10° apart, symmetric and out to two standard
        deviations: seven for the usual 15°, one for a perfectly steady wind; and for each the
        share of a Gaussian within 5° of it. The weights sum to 1.

    Raises
    ------
    UsageError
        The spread is not from 0 to 60°.

    Examples
    --------
    >>> turns, weights = spread_weights(15.0)
    >>> turns.tolist()
    [-30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0]
    """
    if not 0 <= spread_deg <= _WIDEST_SPREAD_DEG:
        raise UsageError(
            f"the directional spread is a standard deviation from 0 to {_WIDEST_SPREAD_DEG:g}°",
            value=spread_deg,
        )
    if spread_deg == 0:
        return np.zeros(1), np.ones(1)
    half = _TURN_APART_DEG / 2
    reach = math.ceil(spread_deg / half)  # as many turns each side as make two deviations
    turns = np.arange(-reach, reach + 1) * _TURN_APART_DEG
    edges = np.append(turns - half, turns[-1] + half)
    with np.errstate(over="ignore"):  # a spread next to nothing is a steady wind
        weights = np.diff(ndtr(edges / spread_deg))
    return turns, weights / weights.sum()


def markfort_sheltering(area_m2: npt.ArrayLike, canopy_height_m: npt.ArrayLike) -> Any:
    """Return the share of a lake's surface stress that its surrounding canopy leaves.

    A figure of stress over a whole lake, not a local speed.

    Parameters
    ----------
    area_m2
        Area of the lake, taken as a circle.
    canopy_height_m
        Mean height of the trees along its shore.

    Returns
    -------
    ndarray
        In (0, 1], of the inputs' broadcast shape.

    References
    ----------
    Markfort et al. (2010), Water Resour. Res. 46: stress is reduced for some 50 canopy heights
    downwind.
    """
    reach = _STRESS_HEIGHTS * np.asarray(canopy_height_m, dtype=float)
    diameter = 2.0 * np.sqrt(np.asarray(area_m2, dtype=float) / np.pi)
    inside = np.minimum(reach / diameter, 1.0)
    exposed = (2 / np.pi) * np.arccos(inside) - (2 / np.pi) * inside * np.sqrt(1 - inside**2)
    return np.where(diameter < reach, _LEAST_STRESS, exposed)[()]
