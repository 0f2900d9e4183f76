"""Blinds ranked for a wind: composition of the morning's steps, verdicts and reasons."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from sitegeo.core.typing import BoolArray, FloatArray
from sitegeo.core.wind import Wind
from sitegeo.errors import SurveyError, UsageError
from sitegeo.law.rules import Law
from sitegeo.law.setbacks import SETBACK_LAYERS
from sitegeo.law.verdicts import rejection_reasons, verdict_sentence, verdicts_at
from sitegeo.rankings.spread_site import spread_site, why_refused
from sitegeo.siting.candidates import find_better_at_same_place
from sitegeo.siting.curves import UNKNOWN_SCORE, setback_margin_score
from sitegeo.siting.explain import cautions, lacks_room, why
from sitegeo.siting.score import with_component, with_shut_fronts
from sitegeo.spreads.decoys import Gear
from sitegeo.surveys.morning import assumptions_on, gear_carried, prepare_morning
from sitegeo.surveys.survey import Survey, require_blinds
from sitegeo.units import LengthUnit

SPREADS_TRIED = 10
"""So many of the best places have their spread laid on the water before they are named;
judgement."""

NO_SPREAD = "no spread can be laid in this wind: "
"""Begins the `rejected_by` of a blind that only this wind rules out."""

VERDICT_SCORE = {"clear": 1.0, "not checked": UNKNOWN_SCORE, "close": 0.2, "inside": 0.0}
"""What a setback verdict counts as a component of the score, clear by its margin; judgement."""


@dataclass(frozen=True)
class Ranking:
    """Blinds in order of merit for one wind.

    Parameters
    ----------
    blinds
        The `blinds` layer with `rank`, `why` and `cautions`: the best blind of each place, best
        first, then the others of the same places, which name the better one in `same_place_as`.
    rejected
        The ones left out, with `rejected_by`.
    verdicts
        Verdicts of both on setbacks and the ground, one row a blind and target.
    layers
        What the wind added, by name.
    given
        What the morning gave the steps beside the survey: wind, assume, gear, candidates.
    """

    wind: Wind
    when: datetime | None
    law: Law
    blinds: gpd.GeoDataFrame
    rejected: gpd.GeoDataFrame
    verdicts: pd.DataFrame
    layers: Mapping[str, Any]
    given: Mapping[str, Any]

    def blind(self, name: str) -> pd.Series[Any]:
        """Return one blind by id, also a rejected one; raises `SurveyError` for an unknown id."""
        for frame in (self.blinds, self.rejected):
            found = frame[frame["id"] == name]
            if len(found):
                return found.iloc[0]
        raise SurveyError(
            "the survey has no such blind",
            value=name,
            remedy="'sitegeo rank' lists them",
        )

    @property
    def places(self) -> gpd.GeoDataFrame:
        """The best blind of each place, best first."""
        return self.blinds[self.blinds["same_place_as"].isna()]

    @property
    def refused(self) -> gpd.GeoDataFrame:
        """The rejected on which only this wind lets no spread be laid."""
        return self.rejected[self.rejected["rejected_by"].str.startswith(NO_SPREAD)]

    @property
    def huntable(self) -> gpd.GeoDataFrame:
        """The ranked, then those that only this wind rules out."""
        both = pd.concat([self.blinds, self.refused], ignore_index=True)
        return gpd.GeoDataFrame(both, geometry="geometry", crs=self.blinds.crs)

    def verdict_sentences(self, name: str, units: LengthUnit = "yd") -> tuple[str, ...]:
        """Return the verdicts of a blind in words."""
        rows = self.verdicts[self.verdicts["id"] == name]
        return tuple(verdict_sentence(row, self.law, units) for _, row in rows.iterrows())


def rank(
    survey: Survey,
    wind: Wind,
    *,
    when: datetime | None = None,
    law: Law | None = None,
    candidates: gpd.GeoDataFrame | None = None,
    decoys: int | None = None,
    far_group: bool | None = None,
    want: Iterable[str] | None = ("blinds",),
    spreads_tried: int = SPREADS_TRIED,
) -> Ranking:
    """Return the blinds of a survey ranked for a wind.

    Parameters
    ----------
    survey
        Of the place.
    wind
        Where it comes from, true, and how fast.
    when
        The hour hunted; without it nothing that depends on a date is claimed.
    law
        By default the law recorded in the survey.
    candidates
        Blinds to score instead of the survey's own.
    decoys
        How many are carried; by default the gear recorded in the survey.
    far_group
        Whether some are set far out; by default the gear recorded in the survey.
    want
        Layers to make, among them `blinds`; None for all that a wind adds.
    spreads_tried
        For so many of the best places the spread is laid on the water; a blind whose spread is
        refused is rejected, and so is any other on which a quick look finds no water for one. With
        0 neither is done.

    Returns
    -------
    Ranking
        The best blind of each place first.

    Raises
    ------
    StepError, LayerError
        If a step cannot run or breaks its contract.
    """
    governing = law or survey.law
    assume = assumptions_on(survey, when)
    gear = gear_carried(survey, decoys, far_group=far_group)
    morning: dict[str, Any] = {"assume": assume, "gear": gear}
    morning["candidates"] = require_blinds(survey) if candidates is None else candidates
    if when is not None:
        morning["when"] = when
    steps_left = prepare_morning(survey, morning, want=want)
    layers = steps_left.under(wind)
    scored: gpd.GeoDataFrame = layers["blinds"]
    checked = _verdicts(survey, scored, governing, None if when is None else when.date())
    scored = with_component(scored, "setback", setback_score(scored["id"], checked))
    scored = scored.assign(rejected_by=rejection_reasons(scored, checked, governing))
    blinds, rejected = _sorted_out(_reject_unlaid(survey, scored, gear, spreads_tried))
    rows = [dict(row) for _, row in blinds.iterrows()]
    bare = bool(assume.leaf_off)
    blinds["why"] = pd.Series([why(row, wind) for row in rows], dtype=object)
    told = [cautions(row, wind, gear=gear, leaf_off=bare) for row in rows]
    blinds["cautions"] = pd.Series(told, dtype=object)
    made = {name: layers[name] for name in steps_left.made}
    return Ranking(wind, when, governing, blinds, rejected, checked, made, morning)


def _verdicts(survey: Survey, blinds: gpd.GeoDataFrame, law: Law, on: date | None) -> pd.DataFrame:
    """Return the verdicts of blinds on setbacks and the ground."""
    points = gpd.GeoDataFrame(blinds[["id"]], geometry=blinds.geometry, crs=blinds.crs)
    return verdicts_at(points, law, survey.layers, survey.record, on=on)


def setback_score(ids: pd.Series[str], checked: pd.DataFrame) -> FloatArray:
    """Return the component `setback`: 1 where all are clear by a margin, less where close.

    Parameters
    ----------
    ids
        Of the blinds.
    checked
        Verdicts, a row a blind and target.

    Returns
    -------
    ndarray
        (blinds,) 0 to 1, the least over a blind's setbacks; `UNKNOWN_SCORE` without any.
    """
    checked = checked[checked["target"].isin(list(SETBACK_LAYERS))]
    verdict = checked["verdict"].map(VERDICT_SCORE).to_numpy(float)
    margin = setback_margin_score(checked["margin_m"].to_numpy(float))
    each = np.where(checked["verdict"] == "clear", margin, verdict)
    worth = pd.Series(each).groupby(checked["id"].to_numpy()).min()
    return np.asarray(ids.map(worth).fillna(UNKNOWN_SCORE), dtype=np.float64)


def without_room(scored: gpd.GeoDataFrame) -> BoolArray:
    """Return on which scored blinds a quick look finds no water for a spread in this wind."""
    return (
        scored["c_spread"].to_numpy(float) <= 0
        if "c_spread" in scored
        else np.zeros(len(scored), bool)
    )


def _reject_unlaid(
    survey: Survey, scored: gpd.GeoDataFrame, gear: Gear, spreads_tried: int
) -> gpd.GeoDataFrame:
    """Return scored blinds, those rejected on which no spread can be laid.

    A quick look tells for all of them; on the best `spreads_tried` the spread is laid.
    """
    if not spreads_tried:
        return scored
    lacking = scored["rejected_by"].isna() & without_room(scored)
    words = NO_SPREAD + scored["kind"].map(lacks_room)
    scored = scored.assign(rejected_by=scored["rejected_by"].mask(lacking, words))
    fits: set[str] = set()
    while True:
        blinds, _ = _sorted_out(scored)
        best = blinds[blinds["same_place_as"].isna()].head(spreads_tried)
        untried = best[~best["id"].isin(fits)]
        refused = {}
        for _, row in untried.iterrows():
            why_not = why_refused(survey, row, spread_site(survey, row, gear))
            if why_not:
                refused[row["id"]] = NO_SPREAD + why_not
            fits.add(row["id"])
        if not refused:
            return scored
        reasons = scored["id"].map(refused)
        scored = scored.assign(rejected_by=scored["rejected_by"].where(reasons.isna(), reasons))


def _sorted_out(scored: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return the ranked blinds and the rejected."""
    out = scored["rejected_by"].notna()
    return with_ranks(scored[~out]), scored[out].reset_index(drop=True)


