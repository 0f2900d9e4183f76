"""Forecasts as weather services answer: the national weather service's hourly JSON, Open-Meteo's.

Forms: the services' own public descriptions (api.weather.gov, open-meteo.com/en/docs); the
samples in the tests are written after them from memory.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from sitegeo.angles import COMPASS_POINTS, compass_bearing
from sitegeo.core.wind import GUST_FACTOR, Forecast, TimedWind, read_time
from sitegeo.errors import ForecastError, UsageError
from sitegeo.units import celsius_from_fahrenheit, metres_per_second
from sitegeo.weather.record import in_order, timed

_Rows = Iterator[tuple[TimedWind, str, Any]]

_SPEEDS = re.compile(r"^\s*(\d+(?:\.\d+)?)(?:\s*(?:to|-)\s*(\d+(?:\.\d+)?))?\s*([A-Za-z/]+)\s*$")
_MOST_OFFSET_S = 14 * 3600  # standard: no zone lies further from UTC
_UNIT_CODES = {"km_h-1": "km/h", "m_s-1": "m/s", "kt": "kn", "mi_h-1": "mph"}


def read_json(path: Path) -> Forecast:
    """Return the forecast in a service's answer saved to a file.

    Raises
    ------
    ForecastError
        Naming the file, the hour and the value.
    """
    try:
        held = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise ForecastError(f"cannot be read: {error.strerror}", where=path) from None
    except (UnicodeDecodeError, ValueError, RecursionError) as error:
        raise ForecastError(f"is not JSON: {error}", where=path) from None
    return forecast_of(held, where=path)


def forecast_of(held: Any, *, where: object) -> Forecast:
    """Return the forecast in a service's decoded answer; raises `ForecastError`."""
    hourly = _get(held, "hourly")
    if isinstance(_get(hourly, "time"), list):
        return in_order(_hourly_columns(held, where), where)
    periods = _get(_get(held, "properties"), "periods")
    if isinstance(periods, list):
        return in_order(_periods(periods, where), where)
    raise ForecastError(
        "is not a forecast of a service known here",
        where=where,
        remedy="Give an hourly forecast with 'properties.periods' or 'hourly.time', or a CSV",
    )


def _get(held: Any, name: str) -> Any:
    return held.get(name) if isinstance(held, Mapping) else None


def _periods(periods: list[Any], path: object) -> _Rows:
    """Rows of the national weather service's periods."""
    for number, period in enumerate(periods, 1):
        where = f"{path} period {number}"
        if not isinstance(period, Mapping):
            raise ForecastError("is not a period of a forecast", where=where, value=period)
        written = period.get("startTime")
        mean, upper = _speeds(period.get("windSpeed"), where)
        gust = _speeds(period.get("windGust"), where)[1]
        if gust is None and mean is not None and upper is not None and upper > GUST_FACTOR * mean:
            gust = upper  # the top of a range is never lost
        hour = timed(
            read_time(written if isinstance(written, str) else "", where=where),
            _direction(period.get("windDirection"), where),
            mean,
            gust_mps=gust,
            temp_c=_temperature(period, where),
            where=where,
        )
        yield hour, where, written


def _speeds(given: Any, where: str) -> tuple[float | None, float | None]:
    """Return a speed's middle and its top in m/s: text such as "5 to 10 mph", or an object."""
    if given is None or given == "":
        return None, None
    if isinstance(given, Mapping):
        low, high = given.get("minValue"), given.get("maxValue")
        value = given.get("value")
        values = [v for v in (low, value, high) if v is not None]
        if not values:
            return None, None
        unit = str(given.get("unitCode", "")).rpartition(":")[2]
        speeds = [_si(_finite(v, "a speed", where), _UNIT_CODES.get(unit, unit), where) for v in
                  values]  # fmt: skip
        middle = speeds[values.index(value)] if value is not None else sum(speeds) / len(speeds)
        return middle, max(speeds)
    match = _SPEEDS.match(str(given))
    if match is None:
        raise ForecastError("this speed cannot be read", where=where, value=given)
    low = _si(float(match[1]), match[3], where)
    high = _si(float(match[2]), match[3], where) if match[2] else low
    return (low + high) / 2, high


