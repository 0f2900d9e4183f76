"""The best blind for each hour of a forecast, and whether that choice holds.

The forecast and the survey are both uncertain. Each draw is one way the morning may turn out: the
wind veered and stronger or weaker than forecast, the trees taller or shorter, every bank's edge a
little off. One draw serves all hours and all blinds (common random numbers), so that blinds and
hours are compared under the same luck. Seeded by the ids of the blinds: same input, same answer.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from sitegeo.core.contracts import Cover
from sitegeo.core.models import from_record
from sitegeo.core.typing import AnyArray, FloatArray
from sitegeo.core.wind import Forecast, TimedWind, Wind
from sitegeo.errors import ForecastError, UsageError
from sitegeo.law.daylight import is_dark
from sitegeo.law.rules import Law
from sitegeo.places.config import Assume
from sitegeo.rankings.many_winds import (
    MORNING_HOURS,
    Scores,
    ScoreTables,
    score_tables_by_hour,
    wind_state,
)
from sitegeo.rankings.ranking import BlindsUnderLaw, blinds_under_law
from sitegeo.rankings.record import judged_blind_rows, plain_rows, rejected_rows
from sitegeo.rankings.spread_site import spread_site, why_refused
from sitegeo.siting.explain import why
from sitegeo.spreads.frame import POCKET_M
from sitegeo.surveys.morning import gear_carried
from sitegeo.surveys.survey import Survey

HOURS_SCHEMA = "sitegeo/hours/1"

SPEED_SHARE = 0.25
"""Standard deviation of a forecast's speed, as a share of it; judgement."""

EDGE_M = 2.0
"""Error of a bank's edge where PLACE.toml gives none for the water; judgement."""

LEAST_FACTOR = 0.25
"""A draw takes trees for no lower, and no nearer, than this share of what was measured;
judgement."""

AS_GOOD = 0.03
"""A score this much below the best is as good: the tables themselves are no finer; judgement."""

SPREADS_TRIED_AN_HOUR = 8
"""Spreads laid on the water for an hour before the best blind is named all the same; judgement."""

NO_WIND = "no wind: direction not predictable"
_GAP = "no wind in the forecast"


@dataclass(frozen=True)
class Hours:
    """What `hours` found.

    Parameters
    ----------
    table
        One row an hour: `time`, `dark` (no civil twilight in all that hour), `state` (wind, calm,
        gap), the wind's `from_deg`, `speed_mps`, `gust_mps`, `spread_deg`; the best `blind` with
        its `score`, `layout`, `wind_side`, `phi_deg` and `why`; `chance`, the share of draws in
        which no blind beats it by more than `AS_GOOD`; `second`, the blind that does so most
        often, or None. Blind columns are empty in a gap; in a calm no chance is claimed.
    steady
        One row a window: `start`, `end`, `hours` counted, the `blind` with the best mean score,
        its `score`, and `chance` over the whole window.
    scores
        One row an hour with a wind and a blind: `time`, `id`, `score` for the wind as forecast,
        `mean` and `spread` (standard deviation) over the draws, `chance` that it is as good as
        the best.
    judged
        The blinds that may be hunted, those ruled out, and the verdicts on both.
    """

    table: pd.DataFrame
    steady: pd.DataFrame
    scores: pd.DataFrame
    judged: BlindsUnderLaw
    draws: int

    @property
    def law(self) -> Law:
        """The law the setbacks were judged by."""
        return self.judged.law


