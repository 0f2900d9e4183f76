"""Where to go in the dark if somebody is already on the first blind."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd

GOOD_SHARE = 0.85
"""Judgement: a second site scores at least this share of the first."""

NOT_BESIDE_M = 150.0
"""Judgement: nearer than this one sits in the other party's hunt."""


def second_site(blinds: gpd.GeoDataFrame, first: pd.Series[Any]) -> dict[str, Any] | None:
    """Return the nearest good blind on another position, or None where there is none.

    Parameters
    ----------
    blinds
        Ranked blinds, none rejected, with `id`, `position_id` and `score`.
    first
        The blind planned, a row of the same columns.
    """
    away = blinds.geometry.distance(first.geometry)
    good = blinds["score"] >= GOOD_SHARE * float(first["score"])
    fit = good & (blinds["position_id"] != first["position_id"]) & (away >= NOT_BESIDE_M)
    if not fit.any():
        return None
    row = blinds.loc[away[fit].idxmin()]
    return {
        "id": str(row["id"]),
        "layout": str(row["layout"]),
        "score": round(float(row["score"]), 4),
        "distance_m": round(float(away[row.name]), 1),
        "note": "straight line, not a path",
    }