def _si(value: float, unit: str, where: str) -> float:
    try:
        return metres_per_second(value, unit)
    except UsageError as error:
        raise ForecastError(error.what, where=where, value=error.value) from None


def _direction(given: Any, where: str) -> float | None:
    if isinstance(given, Mapping):
        given = given.get("value")
    if given is None or given == "" or str(given).upper() == "VRB":
        return None
    if isinstance(given, str) and given.upper() in COMPASS_POINTS:
        return compass_bearing(given)
    return _finite(given, "a direction", where)


def _temperature(period: Mapping[str, Any], where: str) -> float | None:
    given: Any = period.get("temperature")
    unit = str(period.get("temperatureUnit", ""))
    if isinstance(given, Mapping):
        given, unit = given.get("value"), str(given.get("unitCode", "")).rpartition("deg")[2]
    if given is None:
        return None
    return _degrees(_finite(given, "a temperature", where), unit, where)


def _degrees(value: float, unit: str, where: str) -> float:
    letter = unit.strip("° ").upper()[:1]
    if letter not in {"C", "F"}:
        raise ForecastError("unknown unit of temperature", where=where, value=unit)
    return celsius_from_fahrenheit(value) if letter == "F" else value


def _finite(given: Any, what: str, where: str) -> float:
    try:
        value = float(given) if not isinstance(given, bool) else math.nan
    except (TypeError, ValueError):
        value = math.nan
    if not math.isfinite(value):
        raise ForecastError(f"{what} is not a number", where=where, value=given)
    return value


def _hourly_columns(held: Mapping[str, Any], path: object) -> _Rows:
    """Rows of Open-Meteo's columns: its times are local to an offset it states once."""
    hourly: Mapping[str, Any] = held["hourly"]
    units: Mapping[str, Any] = _get(held, "hourly_units") or {}
    times: list[Any] = hourly["time"]
    zone = _offset(held, units, path)
    for name in ("wind_speed_10m", "wind_direction_10m"):
        if not isinstance(hourly.get(name), list):
            raise ForecastError(f"its hours have no '{name}'", where=path)
    columns = {name: c for name, c in hourly.items() if isinstance(c, list)}
    if any(len(c) != len(times) for c in columns.values()):
        raise ForecastError("its columns are not of one length", where=path)

    def at(name: str, i: int, where: str) -> float | None:
        value = columns.get(name, [None] * len(times))[i]
        return None if value is None else _finite(value, name, where)

    def speed(name: str, i: int, where: str) -> float | None:
        value = at(name, i, where)
        return None if value is None else _si(value, str(units.get(name, "")), where)

    for i, written in enumerate(times):
        where = f"{path} hour {i + 1}"
        temperature = at("temperature_2m", i, where)
        hour = timed(
            _moment(written, zone, where),
            at("wind_direction_10m", i, where),
            speed("wind_speed_10m", i, where),
            gust_mps=speed("wind_gusts_10m", i, where),
            temp_c=None
            if temperature is None
            else _degrees(temperature, str(units.get("temperature_2m", "")), where),
            where=where,
        )
        yield hour, where, written


def _offset(held: Mapping[str, Any], units: Any, path: object) -> timezone:
    if _get(units, "time") == "unixtime":
        return UTC
    seconds = held.get("utc_offset_seconds")
    if not isinstance(seconds, int) or isinstance(seconds, bool) or abs(seconds) > _MOST_OFFSET_S:
        raise ForecastError(
            "its times have no offset from UTC, and no 'utc_offset_seconds' tells it",
            where=path,
            value=seconds,
        )
    return timezone(timedelta(seconds=seconds))


def _moment(written: Any, zone: timezone, where: str) -> datetime:
    try:
        if isinstance(written, int):
            return datetime.fromtimestamp(written, UTC)
        moment = datetime.fromisoformat(written)
    except (TypeError, ValueError, OverflowError, OSError):
        raise ForecastError("this is not a time", where=where, value=written) from None
    return moment if moment.tzinfo else moment.replace(tzinfo=zone)
