"""Forecasts of weather services, and the time zone they name."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sitegeo.errors import ForecastError, GatherError
from sitegeo.gather.client import Fetcher, Request
from sitegeo.gather.sources import Service, SourceData, SourceRequest
from sitegeo.weather.services import forecast_of


def _known_zone(name: Any, where: str) -> str:
    try:
        return ZoneInfo(str(name)).key
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise GatherError("names no known time zone", where=where, value=name) from None


def _forecast(held: Any, where: str) -> Any:
    try:
        return forecast_of(held, where=where)
    except ForecastError as error:
        raise GatherError(error.what, where=error.where, value=error.value) from None


def read_nws(wanted: SourceRequest, fetcher: Fetcher) -> SourceData:
    """Return the hourly forecast and zone of the national weather service's points."""
    url = f"{wanted.source.url}/points/{wanted.area.lat:.4f},{wanted.area.lon:.4f}"
    shown = Request(url).shown
    point = fetcher.json(url)
    about = point.get("properties") if isinstance(point, dict) else None
    if not isinstance(about, dict):
        raise GatherError("says nothing of this spot", where=shown)
    found: dict[str, Any] = {"zone": _known_zone(about.get("timeZone"), shown)}
    if "forecast" in wanted.roles:
        hourly = str(about.get("forecastHourly", ""))
        if urlsplit(hourly).netloc != urlsplit(url).netloc:
            raise GatherError("keeps its forecast on another server", where=shown, value=hourly)
        found["forecast"] = _forecast(fetcher.json(hourly), Request(hourly).shown)
    return SourceData(found)


def read_open_meteo(wanted: SourceRequest, fetcher: Fetcher) -> SourceData:
    """Return the hourly forecast and zone of Open-Meteo, asked for in m/s and unix time."""
    params: dict[str, Any] = {
        "latitude": f"{wanted.area.lat:.4f}",
        "longitude": f"{wanted.area.lon:.4f}",
        "hourly": "wind_speed_10m,wind_direction_10m,wind_gusts_10m,temperature_2m",
        "wind_speed_unit": "ms",
        "timeformat": "unixtime",
        "timezone": "auto",
    }
    shown = Request(wanted.source.url).shown
    held = fetcher.json(wanted.source.url, params)
    zone = held.get("timezone") if isinstance(held, dict) else None
    found: dict[str, Any] = {"zone": _known_zone(zone, shown)}
    if "forecast" in wanted.roles:
        found["forecast"] = _forecast(held, shown)
    return SourceData(found)


NWS = Service(read_nws)
OPEN_METEO = Service(read_open_meteo)
