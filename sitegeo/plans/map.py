"""What the map page of a plan shows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from sitegeo.core.typing import BoolArray, ByteArray
from sitegeo.exposure.banks import LeeParams, station_pieces
from sitegeo.plans.contents import PlanContents
from sitegeo.plans.features import plan_features, spread_features
from sitegeo.plans.shot import blind_shot_fall
from sitegeo.rankings.ranking import SPREADS_TRIED, with_ranks, without_room
from sitegeo.rankings.spread_site import (
    SpreadSite,
    lay_spread,
    spread_site,
    touchdown_areas,
    why_refused,
)
from sitegeo.rankings.turning_wind import PlaceInWind, rank_all_round
from sitegeo.siting.explain import cautions, grade, why
from sitegeo.spreads.place import season_phase
from sitegeo.spreads.result import Spread
from sitegeo.webmap.content import MapContent, TurningWind, WindView

CONTEXT = (
    "water",
    "positions",
    "setbacks",
    "huntable",
    "public_land",
    "closed_areas",
    "dwellings",
    "roads",
    "stations",
)

WIND_LAYERS = ("sheltered_water", "bank_exposure", "beaten_bank")


def map_content(plan: PlanContents) -> MapContent:
    """Return a plan as the content of its page."""
    survey, ranked = plan.survey, plan.ranking
    layers = {n: survey.layers[n] for n in CONTEXT if n in survey.layers}
    turn = turn_content(plan)
    if turn is None:
        layers |= {n: v for n, v in plan.layers.items() if n in WIND_LAYERS}
    return MapContent(
        title=survey.title,
        wind_from_deg=None if ranked.wind.calm else ranked.wind.from_deg,
        wind_words=ranked.wind.words(),
        blinds=_blinds(plan, turn),
        features=plan.features,
        layers=layers,
        photo=survey.layers.get("photo"),
        headline=plan.spread.headline,
        verdicts=ranked.verdict_sentences(plan.blind["id"]),
        cautions=(*(_sentence(n) for n in plan.spread.notes), *plan.record["cautions"]),
        credits=tuple(plan.record["credits"]),
        turn=turn,
        drawn=other_spreads(plan),
    )


def _sentence(note: str) -> str:
    return note[0].upper() + note[1:]


def _blinds(plan: PlanContents, turn: TurningWind | None) -> gpd.GeoDataFrame:
    ranked, blinds = plan.ranking, listed_blinds(plan, turn)
    told = [" · ".join(ranked.verdict_sentences(i)) for i in blinds["id"]]
    bare = bool(ranked.given["assume"].leaf_off)
    careful = [
        cautions(dict(row), ranked.wind, gear=ranked.given["gear"], leaf_off=bare)
        for _, row in blinds.iterrows()
    ]
    return blinds.assign(
        why=[why(dict(row), ranked.wind) for _, row in blinds.iterrows()],
        verdict_words=np.array(told, dtype=object),
        cautions=np.array(["\n".join(c) for c in careful], dtype=object),
        chosen=(blinds["id"] == plan.blind["id"]).to_numpy(),
    )


SPREADS_DRAWN = 8
"""Blinds drawn in full for the wind asked, best first."""

WHOLLY_ON_WATER = 0.999
"""A spread drawn with so much of it on water is not laid to see whether it is refused."""

COMPONENT_WORDS = {
    "wind": "wind for its layouts",
    "ripple": "ripple",
    "hide": "cover",
    "room": "room to come in",
    "spread": "water for the spread",
    "wading": "wading",
    "setback": "setbacks",
    "fire": "open to fire",
    "sun": "sun in your eyes",
    "access": "way in",
    "feeding": "feeding water",
    "behind": "backdrop",
    "overhead": "cover overhead",
    "drift": "where birds drift to",
    "birds_sun": "sun in the birds' eyes",
    "in_range": "shot across",
    "party": "stands for every gun",
    "observed": "birds seen",
}
"""Components of a score as the page speaks of them; others go by their own names."""

_ONTO = ("onto", "quartering-on")


def other_spreads(plan: PlanContents) -> dict[str, gpd.GeoDataFrame]:
    """Return what is drawn of the best blinds for the plan's wind, the plan's own left out."""
    drawn = {}
    for _, row in plan.ranking.places.head(SPREADS_DRAWN).iterrows():
        if row["id"] != plan.blind["id"]:
            site = _site(plan, row)
            spread = lay_spread(plan.survey, row, site)
            drawn[str(row["id"])] = plan_features(
                plan.survey,
                row,
                spread,
                landing=touchdown_areas(plan.survey, row, spread, plan.ranking.wind),
                fall=blind_shot_fall(plan.survey, row, plan.ranking.wind),
                when=plan.ranking.when,
            )
    return drawn


def turn_content(plan: PlanContents) -> TurningWind | None:
    """Return the place for winds all round, with the spreads of the plan's blind and the best.

    None in a calm, where no direction is claimed. The blinds of each wind are `rank`'s own, those
    left out on which no spread can be laid.
    """
    found = rank_all_round(plan.survey, plan.ranking)
    if not found:
        return None
    stations = plan.survey.layers["stations"]
    pieces = stations[["facing_deg"]].set_geometry(station_pieces(stations), crs=stations.crs)
    names = [str(c)[2:] for c in plan.ranking.blinds.columns if str(c).startswith("c_")]
    sites: dict[str, SpreadSite] = {}
    held = [plan.ranking.blinds]
    laid: list[tuple[int, pd.Series[Any], Spread]] = []
    for number, one in enumerate(found[1:], start=1):
        blinds, spreads = _fitting(plan, one.blinds, sites)
        held.append(blinds)
        laid += [(number, row, spread) for row, spread in spreads]
    frames = spread_features(
        plan.survey, [(row, spread) for _, row, spread in laid], when=plan.ranking.when
    )
    drawn: list[dict[str, gpd.GeoDataFrame]] = [{} for _ in found]
    for (number, row, _), frame in zip(laid, frames, strict=True):
        drawn[number][str(row["id"])] = frame
    winds = [_facing(plan, *each, names) for each in zip(found, held, drawn, strict=True)]
    words = tuple(COMPONENT_WORDS.get(name, name.replace("_", " ")) for name in names)
    return TurningWind(words, pieces, tuple(winds))


def listed_blinds(plan: PlanContents, turn: TurningWind | None) -> gpd.GeoDataFrame:
    """Return every blind the page speaks of: the plan's ranking, then those other winds favour."""
    known = plan.ranking.huntable
    first = _shown(plan, plan.ranking.blinds)["id"].tolist()
    others = [name for wind in (turn.winds if turn else ()) for name in wind.order]
    ids = list(dict.fromkeys([*first, *others]))
    rows = known.set_index("id", drop=False).loc[ids].reset_index(drop=True)
    rows["rank"] = np.arange(1, len(rows) + 1)
    return gpd.GeoDataFrame(rows, geometry="geometry", crs=known.crs)


