"""What each thing known of a blind scores, 0 to 1: the curves behind the components.

Curves that say how much of a good thing there is rise with it; all are judgement, within what is
common practice (no source). What is not known scores `UNKNOWN_SCORE`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sitegeo.angles import signed_diff_deg, smoothstep
from sitegeo.core.typing import BoolArray, FloatArray, ObjectArray
from sitegeo.units import yd

UNKNOWN_SCORE = 0.5
"""Score of a component whose layer is missing; the reasons say that it is not known."""


@dataclass(frozen=True)
class Curve:
    """A score that runs straight between knots and is level beyond them.

    Parameters
    ----------
    knots
        Values of what is scored, rising.
    scores
        The score at each, 0 to 1.

    Examples
    --------
    >>> float(Curve((0.0, 10.0), (1.0, 0.5))(5.0))
    0.75
    """

    knots: tuple[float, ...]
    scores: tuple[float, ...]

    def __call__(self, values: FloatArray | float) -> FloatArray:
        """Return the score of each value."""
        return np.asarray(np.interp(np.asarray(values), self.knots, self.scores), float)


BANK_WIND = Curve((0, 25, 60, 70, 85, 120, 180), (0.75, 0.8, 0.95, 1, 1, 0.9, 0.75))
"""Wind against the facing, degrees, on a bank: best along it at 70 to 85°, while onto it and off it
work (common practice, no source; the numbers between are judgement)."""

WOODED_BANK_WIND = Curve(
    (0, 25, 60, 66, 80, 90, 110, 180), (0.78, 0.83, 0.97, 1, 1, 0.8, 0.7, 0.25)
)
"""The same on a bank of tall trees: a little onto it, in the cheek, birds come along the trees and
the near water ripples; exactly along them and off them it lies dead, straight off them most of all
(common practice, no source; the numbers between are judgement)."""

TREES_BEHIND_M = Curve((2.0, 7.0), (0.0, 1.0))
"""Height of what stands about the hide: how far its bank is one of tall trees; judgement."""

OPENING_WIDTH_M = Curve((yd(30.0), yd(60.0)), (1.0, 0.3))
"""Width of a timber opening: one up to about 30 yd can be shot across (common practice, no source);
what a wider one scores is judgement."""

POINT_WIND = Curve((0, 45, 90, 110, 130, 150, 180), (0.6, 0.7, 0.95, 1, 1, 0.9, 0.6))
"""The same on a point: best abeam to a little behind (common practice, no source; the numbers
between are judgement)."""

OPEN_WIND = Curve((0, 45, 65, 105, 140, 180), (0.6, 0.8, 1, 1, 0.85, 0.75))
"""The same over open water, from a clump or a flat: best across (common practice, no source; the
numbers between are judgement)."""

TIMBER_WIND = Curve((0, 45, 60, 90, 120, 180), (0.05, 0.1, 0.4, 0.75, 0.9, 0.9))
"""The same in timber, where the guns sit at the upwind end or flank, and birds come to the call
more than to the wind, so that no wind makes it better than a bank at its best (common practice, no
source; the numbers between are judgement)."""

FEEDING_DEPTH = Curve((0.0, 0.1, 0.5, 1.0, 2.0), (0.4, 1.0, 1.0, 0.75, 0.5))
"""Metres of water: dabbling ducks feed in up to about 0.5 m (common practice, no source), and
rest on deeper (judgement)."""

DEEPER_THAN_WADED = Curve((-0.2, 0.0, 0.4), (1.0, 0.75, 0.3))
"""Metres of water where decoys lie, less what the party wades; judgement."""

MINUTES_IN = Curve((0.0, 5.0, 25.0, 60.0), (1.0, 1.0, 0.7, 0.3))
"""Minutes from the access; judgement."""

DRIFT_DISTANCE = Curve((50.0, 400.0), (1.0, 0.6))
"""Metres that a fallen bird drifts; judgement."""

DRIFT_GROUND = {"public": 1.0, "unknown": 0.85, "private": 0.4}
"""What the ground it drifts to leaves of that; judgement."""

SETBACK_JUST_CLEAR, SETBACK_MARGIN_GAIN = 0.85, 0.15
"""Score of a setback that is only just clear, and what a wide margin adds; judgement."""

SETBACK_WIDE_M = 100.0
"""From this margin on a setback scores fully; judgement."""

POCKET_ON_WATER = Curve((0.74, 0.85, 0.95), (0.0, 0.6, 1.0))
"""Share of the pocket on water, 0 where a spread is as good as never laid; judgement."""

BODY_ON_WATER = Curve((0.3, 0.5, 0.8), (0.0, 0.6, 1.0))
"""Share of the spread's body on water, 0 where it is as good as never laid; judgement."""


