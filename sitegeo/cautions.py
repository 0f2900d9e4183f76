"""Cautions of a morning, computed where they can be, in words a person reads."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from pyproj import CRS, Transformer

from sitegeo.grid import WGS84, Raster
from sitegeo.law import cold
from sitegeo.law.daylight import daylight, is_dark
from sitegeo.placefile import Assume, GearKeys
from sitegeo.tomlfile import from_record
from sitegeo.units import depth_text
from sitegeo.wind import Wind

DEFER = "This is a proposal: the law in force, the landowner and the managing agency decide"


def morning_cautions(wind: Wind | None, air_c: float | None = None) -> tuple[str, ...]:
    """Return what holds wherever one hunts that morning: cold air, cold water, ice, who decides."""
    return (DEFER, *_chill(wind, air_c), cold.COLD_WATER, cold.ICE)


def dark_caution(lon: float, lat: float, when: datetime | None) -> tuple[str, ...]:
    """Return that it is dark at the hour hunted, with when that day's civil twilight is."""
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

    `record` holds `gear` (`wade_m`) and `assume` (`current_mps`), as a survey or a plan does.
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
    if not cold.wadeable(deepest, wade_m=gear.wade_m, current_mps=current):
        told += "; too deep or too fast to wade"
    if unknown:
        told += f"; depth not known at {', '.join(unknown)}"
    return told


def contact_caution(hide: shapely.Point, access: gpd.GeoDataFrame | None, crs: CRS) -> str:
    """Return what to leave with someone ashore: where the hide and the way in are."""
    places = [f"hide {usng(hide, crs)}"]
    if access is not None and not access.empty:
        nearest: Any = access.geometry.iloc[int(access.distance(hide).to_numpy().argmin())]
        places.append(f"way in {usng(nearest, crs)}")
    return f"Tell someone where you go and when you are back: {', '.join(places)}"


def usng(point: shapely.Point, crs: CRS) -> str:
    """Return the US National Grid reference of a point, to the metre."""
    from mgrs import MGRS  # noqa: PLC0415 (slow to import, and only for people's eyes)

    to_degrees = Transformer.from_crs(crs, WGS84, always_xy=True)
    lon, lat = to_degrees.transform(point.x, point.y)
    return str(MGRS().toMGRS(lat, lon))


def _chill(wind: Wind | None, air_c: float | None) -> Iterator[str]:
    if wind is None:
        return
    chill = None if air_c is None else cold.wind_chill_c(air_c, wind.speed_mps)
    freezes = cold.frostbite_below_c(wind.speed_mps)
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
