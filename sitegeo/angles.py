"""Bearings and angles: degrees, clockwise from north, scalars or arrays."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

COMPASS_POINTS = (
    "N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE",
    "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW",
)  # fmt: skip


def wrap360(deg: ArrayLike) -> Any:
    """Return bearings in [0, 360)."""
    # A tiny negative number wraps to exactly 360.0 in floating point.
    wrapped = np.mod(deg, 360.0)
    return np.where(wrapped >= 360.0, 0.0, wrapped)[()]


def signed_diff_deg(a: ArrayLike, b: ArrayLike) -> Any:
    """Return the turn from `b` to `a`, in (-180, 180], clockwise positive."""
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
    """Return 0 below `lo`, 1 above `hi`, and the cubic 3t² - 2t³ between."""
    t = np.clip((np.asarray(x, float) - lo) / (hi - lo), 0.0, 1.0)
    return (t * t * (3.0 - 2.0 * t))[()]


def compass_point(deg: float) -> str:
    """Return the nearest of the sixteen compass points."""
    return COMPASS_POINTS[round(float(wrap360(deg)) / 22.5) % 16]