@dataclass(frozen=True)
class GlareParams:
    """When a low sun blinds; judgement, the sun's rising apart.

    Parameters
    ----------
    up_deg
        Altitude of the sun's centre at sunrise and sunset (standard refraction and radius).
    ahead_deg, beside_deg
        Up to the first off the sun's azimuth it blinds fully, from the second on not.
    low_deg, high_deg
        The same for its altitude.
    most
        What full glare takes from a score.
    """

    up_deg: float = -0.833
    ahead_deg: float = 15.0
    beside_deg: float = 60.0
    low_deg: float = 10.0
    high_deg: float = 25.0
    most: float = 0.65


def wind_fit(
    theta: FloatArray, kinds: ObjectArray, *, trees_m: FloatArray | float = 0.0
) -> FloatArray:
    """Return how well the layouts of each kind of position suit the wind against the facing.

    Parameters
    ----------
    theta
        (blinds,) 0 to 180 degrees.
    kinds
        (blinds,) kinds of position; those without a curve of their own are banks.
    trees_m
        Height of what stands about each hide: a bank of tall trees has a curve of its own.

    Returns
    -------
    ndarray
        (blinds,), 0 to 1.

    Examples
    --------
    >>> kinds = np.array(["tree line", "timber opening"], dtype=object)
    >>> wind_fit(np.array([80.0, 0.0]), kinds).tolist()
    [1.0, 0.05]
    """
    own = {
        "point": POINT_WIND,
        "cover clump": OPEN_WIND,
        "open flat": OPEN_WIND,
        "timber opening": TIMBER_WIND,
    }
    fits = [curve(theta) for curve in own.values()]
    tall = TREES_BEHIND_M(trees_m)
    bank = (1.0 - tall) * BANK_WIND(theta) + tall * WOODED_BANK_WIND(theta)
    return np.select([kinds == name for name in own], fits, bank)


def feeding_score(depth_m: FloatArray) -> FloatArray:
    """Return `FEEDING_DEPTH` of the water in each pocket, `UNKNOWN_SCORE` for NaN."""
    return np.where(np.isfinite(depth_m), FEEDING_DEPTH(depth_m), UNKNOWN_SCORE)


def wading_score(deepest_m: FloatArray, wade_m: float) -> FloatArray:
    """Return 1 where the decoys are set well within wading depth, 0.3 where only from a boat."""
    score = DEEPER_THAN_WADED(deepest_m - wade_m)
    return np.where(np.isfinite(deepest_m), score, UNKNOWN_SCORE)


def access_score(minutes: FloatArray, *, known: BoolArray) -> FloatArray:
    """Return `MINUTES_IN` of each way from the access, least where no way is found.

    `minutes` is infinite where no way is found; `known` says whether any access is mapped.
    """
    return np.where(known, MINUTES_IN(minutes), UNKNOWN_SCORE)


def drift_score(drift_m: FloatArray, ground: ObjectArray) -> FloatArray:
    """Return 1 where a bird that falls drifts to near, public ground; less far off or private."""
    whose = np.array([DRIFT_GROUND[g] for g in ground], float)
    return np.asarray(DRIFT_DISTANCE(drift_m) * whose, float)


def glare_score(
    off_deg: FloatArray, altitude_deg: FloatArray, *, params: GlareParams = GlareParams()
) -> FloatArray:
    """Return how free of the sun's glare someone is who looks beside it.

    Parameters
    ----------
    off_deg
        From where they look to the sun's azimuth.
    altitude_deg
        Of the sun, of a shape that goes with it.
    params
        What is ahead, what is low, and how much that takes.

    Returns
    -------
    ndarray
        0 to 1: least with a low sun straight ahead, 1 to its side, when it is high, or not up.

    Examples
    --------
    >>> glare_score(np.array([0.0, 60.0, 0.0]), np.array([5.0, 5.0, -3.0])).tolist()
    [0.35, 1.0, 1.0]
    """
    off = np.abs(signed_diff_deg(off_deg, 0.0))
    ahead = 1.0 - smoothstep(off, params.ahead_deg, params.beside_deg)
    low = 1.0 - smoothstep(altitude_deg, params.low_deg, params.high_deg)
    up = np.asarray(altitude_deg, float) > params.up_deg
    return np.asarray(1.0 - params.most * ahead * low * up, float)


def setback_margin_score(margin_m: FloatArray) -> FloatArray:
    """Return what a clear setback scores by how far it is clear."""
    wide = np.clip(margin_m / SETBACK_WIDE_M, 0.0, 1.0)
    return np.asarray(SETBACK_JUST_CLEAR + SETBACK_MARGIN_GAIN * wide, float)


def spread_score(pocket: FloatArray, body: FloatArray) -> FloatArray:
    """Return how whole a spread would lie: from the shares of its pocket and its body on water."""
    return np.asarray(POCKET_ON_WATER(pocket) * BODY_ON_WATER(body), float)
