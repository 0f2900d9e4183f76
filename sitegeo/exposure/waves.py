"""Significant wave height and period from wind speed, straight-line fetch and depth.

Each model is named. All are for steady wind over open water; a steep chop against a current,
wakes and reflection off walls are not in them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from sitegeo.errors import UsageError

GRAVITY_MPS2 = 9.81
"""Standard gravity, as the manuals round it; published."""

BREAKING_SHARE = 0.6
"""Highest significant wave over the depth it stands in; published (CEM, from memory)."""


class Wave(NamedTuple):
    """Significant wave height and peak period, arrays of the inputs' broadcast shape."""

    height_m: Any
    period_s: Any


def significant_wave(
    speed_mps: npt.ArrayLike,
    fetch_m: npt.ArrayLike,
    depth_m: npt.ArrayLike | None = None,
    *,
    model: str = "cem",
) -> Wave:
    """Return the significant wave for a wind at 10 m, a straight-line fetch and a depth.

    Parameters
    ----------
    speed_mps
        Wind speed 10 m above the water.
    fetch_m
        Straight-line fetch.
    depth_m
        Mean depth along the fetch; None for deep water.
    model
        ``cem`` (the default), ``spm84`` or ``young-verhagen``; see `WAVE_MODELS`.

    Returns
    -------
    Wave
        Height in metres and period in seconds, of the inputs' broadcast shape.

    Raises
    ------
    UsageError
        No such model, or a model that needs a depth was given none.

    Notes
    -----
    NaN goes through. No wind or no fetch gives a wave of 0 m and 0 s.

    Examples
    --------
    10 m/s over 2 km of deep water:

    >>> wave = significant_wave(10.0, 2000.0)
    >>> round(float(wave.height_m), 2), round(float(wave.period_s), 1)
    (0.22, 1.3)
    """
    if model not in WAVE_MODELS:
        raise UsageError(
            "no such wave model", value=model, remedy=f"One of {', '.join(WAVE_MODELS)}"
        )
    speed, fetch = np.broadcast_arrays(
        np.asarray(speed_mps, dtype=float), np.asarray(fetch_m, dtype=float)
    )
    depth = None if depth_m is None else np.asarray(depth_m, dtype=float)
    if depth is not None:
        speed, fetch, depth = np.broadcast_arrays(speed, fetch, depth)
    with np.errstate(divide="ignore", invalid="ignore"):
        height, period = WAVE_MODELS[model](speed, fetch, depth)
    calm = (speed <= 0) | (fetch <= 0) | (False if depth is None else depth <= 0)
    return Wave(np.where(calm, 0.0, height)[()], np.where(calm, 0.0, period)[()])


def friction_velocity(speed_mps: npt.ArrayLike) -> Any:
    """Return u* from the 10 m wind with the drag law of CEM II-2-36."""
    speed = np.asarray(speed_mps, dtype=float)
    return speed * np.sqrt(0.001 * (1.1 + 0.035 * speed))


def adjusted_speed(speed_mps: npt.ArrayLike) -> Any:
    """Return the wind-stress factor U_A = 0.71 U^1.23 of the Shore Protection Manual (1984)."""
    return 0.71 * np.asarray(speed_mps, dtype=float) ** 1.23


def _cem(speed: Any, fetch: Any, depth: Any) -> tuple[Any, Any]:
    """EM 1110-2-1100, Part II, ch. 2, equations II-2-36 and II-2-37.

    Where the period meets its depth limit, 9.78 √(d/g), the height is that of the fetch at
    which the limit is reached, and never more than 0.6 of the depth (the manual's procedure,
    from memory).
    """
    g = GRAVITY_MPS2
    friction = friction_velocity(speed)
    run = g * fetch / friction**2
    period = np.minimum(0.651 * np.cbrt(run), 2.398e2)
    if depth is not None:
        limit = 9.78 * np.sqrt(depth / g) * g / friction
        run = np.minimum(run, (limit / 0.651) ** 3)
        period = np.minimum(period, limit)
    height = np.minimum(4.13e-2 * np.sqrt(run), 2.115e2) * friction**2 / g
    if depth is not None:
        height = np.minimum(height, BREAKING_SHARE * depth)
    return height, period * friction / g


def _spm84(speed: Any, fetch: Any, depth: Any) -> tuple[Any, Any]:
    """Shore Protection Manual (1984), fed the wind-stress factor; deep water without a depth."""
    g = GRAVITY_MPS2
    stress = adjusted_speed(speed)
    run = g * fetch / stress**2
    if depth is None:
        height = np.minimum(1.6e-3 * np.sqrt(run), 0.2433)
        period = np.minimum(0.2857 * np.cbrt(run), 8.134)
    else:
        deep = g * depth / stress**2
        a = np.tanh(0.53 * deep**0.75)
        height = 0.283 * a * np.tanh(0.00565 * np.sqrt(run) / a)
        b = np.tanh(0.833 * deep**0.375)
        period = 7.54 * b * np.tanh(0.0379 * np.cbrt(run) / b)
    return height * stress**2 / g, period * stress / g


def _young_verhagen(speed: Any, fetch: Any, depth: Any) -> tuple[Any, Any]:
    """Young & Verhagen (1996): fetch-limited waves in water of one finite depth."""
    if depth is None:
        raise UsageError("the wave model 'young-verhagen' needs a depth", remedy="Give depth_m")
    g = GRAVITY_MPS2
    run = g * fetch / speed**2
    deep = g * depth / speed**2
    a1 = np.tanh(0.493 * deep**0.75)
    energy = 3.64e-3 * (a1 * np.tanh(3.13e-3 * run**0.57 / a1)) ** 1.74
    a2 = np.tanh(0.331 * deep**1.01)
    frequency = 0.133 * (a2 * np.tanh(5.215e-4 * run**0.73 / a2)) ** -0.37
    return 4 * np.sqrt(energy) * speed**2 / g, speed / (g * frequency)


WAVE_MODELS: dict[str, Callable[[Any, Any, Any], tuple[Any, Any]]] = {
    "cem": _cem,
    "spm84": _spm84,
    "young-verhagen": _young_verhagen,
}
"""Wave models by name; published: each function names its source and holds its coefficients."""
