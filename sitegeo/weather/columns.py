"""Winds in columns: our own CSV, and the observations of airport stations (METAR, ASOS)."""

from __future__ import annotations

import csv
import itertools
import math
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sitegeo.core.wind import CALM_MPS, Forecast, TimedWind, read_time
from sitegeo.errors import ForecastError
from sitegeo.units import celsius_from_fahrenheit, metres_per_second
from sitegeo.weather.record import in_order, timed

_Row = dict[str, str | None]

# How station records write "no value".
_MISSING = frozenset({"", "m", "null", "none", "nan"})
_STATION_TIME = re.compile(r"valid\s*(?:\((?P<zone>[^)]+)\))?$", re.IGNORECASE)
_STATED_ZONE = re.compile(r"#\s*DEBUG:\s*Time Zone\s*->\s*(?P<zone>\S+)")
_ZULU = re.compile(r"\b\d{2}(?P<hour>\d{2})(?P<minute>\d{2})Z\b")


def read_csv(path: Path) -> Forecast:
    """Return the winds of a CSV, ours or a weather station's.

    Ours has the header ``time, from_deg, speed_mps`` (or ``speed_mph``) and may have ``gust_mps``
    or ``gust_mph``, ``temp_c`` or ``temp_f``, ``spread_deg``; times are ISO 8601 with an offset.
    A station's has ``valid, drct, sknt`` and may have ``gust`` (knots), ``tmpf``, ``metar``.
    A row without a speed, or with a wind that blows and no direction, is a gap.

    Raises
    ------
    ForecastError
        Naming the file, the line and the value.
    """
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines(keepends=True)
        notes = list(itertools.takewhile(lambda line: line.startswith("#"), lines))
        rows = csv.DictReader(lines[len(notes) :], skipinitialspace=True)
        names = [name.strip() for name in rows.fieldnames or ()]
        rows.fieldnames = names
        if {"drct", "sknt"} <= set(names):
            return in_order(_station_rows(rows, names, notes, path), path)
        _require_header(names, path)
        return in_order(_our_rows(rows, path, len(notes)), path)
    except OSError as error:
        raise ForecastError(f"cannot be read: {error.strerror}", where=path) from None
    except (UnicodeDecodeError, csv.Error) as error:
        raise ForecastError(f"is not CSV in UTF-8: {error}", where=path) from None


def _require_header(names: list[str], path: Path) -> None:
    if not {"time", "from_deg"} <= set(names) or not {"speed_mps", "speed_mph"} & set(names):
        raise ForecastError(
            "the header must name time, from_deg and speed_mps or speed_mph",
            where=path,
            value=names,
            remedy="Write the names in the first line, with commas between them",
        )


def _our_rows(
    rows: csv.DictReader[str], path: Path, above: int
) -> Iterator[tuple[TimedWind, str, str | None]]:
    for row in rows:
        where = f"{path} line {rows.line_num + above}"
        if None in row:
            raise ForecastError("has more values than the header has names", where=where)

        hour = timed(
            read_time((row.get("time") or "").strip(), where=where),
            _number(row, "from_deg", where),
            _either(row, "speed_mps", "speed_mph", where),
            gust_mps=_either(row, "gust_mps", "gust_mph", where),
            spread_deg=_number(row, "spread_deg", where),
            temp_c=_either(row, "temp_c", "temp_f", where),
            where=where,
        )
        yield hour, where, row["time"]


def _either(row: _Row, si: str, other: str, where: str) -> float | None:
    """The value of the column in SI, else of the one in mph or °F."""
    value, foreign = _number(row, si, where), _number(row, other, where)
    if value is not None or foreign is None:
        return value
    return (
        celsius_from_fahrenheit(foreign)
        if other.endswith("_f")
        else metres_per_second(foreign, "mph")
    )


def _number(
    row: _Row, name: str, where: str, *, missing: frozenset[str] = frozenset({""})
) -> float | None:
    text = (row.get(name) or "").strip()
    if text.lower() in missing:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ForecastError(f"{name} is not a number", where=where, value=text)
    return value


def _station_rows(
    rows: csv.DictReader[str], names: list[str], notes: list[str], path: Path
) -> Iterator[tuple[TimedWind, str, str | None]]:
    column = next((n for n in names if _STATION_TIME.match(n)), None)
    if column is None:
        raise ForecastError("the header must name valid, the time of observation", where=path)
    zone, above = _stated_zone(column, notes, path), len(notes)
    stations: set[str] = set()
    last: tuple[TimedWind, str, str | None] | None = None
    for row in rows:
        where = f"{path} line {rows.line_num + above}"
        stations.add((row.get("station") or "").strip())
        if len(stations) > 1:
            raise ForecastError(
                "holds several stations",
                where=where,
                value=sorted(stations),
                remedy="Keep the lines of one station",
            )
        found = (_station_hour(row, column, zone, where), where, row.get(column))
        # A corrected report repeats its time: the later line stands.
        if last is not None and last[0].time != found[0].time:
            yield last
        last = found
    if last is not None:
        yield last


def _station_hour(row: _Row, column: str, zone: ZoneInfo | None, where: str) -> TimedWind:
    def knots(name: str) -> float | None:
        value = _number(row, name, where, missing=_MISSING)
        return None if value is None else metres_per_second(value, "kn")

    mean, from_deg = knots("sknt"), _number(row, "drct", where, missing=_MISSING)
    if from_deg == 0 and mean is not None and mean >= CALM_MPS:
        from_deg = None  # reports write north as 360; 000 stands beside calm alone
    temp_f = _number(row, "tmpf", where, missing=_MISSING)
    return timed(
        _station_time(row, column, zone, where),
        from_deg,
        mean,
        gust_mps=knots("gust"),
        temp_c=None if temp_f is None else celsius_from_fahrenheit(temp_f),
        where=where,
    )


def _stated_zone(column: str, notes: list[str], path: Path) -> ZoneInfo | None:
    """Return the zone of a station's times, None where only the report itself can tell."""
    match = _STATION_TIME.match(column)
    named = match["zone"] if match else None
    for note in notes:
        found = _STATED_ZONE.match(note)
        named = named or (found["zone"] if found else None)
    if named is None:
        return None
    try:
        return ZoneInfo("UTC" if named.upper() in {"UTC", "GMT", "Z"} else named)
    except (ZoneInfoNotFoundError, ValueError):
        raise ForecastError("no such time zone", where=path, value=named) from None


def _station_time(row: _Row, column: str, zone: ZoneInfo | None, where: str) -> datetime:
    text = (row.get(column) or "").strip()
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ForecastError("this is not a time", where=where, value=text) from None
    if moment.tzinfo is not None:
        return moment
    if zone is not None:
        return moment.replace(tzinfo=zone)
    # The report's own text is in UTC: where it agrees, the column is too.
    report = _ZULU.search(row.get("metar") or "")
    if report and (int(report["hour"]), int(report["minute"])) == (moment.hour, moment.minute):
        return moment.replace(tzinfo=UTC)
    raise ForecastError(
        "nothing tells the zone of this time",
        where=where,
        value=text,
        remedy="Call the column 'valid(UTC)' if it is in UTC, or 'valid(America/Chicago)' if not",
    )
