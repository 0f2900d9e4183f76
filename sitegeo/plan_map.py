"""What the map page of a plan shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np

from sitegeo.plan_turn import listed, other_plans, turn_of
from sitegeo.siting.reasons import cautions, why
from sitegeo.webmap.content import MapContent, Turn

if TYPE_CHECKING:
    from sitegeo.plan import Plan

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


def content_of(plan: Plan) -> MapContent:
    """Return a plan as the content of its page."""
    survey, ranked = plan.survey, plan.ranking
    layers = {n: survey.layers[n] for n in CONTEXT if n in survey.layers}
    turn = turn_of(plan)
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
        drawn=other_plans(plan),
    )


def _sentence(note: str) -> str:
    return note[0].upper() + note[1:]


def _blinds(plan: Plan, turn: Turn | None) -> gpd.GeoDataFrame:
    ranked, blinds = plan.ranking, listed(plan, turn)
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