@dataclass(frozen=True)
class MorningDraws:
    """Ways a morning may turn out, in standard deviations but for `taller`.

    Parameters
    ----------
    turn, speed
        (draws,).
    taller
        (draws, blinds) factor on the trees' height ÷ distance.
    """

    turn: FloatArray
    speed: FloatArray
    taller: FloatArray

    def winds(self, wind: Wind) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return direction, speed and spread of a forecast wind in each draw."""
        from_deg = (wind.from_deg + wind.spread_deg * self.turn) % 360.0
        speed = wind.speed_mps * np.clip(1.0 + SPEED_SHARE * self.speed, 0.0, None)
        return from_deg, speed, np.full(len(speed), wind.spread_deg)


def draw_mornings(survey: Survey, judged: BlindsUnderLaw, *, draws: int) -> MorningDraws:
    """Return seeded draws of what the forecast and the survey leave open.

    One error of tree height for all trees (that of the median tree, against its height), since a
    photo or a guess errs everywhere alike; one error of the edge for each blind
    (``position_error_m`` of water, else `EDGE_M`). The edge counts as a shift of the shelter's
    distance: the pocket lies that much nearer the trees or farther from them, which overstates it
    for trees on a far bank.

    Parameters
    ----------
    survey
        Of the place.
    judged
        The blinds that may be hunted; their ids are the seed.
    draws
        How many.

    Returns
    -------
    MorningDraws
        The same for the same blinds.
    """
    ids = judged.blinds["id"].tolist()
    rng = np.random.default_rng(zlib.crc32("\n".join(ids).encode()))
    turn, speed, trees = rng.standard_normal((3, draws))
    edges = rng.standard_normal((draws, len(ids)))
    assume = from_record(survey.record["assume"], Assume)
    tall, doubt = _median_tree_m(survey, assume)
    edge_m = assume.position_error_m.get("water", EDGE_M)
    height = np.clip(1.0 + doubt / tall * trees, LEAST_FACTOR, None)
    distance = np.clip(1.0 + edge_m / POCKET_M * edges, LEAST_FACTOR, None)
    return MorningDraws(turn, speed, height[:, None] / distance)


def _median_tree_m(survey: Survey, assume: Assume) -> tuple[float, float]:
    """Return the height of the median tree and its error, as assumed where there is none."""
    heights = survey.layers["canopy_height"].values
    trees = (survey.layers["cover"].band("class") == Cover.TREE) & (heights > 0)
    if not trees.any():
        return max(assume.canopy_height_m, 1.0), assume.canopy_height_error_m
    errors = survey.layers["canopy_error"].values[trees]
    return float(np.median(heights[trees])), float(np.median(errors))


def hours(
    survey: Survey,
    forecast: Forecast,
    *,
    start: datetime | None = None,
    end: datetime | None = None,
    draws: int = 200,
    law: Law | None = None,
) -> Hours:
    """Return the best blind for each hour of a forecast, and the chance that the choice holds.

    Parameters
    ----------
    survey
        Of the place.
    forecast
        Winds by the hour; gaps are kept and claim nothing.
    start, end
        First and last time looked at, with an offset; by default the whole forecast. With either
        given one steady choice is named for the window, else one for each date's `MORNING_HOURS`.
    draws
        Ways the morning may turn out; 0 for the winds as forecast alone.
    law
        By default the law recorded in the survey.

    Returns
    -------
    Hours
        By the hour, and steady choices.

    Raises
    ------
    UsageError
        `draws` is negative, or no blind may be hunted.
    ForecastError
        No hour of the forecast lies in the window.
    """
    if draws < 0:
        raise UsageError("the number of draws cannot be negative", value=draws)
    within = [
        h
        for h in forecast.hours
        if (start is None or h.time >= start) and (end is None or h.time <= end)
    ]
    if not within:
        raise ForecastError(
            "has no hour in this window",
            value=f"{start} to {end}",
            remedy=f"It runs from {forecast.hours[0].time} to {forecast.hours[-1].time}",
        )
    days = {h.time.date() for h in within}
    # Over several days a blind that is closed on any of them is left out.
    judged = blinds_under_law(survey, law=law, on=days.pop() if len(days) == 1 else None)
    tables = score_tables_by_hour(survey, judged, within)
    luck = draw_mornings(survey, judged, draws=draws)
    names = judged.blinds["id"].to_numpy()
    rows, scored, clouds = [], [], {}
    for number, (hour, many) in enumerate(zip(within, tables, strict=True)):
        row, cloud, nominal = _hour(survey, hour, many, luck)
        rows.append(row)
        if cloud is not None and nominal is not None:
            clouds[number] = cloud
            scored.append(_by_blind(hour, names, nominal, cloud))
    windows = list(_windows(within, one=start is not None or end is not None))
    steady = [_steady(within, window, clouds, names) for window in windows]
    return Hours(
        pd.DataFrame(rows),
        pd.DataFrame([s for s in steady if s], columns=_STEADY),
        pd.concat(scored, ignore_index=True) if scored else pd.DataFrame(columns=_SCORED),
        judged,
        draws,
    )


_CHOICE = ("blind", "score", "layout", "wind_side", "phi_deg", "chance", "second")
_STEADY = ["start", "end", "hours", "blind", "score", "chance"]
_SCORED = ["time", "id", "score", "mean", "spread", "chance"]


def _hour(
    survey: Survey, hour: TimedWind, many: ScoreTables, luck: MorningDraws
) -> tuple[dict[str, Any], FloatArray | None, FloatArray | None]:
    """Return the row of an hour, and (draws, blinds) and (blinds,) scores where there is a wind."""
    wind = hour.wind
    row: dict[str, Any] = {
        "time": hour.time,
        "dark": _is_dark_throughout(survey, hour.time),
        "state": wind_state(wind),
        "from_deg": np.nan if wind is None else wind.from_deg,
        "speed_mps": np.nan if wind is None else wind.speed_mps,
        "gust_mps": np.nan if wind is None or wind.gust_mps is None else wind.gust_mps,
        "spread_deg": np.nan if wind is None else wind.spread_deg,
        **dict.fromkeys(_CHOICE),
        "why": _GAP if wind is None else NO_WIND,
    }
    if wind is None:
        return row, None, None
    as_forecast = (np.array([v]) for v in (wind.from_deg, wind.speed_mps, wind.spread_deg))
    light = many.in_light(wind, hour.time, survey.grid)
    plain = many.scores(*as_forecast, light=light)
    nominal = plain.score[0].copy()
    best, told, refused = _first_laid(survey, many, plain, wind)
    names = many.blinds["id"].to_numpy()
    row |= {"blind": names[best], "score": float(nominal[best])}
    row |= {"layout": told["layout"], "wind_side": told["wind_side"]}
    row["phi_deg"] = float(told["phi_deg"])
    if wind.calm:
        return row, None, None
    cloud = nominal[None].copy()
    if len(luck.turn):
        cloud = many.scores(*luck.winds(wind), taller=luck.taller, light=light).score.copy()
    nominal[refused] = cloud[:, refused] = 0.0
    beaten = cloud.max(axis=1) - cloud[:, best] > AS_GOOD
    rival = np.bincount(cloud[beaten].argmax(axis=1), minlength=len(names))
    row |= {
        "why": why(dict(told), wind),
        "chance": float(1.0 - beaten.mean()) if len(luck.turn) else np.nan,
        "second": names[rival.argmax()] if beaten.any() else None,
    }
    return row, cloud, nominal


def _is_dark_throughout(survey: Survey, start: datetime) -> bool:
    """Return whether no civil twilight falls within the hour that starts then."""
    lat, lon = survey.grid.centre_latlon
    return all(is_dark(lon, lat, start + timedelta(minutes=m)) for m in (0, 30, 60))


def _first_laid(
    survey: Survey, many: ScoreTables, scores: Scores, wind: Wind
) -> tuple[int, pd.Series[Any], list[int]]:
    """Return the best blind on which a spread can be laid, its row, and those refused before it.

    Where no spread can be laid on any of those tried the best one stands, as the plan will
    say why.
    """
    gear, refused = gear_carried(survey), list[int]()
    order = np.argsort(-scores.score[0], kind="stable")[:SPREADS_TRIED_AN_HOUR].tolist()
    for blind in order:
        row = many.row(scores, wind, blind)
        if why_refused(survey, row, spread_site(survey, row, gear)) is None:
            return blind, row, refused
        refused.append(blind)
    return order[0], many.row(scores, wind, order[0]), []


def _by_blind(
    hour: TimedWind, names: AnyArray, nominal: FloatArray, cloud: FloatArray
) -> pd.DataFrame:
    as_good = cloud >= cloud.max(axis=1, keepdims=True) - AS_GOOD
    return pd.DataFrame(
        {
            "time": hour.time,
            "id": names,
            "score": nominal,
            "mean": cloud.mean(axis=0),
            "spread": cloud.std(axis=0),
            "chance": as_good.mean(axis=0),
        }
    )


def _windows(record: list[TimedWind], *, one: bool) -> Iterator[list[int]]:
    """Yield the numbers of the hours of each window."""
    if one:
        yield list(range(len(record)))
        return
    dates = sorted({h.time.date() for h in record})
    for date in dates:
        window = [
            n
            for n, h in enumerate(record)
            if h.time.date() == date and h.time.hour in MORNING_HOURS
        ]
        if window:
            yield window


def _steady(
    record: list[TimedWind], window: list[int], clouds: dict[int, FloatArray], names: AnyArray
) -> dict[str, Any] | None:
    """Return the blind with the best mean over a window's hours with a wind; None without any."""
    held = [clouds[n] for n in window if n in clouds]
    if not held:
        return None
    over = np.mean(held, axis=0)
    best = int(over.mean(axis=0).argmax())
    holds = over.max(axis=1) - over[:, best] <= AS_GOOD
    return {
        "start": record[window[0]].time,
        "end": record[window[-1]].time,
        "hours": len(held),
        "blind": names[best],
        "score": float(over[:, best].mean()),
        "chance": float(holds.mean()) if len(holds) > 1 else np.nan,
    }


def hours_record(found: Hours) -> dict[str, Any]:
    """Return the object that `sitegeo hours --json` prints."""
    return {
        "schema": HOURS_SCHEMA,
        "draws": found.draws,
        "as_good_within": AS_GOOD,
        "law": {"name": found.law.title, "chosen": found.law.chosen},
        "hours": plain_rows(found.table),
        "steady": plain_rows(found.steady),
        "blinds": judged_blind_rows(found.judged),
        "rejected": rejected_rows(found.judged),
    }
