"""What each thing known of a blind is worth, 0 to 1: the curves behind the components.

Curves that say how much of a good thing there is rise with it; all are judgement, within what is
common practice (no source). What is not known is worth `UNKNOWN`.
"""

from __future__ import annotations

import numpy as np

from sitegeo.angles import signed_diff_deg, smoothstep
from sitegeo.core.typing import BoolArray, FloatArray, ObjectArray

UNKNOWN = 0.5
"""Score of a component whose layer is missing; the reasons say that it is not known."""

_GROUND = {"public": 1.0, "unknown": 0.85, "private": 0.4}
_SUN_UP_DEG = -0.833
_BLINDING_DEG = 25.0


def wind_fit(theta: FloatArray, kinds: ObjectArray) -> FloatArray:
    """Return how well the layouts of each kind of position suit the wind against the facing.

    On a bank wind along it is best at 70 to 85°, onto it and off it work;
    on a point abeam to a little behind is best, at 110 to 130°; over open water across; in timber
    the guns sit at the upwind end or flank, 120 to 180°, and birds come to the call more than to
    the wind, so that no wind makes it better than a bank at its best (common practice, no source;
    the numbers between are judgement).
    """
    bank = np.interp(theta, [0, 25, 60, 70, 85, 120, 180], [0.75, 0.8, 0.95, 1, 1, 0.9, 0.75])
    point = np.interp(theta, [0, 45, 90, 110, 130, 150, 180], [0.6, 0.7, 0.95, 1, 1, 0.9, 0.6])
    over_open = np.interp(theta, [0, 45, 65, 105, 140, 180], [0.6, 0.8, 1, 1, 0.85, 0.75])
    timber = np.interp(theta, [0, 45, 60, 90, 120, 180], [0.05, 0.1, 0.4, 0.75, 0.9, 0.9])
    fits = [point, over_open, over_open, timber]
    names = ("point", "cover clump", "open flat", "timber opening")
    return np.select([kinds == name for name in names], fits, bank)


def feeding_score(depth_m: FloatArray) -> FloatArray:
    """Return 1 where dabblers reach the bottom, less where they only rest, `UNKNOWN` for NaN.

    Dabbling ducks feed in up to about 0.5 m (common practice, no source).
    """
    score = np.interp(depth_m, [0.0, 0.1, 0.5, 1.0, 2.0], [0.4, 1.0, 1.0, 0.75, 0.5])
    return np.where(np.isfinite(depth_m), score, UNKNOWN)


def wading_score(deepest_m: FloatArray, wade_m: float) -> FloatArray:
    """Return 1 where the decoys are set well within wading depth, 0.3 where only from a boat."""
    score = np.interp(deepest_m - wade_m, [-0.2, 0.0, 0.4], [1.0, 0.75, 0.3])
    return np.where(np.isfinite(deepest_m), score, UNKNOWN)


def way_score(minutes: FloatArray, *, known: BoolArray) -> FloatArray:
    """Return 1 for a few minutes from the access, 0.3 from an hour on and where no way is found.

    `minutes` is infinite where no way is found; `known` says whether any access is mapped.
    """
    score = np.interp(np.minimum(minutes, 1e6), [0.0, 5.0, 25.0, 60.0], [1.0, 1.0, 0.7, 0.3])
    return np.where(known, score, UNKNOWN)


def drift_score(drift_m: FloatArray, ground: ObjectArray) -> FloatArray:
    """Return 1 where a bird that falls drifts to near, public ground; less far off or private."""
    near = np.interp(drift_m, [50.0, 400.0], [1.0, 0.6])
    whose = np.array([_GROUND[g] for g in ground], float)
    return np.asarray(near * whose, float)


def glare_score(off_deg: FloatArray, altitude_deg: FloatArray) -> FloatArray:
    """Return how free of the sun's glare someone is who looks `off_deg` beside its azimuth.

    A low sun straight ahead leaves 0.35; from 60° to its side, from 25° high, or before it is up,
    nothing is lost.
    """
    ahead = 1.0 - smoothstep(np.abs(signed_diff_deg(off_deg, 0.0)), 15.0, 60.0)
    low = 1.0 - smoothstep(altitude_deg, 10.0, _BLINDING_DEG)
    up = np.asarray(altitude_deg, float) > _SUN_UP_DEG
    return np.asarray(1.0 - 0.65 * ahead * low * up, float)


def margin_worth(margin_m: FloatArray) -> FloatArray:
    """Return what a clear setback is worth by how far it is clear: 0.85, and 1 from 100 m on."""
    return np.asarray(0.85 + 0.15 * np.clip(margin_m / 100.0, 0.0, 1.0), float)


def spread_score(pocket: FloatArray, body: FloatArray) -> FloatArray:
    """Return how whole a spread would lie: from the shares of its pocket and its body on water.

    0 where so little of either lies on water that the spread is as good as never laid.
    """
    open_pocket = np.interp(pocket, [0.74, 0.85, 0.95], [0.0, 0.6, 1.0])
    whole_body = np.interp(body, [0.3, 0.5, 0.8], [0.0, 0.6, 1.0])
    return np.asarray(open_pocket * whole_body, float)
