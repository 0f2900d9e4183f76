"""Birds actually seen: they raise the blinds whose landing water or approach lies under them.

How much a sighting counts: by how lately it was made, and less where it was the same time of year
in a year before; by how many birds; and by how near the birds' approach it lies. Several add up as
chances do, and never beyond 1. Nothing seen lowers nothing: nobody may have looked.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import shapely

from sitegeo.angles import smoothstep
from sitegeo.core.typing import AnyArray, FloatArray

_YEAR_DAYS = 365  # after which the season comes round
_HALF_YEAR_DAYS = 182  # an older sighting is of another season


@dataclass(frozen=True)
class ObservationParams:
    """How much a sighting counts; judgement throughout.

    Parameters
    ----------
    half_days
        It counts half as much each time so many days have passed.
    seasonal, season_days
        What one of a year before counts that is within so many days of this time of year.
    undated
        What one without a date counts.
    half_count, uncounted
        So many birds count half; and what one without a number counts.
    near_m, far_m
        It counts fully up to the first from the approach, and from the second on not at all.
    approach_m
        The approach is looked along this far from the middle of the pocket.
    """

    half_days: float = 14.0
    seasonal: float = 1 / 3
    season_days: int = 21
    undated: float = 0.25
    half_count: float = 20.0
    uncounted: float = 1 / 3
    near_m: float = 40.0
    far_m: float = 120.0
    approach_m: float = 200.0


@dataclass(frozen=True)
class ObservationScores:
    """What was seen over each blind; (blinds,) each.

    Parameters
    ----------
    score
        0 to 1.
    words
        The sighting that counts most, as a person says it; None where there is none.
    """

    score: FloatArray
    words: AnyArray


def score_observations(
    observations: gpd.GeoDataFrame,
    pocket: FloatArray,
    ways_in: FloatArray | None,
    *,
    on: date | None = None,
    params: ObservationParams = ObservationParams(),
) -> ObservationScores:
    """Return what was seen over the landing water and the approach of blinds.

    Parameters
    ----------
    observations
        The `observations` layer: points, lines or areas with `date` and `count`.
    pocket
        (blinds, 2) middle of each pocket, in its CRS.
    ways_in
        (blinds, n, 2) the line birds come in by to each; None in calm air, where none is claimed.
    on
        The day hunted; without it the latest sighting stands for today.
    params
        How much a sighting counts.

    Returns
    -------
    ObservationScores
        In the order of `pocket`.
    """
    score = np.zeros(len(pocket))
    words = np.full(len(pocket), None, dtype=object)
    if observations.empty or not len(pocket):
        return ObservationScores(score, words)
    places = shapely.points(pocket) if ways_in is None else shapely.linestrings(ways_in)
    ways: AnyArray = np.asarray(places, object)
    shapes = observations.geometry.to_numpy()
    weight = observation_weights(observations, on, params=params)
    tree = shapely.STRtree(shapes)
    blind, sighting = tree.query(ways, predicate="dwithin", distance=params.far_m)
    off = shapely.distance(ways[blind], shapes[sighting])
    counts = weight[sighting] * (1.0 - smoothstep(off, params.near_m, params.far_m))
    missed = np.ones(len(pocket))
    np.multiply.at(missed, blind, 1.0 - counts)
    # Least first, so that the strongest is written last.
    for n in np.lexsort((sighting, counts)):
        if counts[n] > 0:
            words[blind[n]] = _told(observations.iloc[sighting[n]])
    return ObservationScores(1.0 - missed, words)


def observation_weights(
    observations: gpd.GeoDataFrame,
    on: date | None,
    *,
    params: ObservationParams = ObservationParams(),
) -> FloatArray:
    """Return what each sighting counts, by its date and its number.

    Parameters
    ----------
    observations
        The `observations` layer.
    on
        The day hunted; None takes the latest sighting for today.
    params
        How much a sighting counts.

    Returns
    -------
    ndarray
        (observations,), 0 to 1; 0 for one yet to come.
    """
    days = [None if not isinstance(d, str) else date.fromisoformat(d) for d in observations["date"]]
    known = [d for d in days if d is not None]
    today = on or max(known, default=None)
    recent = np.array([_recency(d, today, params) for d in days])
    number = observations["count"].to_numpy(float)
    counted = number / (number + params.half_count)
    return np.asarray(recent * np.where(np.isfinite(number), counted, params.uncounted), float)


def _recency(day: date | None, today: date | None, params: ObservationParams) -> float:
    if day is None or today is None:
        return params.undated
    age = (today - day).days
    if age < 0:
        return 0.0
    off_season = abs((age + _HALF_YEAR_DAYS) % _YEAR_DAYS - _HALF_YEAR_DAYS)
    before = age > _HALF_YEAR_DAYS and off_season <= params.season_days
    return float(max(0.5 ** (age / params.half_days), params.seasonal if before else 0.0))


def _told(row: Any) -> str:
    number = row["count"]
    birds = f"{number:.0f} birds" if np.isfinite(number) else "birds"
    day = row["date"]
    return f"{birds} seen here{f' on {day}' if isinstance(day, str) else ''}"
