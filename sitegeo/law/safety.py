"""Cautions for a morning (cold, dark, wading, whom to tell) and the published limits behind them.

The cautions come first, as sentences; below them the formulas, which take and give numbers. All of
it is usual caution: none of it says that a place is safe.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Transformer

from sitegeo.core.grid import WGS84, Raster
from sitegeo.core.models import from_record
from sitegeo.core.wind import Wind
from sitegeo.law.daylight import daylight, is_dark
from sitegeo.places.config import Assume, GearKeys
from sitegeo.units import FOOT_M, celsius_from_fahrenheit, depth_text, to_mph

DEFER_CAUTION = "This is a proposal: the law in force, the landowner and the managing agency decide"
"""Who decides: first of all cautions."""

COLD_WATER_CAUTION = (
    "Cold water: 1 minute to get your breath, 10 minutes of useful movement, 1 hour before you "
    "pass out; wear a life jacket"
)
"""The 1-10-1 of cold water (Giesbrecht, as Cold Water Boot Camp teaches it)."""

ICE_CAUTION = "Ice is not known: nothing here says that any ice bears you"
"""Said wherever one hunts: no layer tells of ice."""

CHILL_MOST_F = 50.0
"""Air temperature above which there is no wind chill (US National Weather Service, 2001)."""

CHILL_LEAST_MPH = 3.0
"""Wind below which there is none (the same)."""

FROSTBITE_30_MIN_F = -18.0
"""Wind chill from which bare skin freezes within 30 minutes (US National Weather Service)."""

WADE_PRODUCT_FT2_S = 10.0
"""Depth (ft) times current (ft/s) from which no one wades (US Geological Survey's rule)."""


def morning_cautions(wind: Wind | None, air_c: float | None = None) -> tuple[str, ...]:
    """Return what holds wherever one hunts that morning: cold air, cold water, ice, who decides."""
    return (DEFER_CAUTION, *_chill(wind, air_c), COLD_WATER_CAUTION, ICE_CAUTION)


def dark_caution(lon: float, lat: float, when: datetime | None) -> tuple[str, ...]:
    """Return that it is dark at the hour hunted, with when that day's civil twilight is.

    Parameters
    ----------
    lon, lat
        Degrees in WGS 84.
    when
        The hour, which carries its zone; None says nothing.

    Returns
    -------
    tuple of str
        One sentence, or none.
    """
    if when is None or not is_dark(lon, lat, when):
        return ()
    light = daylight(lon, lat, when)
    told = f"It is dark at {when:%H:%M}"
    if light.civil_dawn and light.civil_dusk:
        told += f" (civil twilight {light.civil_dawn:%H:%M} to {light.civil_dusk:%H:%M})"
    return (f"{told}: shooting hours are law, look them up",)


def wading_caution(
    record: Mapping[str, Any], depth: Raster | None, spots: Mapping[str, shapely.Point]
) -> str:
    """Return whether the spots of a plan can be waded, by the deepest of them.

    Parameters
    ----------
    record
        Of a survey or a plan: its `gear` (`wade_m`) and `assume` (`current_mps`).
    depth
        Depth in metres; None where there is no such layer.
    spots
        What is waded to, by name, in the CRS of the depth.

    Returns
    -------
    str
        One sentence; a depth that is not known is said to be so.
    """
    gear = from_record(record.get("gear", {}), GearKeys)
    current = from_record(record.get("assume", {}), Assume).current_mps
    flow = "current not known" if current is None else f"in a current of {current:.1f} m/s"
    known = {} if depth is None else {n: _depth(depth, p) for n, p in spots.items()}
    unknown = [n for n in spots if math.isnan(known.get(n, math.nan))]
    if len(unknown) == len(spots):
        return f"Wading: depth not known, {flow}; probe every step"
    name, deepest = max(
        ((n, d) for n, d in known.items() if not math.isnan(d)), key=lambda item: item[1]
    )
    told = f"Wading: {depth_text(deepest)} at {name}, {flow}"
    if not can_wade(deepest, wade_m=gear.wade_m, current_mps=current):
        told += "; too deep or too fast to wade"
    if unknown:
        told += f"; depth not known at {', '.join(unknown)}"
    return told


def contact_caution(hide: shapely.Point, access: gpd.GeoDataFrame | None, crs: CRS) -> str:
    """Return what to leave with someone ashore: where the hide and the way in are.

    Parameters
    ----------
    hide
        In `crs`.
    access
        Points of access in `crs`; the nearest counts. None where there is no such layer.
    crs
        Of the place.

    Returns
    -------
    str
        One sentence, with US National Grid references.
    """
    places = [f"hide {us_national_grid(hide, crs)}"]
    if access is not None and not access.empty:
        nearest: Any = access.geometry.iloc[int(access.distance(hide).to_numpy().argmin())]
        places.append(f"way in {us_national_grid(nearest, crs)}")
    return f"Tell someone where you go and when you are back: {', '.join(places)}"


def us_national_grid(point: shapely.Point, crs: CRS) -> str:
    """Return the US National Grid reference of a point, to the metre."""
    from mgrs import MGRS  # noqa: PLC0415 (slow to import, and only for people's eyes)

    to_degrees = Transformer.from_crs(crs, WGS84, always_xy=True)
    lon, lat = to_degrees.transform(point.x, point.y)
    return str(MGRS().toMGRS(lat, lon))


def wind_chill_c(temperature_c: float, speed_mps: float) -> float | None:
    """Return the wind chill in °C of air and wind in SI; None outside its range.

    Examples
    --------
    >>> round(wind_chill_c(-10.0, 8.0), 1)
    -19.3
    >>> wind_chill_c(15.0, 8.0) is None
    True
    """
    chill_f = wind_chill_f(temperature_c * 1.8 + 32.0, to_mph(speed_mps))
    return None if chill_f is None else celsius_from_fahrenheit(chill_f)


def wind_chill_f(temperature_f: float, speed_mph: float) -> float | None:
    """Return the wind chill in °F; None outside its range (above 50 °F or below 3 mph).

    Source: US National Weather Service, 2001.
    """
    if temperature_f > CHILL_MOST_F or speed_mph < CHILL_LEAST_MPH:
        return None
    v = float(speed_mph**0.16)
    return 35.74 + 0.6215 * temperature_f - 35.75 * v + 0.4275 * temperature_f * v


def frostbite_below_c(speed_mps: float) -> float | None:
    """Return the air temperature at and below which skin freezes within 30 minutes in a wind.

    None in a wind too light for the formula.
    """
    speed_mph = to_mph(speed_mps)
    if speed_mph < CHILL_LEAST_MPH:
        return None
    v = speed_mph**0.16
    air_f = (FROSTBITE_30_MIN_F - 35.74 + 35.75 * v) / (0.6215 + 0.4275 * v)
    return celsius_from_fahrenheit(air_f)


def can_wade(depth_m: float, *, wade_m: float, current_mps: float | None) -> bool | None:
    """Return whether a depth may be waded, by a person's own limit and the published rule of ten.

    Parameters
    ----------
    depth_m
        Depth of the water.
    wade_m
        The deepest that the person wades.
    current_mps
        How fast it flows. None is taken as no current: whoever shows the answer says so.

    Returns
    -------
    bool or None
        None where the depth is not known (NaN).

    Notes
    -----
    No one wades where depth (ft) times current (ft/s) comes to `WADE_PRODUCT_FT2_S`, a rule of the
    US Geological Survey for its own people.
    """
    if math.isnan(depth_m):
        return None
    product = 0.0 if current_mps is None else depth_times_current(depth_m, current_mps)
    return depth_m <= wade_m and product < WADE_PRODUCT_FT2_S


def depth_times_current(depth_m: float, current_mps: float) -> float:
    """Return depth times current in ft²/s."""
    return depth_m / FOOT_M * current_mps / FOOT_M


def _chill(wind: Wind | None, air_c: float | None) -> Iterator[str]:
    if wind is None:
        return
    chill = None if air_c is None else wind_chill_c(air_c, wind.speed_mps)
    freezes = frostbite_below_c(wind.speed_mps)
    if chill is not None and air_c is not None:
        told = f"Wind chill {_air(chill)} in air of {_air(air_c)}"
        if air_c <= (freezes if freezes is not None else -math.inf):
            told += ": bare skin freezes within 30 minutes"
        yield told
    elif air_c is None and freezes is not None:
        yield f"Air temperature not known: at {_air(freezes)} this wind freezes skin in 30 minutes"


def _air(celsius: float) -> str:
    fahrenheit, whole = round(celsius * 1.8 + 32), round(celsius)
    return f"{fahrenheit} °F ({whole} °C)"


def _depth(depth: Raster, point: shapely.Point) -> float:
    return float(depth.sample(np.array([point.x]), np.array([point.y]))[0])
