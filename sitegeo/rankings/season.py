"""How blinds would have done on past mornings, and which few together cover the most of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from sitegeo.core.typing import AnyArray, BoolArray, FloatArray
from sitegeo.core.wind import Forecast, TimedWind
from sitegeo.errors import ForecastError, UsageError
from sitegeo.law.rules import Law
from sitegeo.rankings.many_winds import MORNING_HOURS, ScoreTables, score_tables_by_hour, wind_state
from sitegeo.rankings.ranking import BlindsUnderLaw, blinds_under_law
from sitegeo.rankings.record import judged_blind_rows, plain_rows, rejected_rows
from sitegeo.siting.candidates import ALL_ROUND_KINDS
from sitegeo.siting.curves import UNKNOWN_SCORE
from sitegeo.siting.explain import grade
from sitegeo.siting.score import combine_components
from sitegeo.surveys.survey import Survey

SEASON_SCHEMA = "sitegeo/season/1"


WORKS_SHARE = 0.9
"""A blind works on a morning if its score is at least this share of the best blind's; judgement."""

_SCORE_SHARE = 0.1
"""How much the mean score counts beside the mornings covered, among teams equal else; judgement."""

JUDGED = ("wind", "ripple", "room", "spread", "hide")
"""Components of which none may be poor on a morning that a blind works: what the birds meet;
judgement."""


@dataclass(frozen=True)
class Season:
    """What `season` found.

    Parameters
    ----------
    table
        One row a place, best first: `id` (of the position where it is one to go round, else of
        the blind), `kind`, `share` of mornings on which it works, `mornings` that many, `best` on
        which it scores highest, `score` the mean of its best side's, and `sides`, the blinds of
        it that are its best on the mornings it works, most often first.
    teams
        One row for one, two and three places that together cover the most mornings: `size`,
        `places`, `share`, `mornings`, and `adds`, the mornings each covers that those before it
        do not, largest first.
    mornings
        One row a date of the record: `date`, `hours` with a wind, `best` blind, `score`, `works`
        (the places that do). Dates without a usable hour have 0 hours and `why`: calm or gap.
    works
        Mornings × places, True where one works; rows by date, columns by id.
    judged
        The blinds that may be hunted, those ruled out, and the verdicts on both.
    """

    table: pd.DataFrame
    teams: pd.DataFrame
    mornings: pd.DataFrame
    works: pd.DataFrame
    judged: BlindsUnderLaw

    @property
    def law(self) -> Law:
        """The law the setbacks were judged by."""
        return self.judged.law


def season(
    survey: Survey, winds: Forecast, *, hours: Sequence[int] = MORNING_HOURS, law: Law | None = None
) -> Season:
    """Return the share of past mornings on which each blind works, and the best pair and trio.

    A morning is a date with at least one hour, of those asked for, that has a wind; calm hours
    and gaps do not count. A blind works on it if its mean score is at least `WORKS_SHARE` of the
    best blind's and the mean of none of the `JUDGED` components is poor.

    Parameters
    ----------
    survey
        Of the place.
    winds
        A record of past winds by the hour.
    hours
        Hours of the day, 0 to 23, by the record's own clock.
    law
        By default the law recorded in the survey.

    Returns
    -------
    Season
        Places by their share of mornings, and the few that together cover the most.

    Raises
    ------
    UsageError
        No hours are asked for, or no blind may be hunted.
    ForecastError
        The record has no morning with a wind.
    """
    found = score_mornings(survey, winds, hours=hours, law=law)
    by_blind = found.works(found.mean.max(axis=1))
    names, of = np.unique(place_ids(found.judged), return_inverse=True)
    works = np.stack([by_blind[:, of == n].any(axis=1) for n in range(len(names))], axis=1)
    score = np.array([found.mean[:, of == n].max(axis=1).mean() for n in range(len(names))])
    return Season(
        _by_place(found, works, names, of),
        _teams(works, names, score),
        _mornings(found, works, names),
        pd.DataFrame(works, index=pd.Index(found.dates, name="date"), columns=names),
        found.judged,
    )


def place_ids(judged: BlindsUnderLaw) -> AnyArray:
    """Return the id of the place of each blind: a position hunted all round, or the blind."""
    blinds = judged.blinds
    place = blinds["position_id"].where(blinds["kind"].isin(ALL_ROUND_KINDS), blinds["id"])
    return place.to_numpy(str)


