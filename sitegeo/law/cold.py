"""Cold air, cold water and wading: published thresholds, in SI.

Usual caution only: none of it says that a place is safe.
"""

from __future__ import annotations

import math

from sitegeo.units import FOOT_M, celsius, to_mph

FROSTBITE_30_MIN_F = -18.0
"""Wind chill from which bare skin freezes within 30 minutes (US National Weather Service)."""

WADE_PRODUCT_FT2_S = 10.0
"""Depth (ft) times current (ft/s) from which no one wades (US Geological Survey's rule)."""

COLD_WATER = (
    "Cold water: 1 minute to get your breath, 10 minutes of useful movement, 1 hour before you "
    "pass out; wear a life jacket"
)
"""The 1-10-1 of cold water (Giesbrecht, as Cold Water Boot Camp teaches it)."""

ICE = "Ice is not known: nothing here says that any ice bears you"


def wind_chill_f(temperature_f: float, speed_mph: float) -> float | None:
    """Return the wind chill in °F; None outside its range (above 50 °F or below 3 mph).

    Source: US National Weather Service, 2001.
    """
    if temperature_f > 50.0 or speed_mph < 3.0:
        return None
    v = float(speed_mph**0.16)
    return 35.74 + 0.6215 * temperature_f - 35.75 * v + 0.4275 * temperature_f * v


def wind_chill_c(temperature_c: float, speed_mps: float) -> float | None:
    """Return the wind chill in °C of air and wind in SI; None outside its range."""
    chill_f = wind_chill_f(temperature_c * 1.8 + 32.0, to_mph(speed_mps))
    return None if chill_f is None else celsius(chill_f)


def frostbite_below_c(speed_mps: float) -> float | None:
    """Return the air temperature at and below which skin freezes within 30 minutes in a wind.

    None in a wind too light for the formula.
    """
    speed_mph = to_mph(speed_mps)
    if speed_mph < 3.0:
        return None
    v = speed_mph**0.16
    air_f = (FROSTBITE_30_MIN_F - 35.74 + 35.75 * v) / (0.6215 + 0.4275 * v)
    return celsius(air_f)


def wade_product(depth_m: float, current_mps: float) -> float:
    """Return depth times current in ft²/s."""
    return depth_m / FOOT_M * current_mps / FOOT_M


def wadeable(depth_m: float, *, wade_m: float, current_mps: float | None) -> bool | None:
    """Return whether a depth may be waded by a person's own limit and the rule of ten.

    None where the depth is not known. A current that is not known is taken as none: whoever shows
    the answer says so.
    """
    if math.isnan(depth_m):
        return None
    product = 0.0 if current_mps is None else wade_product(depth_m, current_mps)
    return depth_m <= wade_m and product < WADE_PRODUCT_FT2_S
