"""Gridded forecasts read at one place: GRIB2 through rasterio, NetCDF through xarray."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from pyproj import CRS, Transformer
from rasterio.errors import RasterioError

from sitegeo.core.grid import WGS84, convergence_deg
from sitegeo.core.typing import FloatArray
from sitegeo.core.wind import Forecast, TimedWind
from sitegeo.errors import ForecastError, MissingExtraError
from sitegeo.units import ZERO_CELSIUS_K
from sitegeo.weather.record import in_order, timed

# The elements of GRIB2 that are read, by name and level.
_ELEMENTS = {
    ("UGRD", "10-HTGL"): "u",
    ("VGRD", "10-HTGL"): "v",
    ("WIND", "10-HTGL"): "speed",
    ("WDIR", "10-HTGL"): "from",
    ("GUST", "10-HTGL"): "gust",
    ("GUST", "0-SFC"): "gust",
    ("TMP", "2-HTGL"): "temp",
}
_FLAGS_OCTET = {0: 55, 1: 55, 10: 47, 20: 47, 30: 47}
"""Where each grid template keeps its component flags (WMO Manual on Codes, FM 92 GRIB)."""
_ALONG_GRID = 0x08  # standard: the bit of those flags for components along the grid


def read_grib(path: Path, at: tuple[float, float]) -> Forecast:
    """Return the wind 10 m above the ground in the cell of a GRIB2 file that holds a place.

    Components given along the grid, as on most conformal grids, are turned to true north.

    Parameters
    ----------
    path
        The file.
    at
        Latitude and longitude.

    Raises
    ------
    ForecastError
        If it cannot be read, holds no such wind, or does not reach the place.
    """
    held: dict[int, dict[str, float]] = {}
    try:
        with rasterio.open(path) as source:
            row, col, turn = _cell(source, path, at)
            for index in range(1, source.count + 1):
                tags = source.tags(index)
                name = _ELEMENTS.get((tags.get("GRIB_ELEMENT"), tags.get("GRIB_SHORT_NAME")))
                if name is None:
                    continue
                window = ((row, row + 1), (col, col + 1))
                value = float(source.read(index, window=window)[0, 0])
                if value != source.nodatavals[index - 1] and math.isfinite(value):
                    seconds = int(tags["GRIB_VALID_TIME"].split()[0])
                    held.setdefault(seconds, {})[name] = _si(name, value, tags)
    except (RasterioError, KeyError, ValueError) as error:
        raise ForecastError(f"cannot be read as GRIB2: {error}", where=path) from None
    if not any({"u", "v"} <= set(v) or {"speed", "from"} <= set(v) for v in held.values()):
        raise ForecastError("holds no wind 10 m above the ground at this place", where=path)
    return in_order(_rows(held, turn, path), path)


def _si(name: str, value: float, tags: dict[str, str]) -> float:
    kelvin = name == "temp" and "[K]" in tags.get("GRIB_UNIT", "")
    return value - ZERO_CELSIUS_K if kelvin else value


def _cell(source: Any, path: Path, at: tuple[float, float]) -> tuple[int, int, float]:
    """Return the row and column that hold a place, and the angle from grid to true north."""
    lat, lon = at
    crs = CRS.from_user_input(source.crs)
    to_grid = Transformer.from_crs(WGS84, crs, always_xy=True)
    for around in (0, 360, -360):  # some grids count longitude from 0 to 360
        x, y = to_grid.transform(lon, lat)
        col, row = ~source.transform @ (x + (around if crs.is_geographic else 0), y)
        if 0 <= row < source.height and 0 <= col < source.width:
            break
    else:
        raise ForecastError("does not reach this place", where=path, value=at)
    turn = 0.0
    if not crs.is_geographic and _along_grid(path):
        turn = convergence_deg(crs, x, y)
    return int(row), int(col), turn


def _along_grid(path: Path) -> bool:
    """Whether a GRIB2 file says its wind components run along the grid."""
    with path.open("rb") as file:
        head = file.read(16)
        if len(head) < 16 or head[:4] != b"GRIB" or head[7] != 2:
            raise ForecastError("is not GRIB edition 2", where=path)
        while len(start := file.read(5)) == 5 and start[:4] != b"7777":
            length, section = int.from_bytes(start[:4], "big"), start[4]
            rest = file.read(length - 5)
            if section == 3:
                template = int.from_bytes(rest[7:9], "big")
                octet = _FLAGS_OCTET.get(template)
                if octet is None:
                    break
                return bool(rest[octet - 6] & _ALONG_GRID)
    raise ForecastError(
        "lies on a kind of grid on which the direction of its winds cannot be told", where=path
    )


def _rows(
    held: dict[int, dict[str, float]], turn: float, path: Path
) -> Iterator[tuple[TimedWind, str, Any]]:
    for seconds, values in sorted(held.items()):
        time = datetime.fromtimestamp(seconds, UTC)
        mean, from_deg = values.get("speed"), values.get("from")
        if {"u", "v"} <= set(values):
            mean, from_deg = polar(values["u"], values["v"], turn)
        where = f"{path} {time.isoformat()}"
        hour = timed(
            time,
            from_deg,
            mean,
            gust_mps=values.get("gust"),
            temp_c=values.get("temp"),
            where=where,
        )
        yield hour, where, time.isoformat()


def polar(u_mps: float, v_mps: float, convergence_deg: float = 0.0) -> tuple[float, float]:
    """Return speed and the true bearing a wind comes from, of its two components.

    Parameters
    ----------
    u_mps, v_mps
        Components toward the east and the north, or along the columns and rows of a grid.
    convergence_deg
        True bearing of grid north where they run along a grid.

    Returns
    -------
    speed_mps, from_deg
        Speed, and the true bearing it comes from in [0, 360).

    Examples
    --------
    >>> polar(0.0, -5.0)
    (5.0, 0.0)
    """
    grid = math.degrees(math.atan2(-u_mps, -v_mps))
    return math.hypot(u_mps, v_mps), (grid + convergence_deg) % 360.0


_STANDARD = {
    "eastward_wind": "u",
    "northward_wind": "v",
    "wind_speed": "speed",
    "wind_from_direction": "from",
    "wind_speed_of_gust": "gust",
    "air_temperature": "temp",
}
_USUAL = {"u10": "u", "v10": "v", "i10fg": "gust", "fg10": "gust", "t2m": "temp"}


def read_netcdf(path: Path, at: tuple[float, float]) -> Forecast:
    """Return the wind in the cell of a NetCDF file nearest to a place; times in it are UTC.

    Variables are known by their CF standard names, or by the names u10, v10, t2m, fg10.

    Parameters
    ----------
    path
        The file.
    at
        Latitude and longitude.

    Raises
    ------
    MissingExtraError
        If xarray is not installed.
    ForecastError
        If it cannot be read, holds no wind, or does not reach the place.
    """
    try:
        import xarray as xr  # noqa: PLC0415 (an extra)
    except ImportError:
        raise MissingExtraError(
            "reading NetCDF forecasts needs xarray",
            where=path,
            remedy="Install the extra: pip install 'sitegeo[netcdf]'",
        ) from None
    try:
        with xr.open_dataset(path) as data:
            point = _nearest(data, at, path)
            names = {
                _STANDARD.get(v.attrs.get("standard_name", ""), _USUAL.get(str(n), "")): v
                for n, v in point.data_vars.items()
            }
            names.pop("", None)
            series = {n: np.atleast_1d(_column(v, n)) for n, v in names.items()}
            clock = point["valid_time" if "valid_time" in point.coords else "time"]
            times = np.atleast_1d(clock.to_numpy()).astype("datetime64[s]").astype(int)
    except (OSError, ValueError, KeyError) as error:
        raise ForecastError(f"cannot be read as a forecast: {error}", where=path) from None
    held = {
        int(t): {n: float(c[i]) for n, c in series.items() if math.isfinite(c[i])}
        for i, t in enumerate(times)
    }
    if not any({"u", "v"} <= set(v) or {"speed", "from"} <= set(v) for v in held.values()):
        raise ForecastError("holds no wind at this place", where=path)
    return in_order(_rows(held, 0.0, path), path)


def _nearest(data: Any, at: tuple[float, float], path: Path) -> Any:
    axes = [n for n in ("latitude", "lat") if n in data.coords and data[n].ndim == 1]
    if not axes:
        raise ForecastError("has no axes of latitude and longitude", where=path)
    names = (axes[0], "longitude" if axes[0] == "latitude" else "lon")
    picked = {}
    for name, value in zip(names, at, strict=True):
        axis = data[name].to_numpy().astype(float)
        apart = np.abs((axis - value + 180) % 360 - 180)
        step = float(np.abs(np.diff(axis)).max()) if axis.size > 1 else 0.5
        if apart.min() > step:
            raise ForecastError("does not reach this place", where=path, value=at)
        picked[name] = int(apart.argmin())
    return data.isel(picked)


def _column(values: Any, name: str) -> FloatArray:
    held: FloatArray = np.asarray(values.to_numpy(), dtype=float).squeeze()
    kelvin = name == "temp" and str(values.attrs.get("units", "")).startswith("K")
    return held - ZERO_CELSIUS_K if kelvin else held
