"""Bearings and angles: degrees, clockwise from north, scalars or arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

COMPASS_POINTS = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
    "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip
"""The sixteen points, clockwise from north."""

_POINT_DEG = 360.0 / len(COMPASS_POINTS)


def wrap360(deg: ArrayLike) -> Any:
    """Return bearings in [0, 360)."""
    # A tiny negative number wraps to exactly 360.0 in floating point.
    wrapped = np.mod(deg, 360.0)
    return np.where(wrapped >= 360.0, 0.0, wrapped)[()]


def signed_diff_deg(a: ArrayLike, b: ArrayLike) -> Any:
    """Return the turn from `b` to `a`, in (-180, 180], clockwise positive.

    Examples
    --------
    >>> float(signed_diff_deg(10.0, 350.0))
    20.0
    """
    return (180.0 - wrap360(180.0 - (np.asarray(a, float) - np.asarray(b, float))))[()]


def unit_from_bearing(deg: ArrayLike) -> tuple[Any, Any]:
    """Return the (east, north) unit vector pointing along a bearing."""
    rad = np.deg2rad(deg)
    return np.sin(rad)[()], np.cos(rad)[()]


def bearing_of(dx: ArrayLike, dy: ArrayLike) -> Any:
    """Return the bearing of a vector given as (east, north)."""
    return wrap360(np.rad2deg(np.arctan2(dx, dy)))


def circular_mean_deg(deg: ArrayLike, weights: NDArray[np.floating[Any]] | None = None) -> float:
    """Return the mean direction of bearings, optionally weighted."""
    east, north = unit_from_bearing(deg)
    return float(bearing_of(np.average(east, weights=weights), np.average(north, weights=weights)))


def smoothstep(x: ArrayLike, lo: float, hi: float) -> Any:
    """Return 0 below `lo`, 1 above `hi`, and the cubic 3t² - 2t³ between.

    Parameters
    ----------
    x
        Values, of any shape.
    lo, hi
        Where the step begins and ends; with `lo` above `hi` it falls.

    Returns
    -------
    ndarray
        In [0, 1], of the shape of `x`.

    Examples
    --------
    >>> smoothstep([0.0, 5.0, 10.0, 20.0], 0.0, 10.0).tolist()
    [0.0, 0.5, 1.0, 1.0]
    """
    t = np.clip((np.asarray(x, float) - lo) / (hi - lo), 0.0, 1.0)
    return (t * t * (3.0 - 2.0 * t))[()]


def compass_point(deg: float) -> str:
    """Return the nearest of the sixteen compass points."""
    return COMPASS_POINTS[round(float(wrap360(deg)) / _POINT_DEG) % len(COMPASS_POINTS)]


def compass_bearing(point: str) -> float:
    """Return the bearing of one of `COMPASS_POINTS`, in small or capital letters.

    Raises
    ------
    ValueError
        It is none of them.
    """
    return COMPASS_POINTS.index(point.upper()) * _POINT_DEG
