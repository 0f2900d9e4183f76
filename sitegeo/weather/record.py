"""Rows of any record of winds made into one kind of value; gaps and calms are kept."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from sitegeo.core.wind import CALM_MPS, DEFAULT_SPREAD_DEG, Forecast, TimedWind, Wind
from sitegeo.errors import ForecastError, WindError


def timed(
    time: datetime,
    from_deg: float | None,
    mean_mps: float | None,
    *,
    gust_mps: float | None = None,
    spread_deg: float | None = None,
    temp_c: float | None = None,
    where: object,
) -> TimedWind:
    """Return the wind of a row, a gap where it has no speed, or blows and has no direction.

    Parameters
    ----------
    time
        With its offset from UTC.
    from_deg
        True bearing it comes from, None where not known; 360° is north.
    mean_mps
        Mean speed, None where not known.
    gust_mps
        Gust; below the mean wind, as records write for "none", it is not known.
    spread_deg
        Standard deviation of the direction; `core.wind.DEFAULT_SPREAD_DEG` where not known.
    temp_c
        Air temperature, None where not known.
    where
        File and line, for the error.

    Returns
    -------
    TimedWind
        The wind at its time.

    Raises
    ------
    ForecastError
        For values that no wind has.
    """
    if mean_mps is None or (from_deg is None and mean_mps >= CALM_MPS):
        return TimedWind(time, None, temp_c)
    try:
        wind = Wind(
            0.0 if from_deg is None or from_deg == 360 else from_deg,
            mean_mps,
            None if gust_mps is not None and 0 <= gust_mps < mean_mps else gust_mps,
            DEFAULT_SPREAD_DEG if spread_deg is None else spread_deg,
        )
    except WindError as error:
        raise ForecastError(error.what, where=where, value=error.value) from None
    return TimedWind(time, wind, temp_c)


def in_order(rows: Iterable[tuple[TimedWind, object, Any]], path: object) -> Forecast:
    """Return rows of a wind, where it stood and its time as written, as one forecast.

    Raises
    ------
    ForecastError
        If there is none, or times do not rise.
    """
    hours: list[TimedWind] = []
    for hour, where, written in rows:
        if hours and hour.time <= hours[-1].time:
            raise ForecastError("times must rise from line to line", where=where, value=written)
        hours.append(hour)
    if not hours:
        raise ForecastError("holds no rows", where=path)
    return Forecast(tuple(hours))
