"""Invented weather: an hourly forecast with a front in it, and past mornings of several seasons."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from .blueprint import ZONE

HEADER = "time,from_deg,speed_mph,gust_mph,temp_f,spread_deg"
FORECAST_FROM = date(2026, 12, 4)
FORECAST_HOURS = 72
SEASONS = (2022, 2023, 2024, 2025)
MORNING_HOURS = (5, 6, 7, 8, 9)

# hour, true direction (unwrapped, so that a veer runs on past 360), mph, gust, deg F, spread
_KNOTS = np.array([
    (0, 178, 6, 9, 33, 14), (6, 184, 8, 13, 32, 12), (12, 196, 12, 19, 40, 10),
    (18, 206, 14, 23, 41, 10), (21, 222, 15, 26, 40, 16), (22, 268, 17, 31, 36, 28),
    (24, 302, 17, 29, 31, 14), (27, 312, 15, 25, 27, 9), (31, 316, 12, 19, 23, 8),
    (36, 322, 13, 20, 27, 9), (42, 334, 9, 14, 24, 11), (47, 348, 5, 7, 18, 18),
    (50, 355, 2, 3, 14, 50), (53, 362, 1, 2, 12, 90), (56, 380, 2, 3, 13, 60),
    (59, 440, 5, 7, 22, 22), (65, 462, 8, 12, 29, 14), (71, 475, 9, 14, 28, 12),
])  # fmt: skip


def forecast(seed: int) -> str:
    """Return the forecast as CSV: south wind, a front in the night, north-west, calm, then east."""
    rng = np.random.default_rng([seed, 4])
    hours = np.arange(FORECAST_HOURS)
    columns = [np.interp(hours, _KNOTS[:, 0], _KNOTS[:, k]) for k in range(1, 6)]
    columns[0] += rng.normal(0.0, 2.0, hours.size)
    start = datetime(FORECAST_FROM.year, FORECAST_FROM.month, FORECAST_FROM.day)
    times = (start + timedelta(hours=int(h)) for h in hours)
    return _csv(_row(t, *values) for t, *values in zip(times, *columns, strict=True))


def past_winds(seed: int) -> str:
    """Return the mornings of past seasons, mid-October to mid-January, as CSV."""
    rng = np.random.default_rng([seed, 5])
    return _csv(row for year in SEASONS for row in _season(rng, year))


def _season(rng: np.random.Generator, year: int) -> Iterator[str]:
    """Walk through one season's weather: lows pass every few days, the wind veering with each."""
    day, end = date(year, 10, 15), date(year + 1, 1, 15)
    phase, length = rng.uniform(0, 1), rng.uniform(3.5, 7.0)
    while day <= end:
        depth = (day - date(year, 10, 15)).days / 92
        # south-east ahead of the low, south-west near it, north-west behind, north, then light
        heading = np.interp(phase, (0, 0.2, 0.4, 0.5, 0.75, 1.0), (130, 175, 215, 295, 325, 490))
        speed = np.interp(phase, (0, 0.2, 0.45, 0.55, 0.75, 0.9, 1.0), (6, 9, 12, 14, 9, 3, 6))
        heading += rng.normal(0, 16)
        strength = max(0.0, float(speed) * rng.lognormal(0.0, 0.33))
        warm = 48 - 26 * depth + 9 * np.sin(2 * np.pi * (phase - 0.05)) + rng.normal(0, 4)
        for hour in MORNING_HOURS:
            now = datetime(day.year, day.month, day.day, hour)
            at = heading + 4.0 * (hour - 7) * (0.4 < phase < 0.55) + rng.normal(0, 5)
            mph = max(0.0, strength + 0.35 * (hour - 7) + rng.normal(0, 0.8))
            gust = mph * (1.35 + 0.12 * abs(rng.normal())) + 0.5
            spread = min(90.0, 7.0 + 45.0 * np.exp(-mph / 3.0))
            yield _row(now, at, mph, gust, warm + 0.8 * (hour - 7), spread)
        phase += 1.0 / length
        if phase >= 1.0:
            phase, length = phase - 1.0, rng.uniform(3.5, 7.0)
        day += timedelta(days=1)


def _row(when: datetime, *values: float) -> str:
    local = when.replace(tzinfo=ZoneInfo(ZONE))
    heading, mph, gust, temp, spread = values
    mph = round(mph)
    return ",".join((
        local.isoformat(timespec="minutes"), f"{round(heading) % 360}", f"{mph}",
        f"{max(mph, round(gust))}", f"{round(temp)}", f"{round(spread)}",
    ))  # fmt: skip


def _csv(rows: Iterable[str]) -> str:
    return "\n".join([HEADER, *rows]) + "\n"
