"""The morning's times, counted back from the light: when to leave, to set out, to be hidden."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd

from sitegeo.plans.features import deepest_water_m
from sitegeo.siting.access import AccessParams
from sitegeo.surveys.survey import Survey
from sitegeo.units import yd

HIDDEN_MIN = 35
"""Hidden this long before sunrise: shooting commonly opens half an hour before it, and to be early
is never illegal; judgement."""

LEGAL_MIN = 5
"""Hidden this long before the start of shooting by a chosen law; judgement."""

DECOY_MIN, GROUP_MIN = 1.0, 2.0
"""To set one decoy, and to go on to the next group; judgement."""

DETOUR = 1.4
"""How much longer a way is than the straight line; judgement."""

MOST_HANDS = 3
"""More people than this set no faster; judgement."""

STEP_MIN = 5
"""Times are told in steps of so many minutes, always the earlier; practice."""

NOON = 12
"""Hour of the day; an hour asked for after it is not moved to the dawn."""


@dataclass(frozen=True)
class BoatNeeded:
    """What a boat is needed for, and the nearest mapped ramp with how far it is from the hide."""

    needed_for: tuple[str, ...]
    ramp: str | None
    ramp_m: float


def boat_needed(
    survey: Survey, row: pd.Series[Any], features: pd.DataFrame, wade_m: float
) -> BoatNeeded | None:
    """Return what of a plan needs a boat: a hide no one walks to, what is set too deep to wade.

    Parameters
    ----------
    survey
        With the layers `depth` and `access`, where there are any.
    row
        The blind.
    features
        Everything drawn.
    wade_m
        Depth a person wades to.

    Returns
    -------
    BoatNeeded
        With the nearest ramp; None where all is reached on foot.
    """
    needed = list(_afloat(survey, features, wade_m))
    if not np.isfinite(row.get("walk_m", np.nan)) and np.isfinite(row.get("paddle_m", np.nan)):
        needed.insert(0, "the hide")
    if not needed:
        return None
    access = survey.layers.get("access")
    ramps = None if access is None else access[access["kind"] == "ramp"]
    if ramps is None or ramps.empty:
        return BoatNeeded(tuple(needed), None, math.nan)
    far = ramps.distance(row.geometry)
    name = ramps.loc[far.idxmin(), "name"]
    return BoatNeeded(tuple(needed), str(name or "the ramp"), float(far.min()))


def _afloat(survey: Survey, features: pd.DataFrame, wade_m: float) -> Iterator[str]:
    for _, item in features[features["role"].isin(["group", "motion"])].iterrows():
        deepest = deepest_water_m(survey.layers.get("depth"), features, item)
        if deepest is not None and deepest > wade_m:
            yield str(item["name"]).lower()


def morning_schedule(
    light: Mapping[str, Any] | None,
    spread: Mapping[str, Any],
    route: Sequence[Mapping[str, Any]],
    *,
    party: int,
    asked: datetime | None = None,
    boat: BoatNeeded | None = None,
) -> dict[str, Any] | None:
    """Return plan.json's `times`, none without a date or a sunrise.

    Hidden by the earliest of the hour asked, `HIDDEN_MIN` before sunrise, and `LEGAL_MIN` before
    the start of shooting where a chosen law gives it; an hour of the afternoon is not moved to the
    dawn. Counted back in steps of five minutes, always the earlier; the way is from the nearest
    way in, or by water from the ramp.

    Parameters
    ----------
    light, spread, route
        Objects of plan.json.
    party
        How many people set decoys.
    asked
        The hour hunted.
    boat
        What a boat is needed for, if for anything.

    Returns
    -------
    dict
        `from`, `boat`, `steps` and `note`.
    """
    if light is None or (light["shooting_start"] or light["sunrise"]) is None:
        return None
    by, words = min(_bounds(light, asked))
    hidden = _earlier(by)
    count = sum(group["count"] for group in spread["groups"]) + len(spread["motion"])
    minutes = count * DECOY_MIN / min(max(party, 1), MOST_HANDS) + GROUP_MIN * len(spread["groups"])
    setting = _earlier(hidden - timedelta(minutes=math.ceil(minutes)))
    steps = [("set out decoys", setting), ("be hidden", hidden)]
    note = "a guess at a walk in the dark and a minute a decoy; by boat or alone allow more"
    way = _way(route, boat)
    if way is not None:
        what, minutes = way
        steps.insert(0, (what, _earlier(setting - timedelta(minutes=math.ceil(minutes)))))
    if boat is not None:
        note = "a guess at a crossing in the dark and a minute a decoy; alone allow more"
        if boat.ramp is None:
            note = "a minute a decoy; no ramp is mapped: add your own way by water"
    return {
        "from": words,
        "boat": [] if boat is None else list(boat.needed_for),
        "steps": [{"at": at.isoformat(timespec="minutes"), "what": what} for what, at in steps],
        "note": note,
    }


def _bounds(light: Mapping[str, Any], asked: datetime | None) -> Iterator[tuple[datetime, str]]:
    """Give the times to be hidden by, each with what it is counted back from."""
    if asked is not None:
        asked = asked if asked.tzinfo else asked.replace(tzinfo=UTC)
        yield asked, "the hour asked, not shooting hours"
    for start, before, words in (
        (light["sunrise"], HIDDEN_MIN, "sunrise, not shooting hours"),
        (light["shooting_start"], LEGAL_MIN, "the start of shooting"),
    ):
        moment = None if start is None else datetime.fromisoformat(start)
        if moment and (asked is None or asked.hour < NOON or moment.hour >= NOON):
            yield moment - timedelta(minutes=before), words


def _way(route: Sequence[Mapping[str, Any]], boat: BoatNeeded | None) -> tuple[str, float] | None:
    """Return where the way begins, and its minutes; None where that is not known."""
    pace = AccessParams()
    if boat is not None:
        if boat.ramp is None:
            return None
        paddle_min = boat.ramp_m * DETOUR / pace.paddle_m_per_min
        return f"launch at {boat.ramp}", pace.launch_min + paddle_min
    if not route:
        return None
    way = route[-1]
    far_m = yd(way["range_yd"]) * DETOUR
    walk_min = far_m / (pace.walk_m_per_min / pace.unseen)
    return f"leave {str(way['note']).split(';')[0] or way['name']}", walk_min


def _earlier(moment: datetime) -> datetime:
    """Return the five minutes at or before a moment."""
    return moment.replace(minute=moment.minute - moment.minute % STEP_MIN, second=0, microsecond=0)