def with_ranks(scored: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return scored blinds with their `rank`: the best of each place first, ties by id.

    `same_place_as` names for the others the better blind of the same place.
    """
    stands = np.array(find_better_at_same_place(scored), dtype=object)
    other = np.array([name is not None for name in stands], dtype=bool)
    order = np.lexsort((scored["id"].to_numpy(), -scored["score"].to_numpy(float), other))
    blinds = scored.iloc[order].reset_index(drop=True).assign(same_place_as=stands[order])
    blinds.insert(1, "rank", np.arange(1, len(blinds) + 1))
    return blinds


@dataclass(frozen=True)
class BlindsUnderLaw:
    """The blinds that may be hunted, those that may not, and the verdicts on both.

    Parameters
    ----------
    blinds, rejected
        Rows of the `candidates` layer with `c_setback`; the latter with `rejected_by`.
    """

    law: Law
    blinds: gpd.GeoDataFrame
    rejected: gpd.GeoDataFrame
    verdicts: pd.DataFrame


def _without_shut(survey: Survey, found: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return candidates, those whose whole front is closed rejected, as the step `blinds` does."""
    given = {"gear": gear_carried(survey), "assume": assumptions_on(survey, None)}
    given["candidates"] = found
    fixed = prepare_morning(survey, given, want=("wind_independent",)).windless
    return with_shut_fronts(found, fixed["wind_independent"].front)


def blinds_under_law(
    survey: Survey, *, law: Law | None = None, on: date | None = None
) -> BlindsUnderLaw:
    """Return the blinds of a survey by the rule of `rank`: none inside a setback.

    Parameters
    ----------
    survey
        With the layer `candidates`.
    law
        By default the law recorded in the survey.
    on
        The day hunted; without one every rule holds and every closed area is closed.

    Returns
    -------
    BlindsUnderLaw
        Those that may be hunted, those that may not, and the verdicts on both.

    Raises
    ------
    UsageError
        None is left.
    """
    governing = law or survey.law
    found = require_blinds(survey)
    checked = _verdicts(survey, found, governing, on)
    judged = found.assign(
        rejected_by=rejection_reasons(_without_shut(survey, found), checked, governing),
        c_setback=setback_score(found["id"], checked),
    )
    out = judged["rejected_by"].notna()
    if out.all():
        raise UsageError(
            "the survey has no blind that may be hunted",
            value=f"{len(judged)} ruled out",
            remedy="'sitegeo rank --json' says why each was ruled out",
        )
    return BlindsUnderLaw(
        governing,
        judged[~out].reset_index(drop=True),
        judged[out].reset_index(drop=True),
        checked,
    )