@dataclass(frozen=True)
class ScoredMornings:
    """Blinds scored on past mornings, before they are compared with the best one.

    Parameters
    ----------
    record
        The hours asked for.
    dates
        Of the mornings with a wind.
    mean, fair
        (mornings, blinds) mean score, and whether none of the `JUDGED` components is poor.
    """

    record: list[TimedWind]
    dates: AnyArray
    mean: FloatArray
    fair: BoolArray
    judged: BlindsUnderLaw

    def works(self, best: FloatArray) -> BoolArray:
        """Return (mornings, blinds) where one works, `best` being each morning's best score."""
        return np.asarray(self.fair & (self.mean >= WORKS_SHARE * best[:, None]), np.bool_)


def score_mornings(
    survey: Survey, winds: Forecast, *, hours: Sequence[int] = MORNING_HOURS, law: Law | None = None
) -> ScoredMornings:
    """Return every blind's mean score on every morning.

    Parameters
    ----------
    survey, winds, hours, law
        As `season` takes them; it raises the same errors.

    Returns
    -------
    ScoredMornings
        Before the blinds are compared with the best one.
    """
    wanted = set(hours)
    if not wanted or not wanted <= set(range(24)):
        raise UsageError("hours of a morning lie in 0 to 23", value=sorted(wanted))
    record = [h for h in winds.hours if h.time.hour in wanted]
    windy = [h for h in record if wind_state(h.wind) == "wind"]
    if not windy:
        raise ForecastError(
            "has no hour with a wind among those asked for",
            value=f"{min(wanted)}-{max(wanted)} o'clock",
            remedy="Give other --hours, or a record of more mornings",
        )
    judged = blinds_under_law(survey, law=law)
    score, parts = _scores(windy, score_tables_by_hour(survey, judged, windy))
    dates, morning = np.unique([h.time.date() for h in windy], return_inverse=True)
    mean = _mean_by(morning, score, len(dates))
    fair = np.logical_and.reduce([_fair(_mean_by(morning, p, len(dates))) for p in parts])
    return ScoredMornings(record, dates, mean, fair, judged)


def _scores(
    windy: list[TimedWind], tables: list[ScoreTables]
) -> tuple[FloatArray, list[FloatArray]]:
    """Return the scores, and each component of `JUDGED`, of all hours: (hours, blinds).

    In timber people make the ripple, which tells one morning from another no more than a layer
    that is missing does: there it counts as not known.
    """
    shape = (len(windy), len(tables[0].blinds))
    score, parts = np.empty(shape), [np.empty(shape) for _ in JUDGED]
    blowing = np.array(
        [(w.from_deg, w.speed_mps, w.spread_deg) for h in windy if (w := h.wind) is not None]
    )
    by_hand = tables[0].blinds["kind"].to_numpy() == "timber opening"
    for many in {id(t): t for t in tables}.values():
        own = np.array([t is many for t in tables])
        found = many.scores(*blowing[own].T).parts
        held = {**found, "ripple": np.where(by_hand, UNKNOWN_SCORE, found["ripple"])}
        score[own] = combine_components(held)
        for part, name in zip(parts, JUDGED, strict=True):
            part[own] = held[name]
    return score, parts


def _mean_by(morning: NDArray[np.intp], values: FloatArray, count: int) -> FloatArray:
    """Return the mean over the hours of each morning."""
    total = np.zeros((count, values.shape[1]))
    np.add.at(total, morning, values)
    return np.asarray(total / np.bincount(morning, minlength=count)[:, None], float)


def _fair(values: FloatArray) -> BoolArray:
    told = [grade(value) != "poor" for value in values.ravel().tolist()]
    return np.array(told, dtype=np.bool_).reshape(values.shape)


def _by_place(
    found: ScoredMornings, works: BoolArray, names: AnyArray, of: NDArray[np.intp]
) -> pd.DataFrame:
    """Return the table of `Season`; `of` is the place of each blind, as an index into `names`."""
    blinds, mean = found.judged.blinds, found.mean
    best = np.bincount(of[mean.argmax(axis=1)], minlength=len(names))
    rows = []
    for n, name in enumerate(names):
        own = np.flatnonzero(of == n)
        side = own[mean[:, own].argmax(axis=1)]
        used = np.bincount(side[works[:, n]], minlength=len(of))
        sides = sorted(np.flatnonzero(used).tolist(), key=lambda blind: -used[blind])
        rows.append(
            {
                "id": str(name),
                "kind": blinds["kind"].iloc[own[0]],
                "share": works[:, n].mean(),
                "mornings": int(works[:, n].sum()),
                "best": int(best[n]),
                "score": mean[:, own].max(axis=1).mean(),
                "sides": blinds["id"].iloc[sides].tolist(),
            }
        )
    order = ["share", "score", "id"]
    table = pd.DataFrame(rows)
    return table.sort_values(order, ascending=[False, False, True], ignore_index=True)