def _shown(plan: PlanContents, blinds: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the best blind of each place, and the plan's own wherever it stands."""
    shown = blinds["same_place_as"].isna() | (blinds["id"] == plan.blind["id"])
    kept: gpd.GeoDataFrame = blinds[shown]
    return kept


def _fitting(
    plan: PlanContents, blinds: gpd.GeoDataFrame, sites: dict[str, SpreadSite]
) -> tuple[gpd.GeoDataFrame, list[tuple[pd.Series[Any], Spread]]]:
    """Return blinds without those `rank` would find refused, and spreads of own and best."""

    def site(row: pd.Series[Any]) -> SpreadSite:
        name = str(row["id"])
        if name not in sites:
            sites[name] = _site(plan, row)
        return sites[name]

    fits: set[str] = set()
    own = blinds[blinds["id"] == plan.blind["id"]]
    blinds = _without(blinds, without_room(blinds))
    while True:
        best = blinds[blinds["same_place_as"].isna()].head(SPREADS_TRIED)
        whole = (best["c_spread"] >= WHOLLY_ON_WATER) & (best["layout"] != "timber")
        doubtful = best[~whole & ~best["id"].isin(fits)]
        refused = [
            row["id"] for _, row in doubtful.iterrows() if why_refused(plan.survey, row, site(row))
        ]
        if not refused:
            break
        fits |= set(doubtful["id"]) - set(refused)
        blinds = _without(blinds, blinds["id"].isin(refused).to_numpy())
    first = blinds.head(1)
    shown = (own, first[first["id"] != plan.blind["id"]])
    rows = [row for part in shown for _, row in part.iterrows()]
    return blinds, [(row, lay_spread(plan.survey, row, site(row))) for row in rows]


def _without(blinds: gpd.GeoDataFrame, out: BoolArray) -> gpd.GeoDataFrame:
    """Return ranked blinds without some, in order anew."""
    return with_ranks(blinds[~out].drop(columns="rank")) if out.any() else blinds


def _facing(
    plan: PlanContents,
    one: PlaceInWind,
    blinds: gpd.GeoDataFrame,
    drawn: dict[str, gpd.GeoDataFrame],
    names: Sequence[str],
) -> WindView:
    shown = _shown(plan, blinds)
    rows = _rows(shown)
    return WindView(
        from_deg=one.wind.from_deg,
        words=one.wind.words(),
        order=tuple(shown["id"]),
        layout=tuple(shown["layout"]),
        side=tuple(shown["wind_side"]),
        why=tuple(why(row, one.wind) for row in rows),
        grades=tuple("".join(grade(row[f"c_{c}"])[0] for c in names) for row in rows),
        banks=_banks(one),
        calm_strip_m=np.nan_to_num(one.calm_strip_m, nan=0.0),
        lee=one.lee,
        drawn=drawn,
    )


def _rows(blinds: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    columns = {str(name): blinds[name].tolist() for name in blinds.columns if name != "geometry"}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _site(plan: PlanContents, row: pd.Series[Any]) -> SpreadSite:
    when = plan.ranking.when
    season = None if when is None else season_phase(when.month, plan.record["lat"])
    return spread_site(plan.survey, row, plan.ranking.given["gear"], season=season)


def _banks(one: PlaceInWind) -> ByteArray:
    """Return 0 without water, 1 sheltered, 3 beaten by the wind, 2 for the banks between."""
    params = LeeParams()
    slow = one.local_mps <= params.sheltered_ratio * one.wind.speed_mps
    least = max(params.ripple_mps, params.sheltered_ratio * one.wind.speed_mps)
    beaten = np.isin(one.side, _ONTO) & (one.local_mps >= least)
    kinds = np.select([np.isnan(one.local_mps), beaten, slow], [0, 3, 1], 2)
    return np.asarray(kinds, np.uint8)
