"""Forecasts and past winds on disk: whichever of the known forms a file has."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from sitegeo.core.wind import Forecast
from sitegeo.errors import ForecastError
from sitegeo.weather import columns, grids, services

_BEGINNING = 64  # bytes, enough to know a file by
_JSON = (b"{", b"[")
_NETCDF = (b"CDF\x01", b"CDF\x02", b"CDF\x05", b"\x89HDF")


def read_winds(path: str | Path, *, at: tuple[float, float] | None = None) -> Forecast:
    """Return the winds of a file: a forecast, or past mornings.

    The form is known by the file's beginning: our CSV (``time, from_deg, speed_mps``), a weather
    station's CSV (``valid, drct, sknt``), the hourly JSON of the national weather service or of
    Open-Meteo, GRIB2, or NetCDF (with xarray installed).

    Parameters
    ----------
    path
        The file.
    at
        Latitude and longitude; gridded forecasts need it and take the nearest cell.

    Returns
    -------
    Forecast
        Winds in the order of their times; gaps and calms are kept.

    Raises
    ------
    ForecastError
        Naming the file, the line and the value.
    MissingExtraError
        For NetCDF where xarray is not installed.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            start = file.read(_BEGINNING).removeprefix(b"\xef\xbb\xbf").lstrip()
    except OSError as error:
        raise ForecastError(f"cannot be read: {error.strerror}", where=path) from None
    if start.startswith(_JSON):
        return services.read_json(path)
    if start.startswith(b"GRIB") or start.startswith(_NETCDF):
        if at is None:
            raise ForecastError("a gridded forecast needs a place to read it at", where=path)
        read = grids.read_grib if start.startswith(b"GRIB") else grids.read_netcdf
        return read(path, at)
    return columns.read_csv(path)


def winds_csv(forecast: Forecast, *, credit: str = "") -> str:
    """Return a forecast as our CSV, its credit as a comment; a gap has a time and no wind."""
    text = io.StringIO()
    if credit:
        text.write(f"# {' '.join(credit.split())}\n")
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(["time", "from_deg", "speed_mps", "gust_mps", "temp_c", "spread_deg"])
    for hour in forecast.hours:
        wind = hour.wind
        values = (
            (None, None, None, hour.temp_c, None)
            if wind is None
            else (wind.from_deg, wind.speed_mps, wind.gust_mps, hour.temp_c, wind.spread_deg)
        )
        cells = ["" if v is None else f"{round(v, 3):g}" for v in values]
        rows.writerow([hour.time.isoformat(), *cells])
    return text.getvalue()