def _teams(works: BoolArray, names: AnyArray, score: FloatArray) -> pd.DataFrame:
    rows = []
    for size in range(1, min(3, len(names)) + 1):
        chosen, adds = _in_turn(works, cover_most(works, size, score=score))
        covered = works[:, chosen].any(axis=1)
        rows.append((size, names[chosen].tolist(), covered.mean(), int(covered.sum()), adds))
    return pd.DataFrame(rows, columns=["size", "places", "share", "mornings", "adds"])


def cover_most(works: BoolArray, size: int, *, score: FloatArray | None = None) -> list[int]:
    """Return the columns that together cover the most rows, solved exactly.

    Maximum coverage as a mixed-integer programme: a row counts where at least one chosen column
    covers it. Among equal teams the one whose members each cover more, and score more, is taken.

    Parameters
    ----------
    works
        (rows, columns) whether a column covers a row.
    size
        How many columns to choose; all if there are fewer.
    score
        (columns,) 0 to 1, how good each is.

    Returns
    -------
    list of int
        The columns chosen, ascending.

    Examples
    --------
    The first two columns cover three rows between them, no other pair as many:

    >>> works = np.array([[1, 0, 1], [1, 0, 1], [0, 1, 0]], bool)
    >>> cover_most(works, 2, score=np.array([0.9, 0.5, 0.4]))
    [0, 1]
    """
    rows, columns = works.shape
    size = min(size, columns)
    alone = works.sum(axis=0) / max(rows, 1)
    if score is not None:
        alone = (1.0 - _SCORE_SHARE) * alone + _SCORE_SHARE * score
    alone = alone / (2.0 * size)  # together under half a row
    reach = LinearConstraint(np.hstack([-works.astype(float), np.eye(rows)]), -np.inf, 0.0)
    count = LinearConstraint(np.r_[np.ones(columns), np.zeros(rows)][None], size, size)
    found = milp(
        -np.r_[alone, np.ones(rows)],
        constraints=[reach, count],
        integrality=np.r_[np.ones(columns), np.zeros(rows)],
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0},
    )
    return [int(n) for n in np.flatnonzero(found.x[:columns] > 0.5)]


def _in_turn(works: BoolArray, chosen: list[int]) -> tuple[list[int], list[int]]:
    """Return the columns by what each adds to those before it, largest first, and what it adds."""
    order, adds = [], []
    left, covered = list(chosen), np.zeros(len(works), bool)
    while left:
        gains = [int((works[:, n] & ~covered).sum()) for n in left]
        index = int(np.argmax(gains))
        adds.append(gains[index])
        order.append(left.pop(index))
        covered |= works[:, order[-1]]
    return order, adds


def _mornings(found: ScoredMornings, works: BoolArray, names: AnyArray) -> pd.DataFrame:
    states: dict[Any, list[str]] = {}
    for hour in found.record:
        states.setdefault(hour.time.date(), []).append(wind_state(hour.wind))
    blinds = found.judged.blinds["id"].to_numpy()
    mean, place = found.mean, {date: n for n, date in enumerate(found.dates)}
    rows: list[tuple[Any, ...]] = []
    for date, seen in sorted(states.items()):
        if date in place:
            n = place[date]
            best = int(mean[n].argmax())
            choice = (blinds[best], float(mean[n, best]), names[works[n]].tolist())
            rows.append((date, seen.count("wind"), *choice, None))
        else:
            rows.append((date, 0, None, np.nan, [], "calm" if "calm" in seen else "gap"))
    frame = pd.DataFrame(rows, columns=["date", "hours", "best", "score", "works", "why"])
    words = {name: frame[name].astype(object) for name in ("best", "why")}
    return frame.assign(**{name: held.where(held.notna(), None) for name, held in words.items()})


def season_record(found: Season) -> dict[str, Any]:
    """Return the object that `sitegeo season --json` prints."""
    mornings = found.mornings.assign(date=[d.isoformat() for d in found.mornings["date"]])
    return {
        "schema": SEASON_SCHEMA,
        "works_share": WORKS_SHARE,
        "none_poor_of": list(JUDGED),
        "law": {"name": found.law.title, "chosen": found.law.chosen},
        "counted": len(found.works),
        "places": plain_rows(found.table),
        "teams": plain_rows(found.teams),
        "mornings": plain_rows(mornings),
        "setbacks": judged_blind_rows(found.judged),
        "rejected": rejected_rows(found.judged),
    }
