"""What the map of a plan shows when the wind is turned or another blind is picked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sitegeo.exposure.banks import LeeParams, station_pieces
from sitegeo.laying import Ground, ground_of, landing_of, lay
from sitegeo.plan_features import features_of, spread_features
from sitegeo.plan_fire import fire_of
from sitegeo.siting.reasons import grade, why
from sitegeo.spreads.motion import season_of
from sitegeo.turning import Turned, turning
from sitegeo.webmap.content import Facing, Turn

if TYPE_CHECKING:
    from sitegeo.plan import Plan

FIRST = 8
"""Blinds drawn in full for the wind asked, best first."""

COMPONENTS = ("wind", "ripple", "room", "hide", "wading", "access", "setback")
_ONTO = ("onto", "quartering-on")


def other_plans(plan: Plan) -> dict[str, gpd.GeoDataFrame]:
    """Return what is drawn of the best blinds for the plan's wind, the plan's own left out."""
    drawn = {}
    for _, row in plan.ranking.blinds.head(FIRST).iterrows():
        if row["id"] != plan.blind["id"]:
            ground = _ground(plan, row)
            spread = lay(plan.survey, row, ground)
            drawn[str(row["id"])] = features_of(
                plan.survey,
                row,
                spread,
                landing=landing_of(plan.survey, spread, plan.ranking.wind),
                fall=fire_of(plan.survey, row, plan.ranking.wind),
                when=plan.ranking.when,
            )
    return drawn


def turn_of(plan: Plan) -> Turn | None:
    """Return the place for winds all round, with the spreads of the plan's blind and the best.

    None in a calm, where no direction is claimed.
    """
    found = turning(plan.survey, plan.ranking)
    if not found:
        return None
    stations = plan.survey.layers["stations"]
    pieces = stations[["facing_deg"]].set_geometry(station_pieces(stations), crs=stations.crs)
    grounds: dict[str, Ground] = {}
    winds = tuple(_facing(plan, one, grounds, asked=n == 0) for n, one in enumerate(found))
    return Turn(COMPONENTS, pieces, winds)


def _facing(plan: Plan, one: Turned, grounds: dict[str, Ground], *, asked: bool) -> Facing:
    # The page lists one blind a place, the best for the plan's wind, and none that was refused.
    ranked = plan.ranking.blinds
    listed = ranked[ranked["same_place_as"].isna() | (ranked["id"] == plan.blind["id"])]
    blinds = one.blinds[one.blinds["id"].isin(listed["id"])]
    rows = blinds.drop(columns="geometry").to_dict("records")
    shown = {str(blinds["id"].iloc[0]), str(plan.blind["id"])}
    drawn = {}
    for name in sorted(shown if not asked else ()):
        for _, row in blinds[blinds["id"] == name].iterrows():
            drawn[name] = _spread(plan, row, grounds)
    return Facing(
        from_deg=one.wind.from_deg,
        words=one.wind.words(),
        order=tuple(blinds["id"]),
        layout=tuple(blinds["layout"]),
        side=tuple(blinds["wind_side"]),
        why=tuple(why({str(k): v for k, v in row.items()}, one.wind) for row in rows),
        grades=tuple("".join(grade(row[f"c_{c}"])[0] for c in COMPONENTS) for row in rows),
        banks=_banks(one),
        calm_strip_m=np.nan_to_num(one.calm_strip_m, nan=0.0),
        lee=one.lee,
        drawn=drawn,
    )


def _ground(plan: Plan, row: pd.Series[Any]) -> Ground:
    when = plan.ranking.when
    season = None if when is None else season_of(when.month, plan.record["lat"])
    return ground_of(plan.survey, row, plan.ranking.given["gear"], season=season)


def _spread(plan: Plan, row: pd.Series[Any], grounds: dict[str, Ground]) -> gpd.GeoDataFrame:
    name = str(row["id"])
    if name not in grounds:
        grounds[name] = _ground(plan, row)
    spread = lay(plan.survey, row, grounds[name])
    return spread_features(plan.survey, row, spread, when=plan.ranking.when)


def _banks(one: Turned) -> NDArray[np.uint8]:
    """Return 0 without water, 1 sheltered, 3 beaten by the wind, 2 for the banks between."""
    params = LeeParams()
    slow = one.local_mps <= params.sheltered_ratio * one.wind.speed_mps
    least = max(params.ripple_mps, params.sheltered_ratio * one.wind.speed_mps)
    beaten = np.isin(one.side, _ONTO) & (one.local_mps >= least)
    kinds = np.select([np.isnan(one.local_mps), beaten, slow], [0, 3, 1], 2)
    return np.asarray(kinds, np.uint8)
