"""Birds actually seen: they raise the blinds whose landing water or approach lies under them.

How much a sighting counts (judgement throughout): by how lately it was made, halving every two
weeks, and a third where it was the same time of year in a year before; by how many birds, half at
20; and by how near the birds' way in it lies. Several add up as chances do, and never beyond 1.
Nothing seen lowers nothing: nobody may have looked.
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

HALF_DAYS = 14.0
HALF_COUNT = 20.0
SEASONAL, SEASON_DAYS = 1 / 3, 21
UNDATED = 0.25
NEAR_M, FAR_M = 40.0, 120.0
APPROACH_M = 200.0


@dataclass(frozen=True)
class Seen:
    """What was seen over each blind; (blinds,) each.

    Parameters
    ----------
    worth
        0 to 1.
    words
        The sighting that counts most, as a person says it; None where there is none.
    """

    worth: FloatArray
    words: AnyArray


def seen(
    observations: gpd.GeoDataFrame,
    pocket: FloatArray,
    ways_in: FloatArray | None,
    *,
    on: date | None = None,
) -> Seen:
    """Return what was seen over the landing water and the way in of blinds.

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
    """
    worth = np.zeros(len(pocket))
    words = np.full(len(pocket), None, dtype=object)
    if observations.empty or not len(pocket):
        return Seen(worth, words)
    places = shapely.points(pocket) if ways_in is None else shapely.linestrings(ways_in)
    ways: AnyArray = np.asarray(places, object)
    shapes = observations.geometry.to_numpy()
    weight = weights(observations, on)
    blind, sighting = shapely.STRtree(shapes).query(ways, predicate="dwithin", distance=FAR_M)
    off = shapely.distance(ways[blind], shapes[sighting])
    counts = weight[sighting] * (1.0 - smoothstep(off, NEAR_M, FAR_M))
    missed = np.ones(len(pocket))
    np.multiply.at(missed, blind, 1.0 - counts)
    # Least first, so that the strongest is written last.
    for n in np.lexsort((sighting, counts)):
        if counts[n] > 0:
            words[blind[n]] = _told(observations.iloc[sighting[n]])
    return Seen(1.0 - missed, words)


def weights(observations: gpd.GeoDataFrame, on: date | None) -> FloatArray:
    """Return what each sighting counts, by its date and its number; 0 for one yet to come."""
    days = [None if not isinstance(d, str) else date.fromisoformat(d) for d in observations["date"]]
    known = [d for d in days if d is not None]
    today = on or max(known, default=None)
    recent = np.array([_recency(d, today) for d in days])
    number = observations["count"].to_numpy(float)
    many = np.where(np.isfinite(number), number / (number + HALF_COUNT), 1 / 3)
    return np.asarray(recent * many, float)


def _recency(day: date | None, today: date | None) -> float:
    if day is None or today is None:
        return UNDATED
    age = (today - day).days
    if age < 0:
        return 0.0
    off_year = abs((age + 182) % 365 - 182)
    seasonal = SEASONAL if age > 182 and off_year <= SEASON_DAYS else 0.0
    return float(max(0.5 ** (age / HALF_DAYS), seasonal))


def _told(row: Any) -> str:
    number = row["count"]
    birds = f"{number:.0f} birds" if np.isfinite(number) else "birds"
    day = row["date"]
    return f"{birds} seen here{f' on {day}' if isinstance(day, str) else ''}"
