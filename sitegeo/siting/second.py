"""Where to go in the dark if somebody is already on the first blind."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from sitegeo.grid import Raster
from sitegeo.siting.way import near, on_foot, terrain

GOOD_SHARE = 0.85
"""Judgement: a second site scores at least this share of the first."""

NOT_BESIDE_M = 150.0
"""Judgement: nearer than this one sits in the other party's hunt."""

REACH_M = 600.0
"""Judgement: as far as people move in the dark with decoys before legal light."""


def second_site(
    blinds: gpd.GeoDataFrame,
    first: pd.Series[Any],
    *,
    cover: Raster,
    depth: Raster | None = None,
    roads: gpd.GeoDataFrame | None = None,
    wade_m: float,
) -> dict[str, Any] | None:
    """Return the nearest good blind on another position that is reached in the dark, or None.

    Reached means on foot from the first, no farther than 600 m by the way, over ground and water
    known to be no deeper than the party wades, and across no mapped road. Water of unknown depth
    is not crossed.

    Parameters
    ----------
    blinds
        Ranked blinds, none rejected, with `id`, `position_id`, `layout` and `score`.
    first
        The blind planned, a row of the same columns.
    cover, depth, roads
        What the way leads over, in the blinds' CRS.
    """
    away = blinds.geometry.distance(first.geometry).to_numpy()
    good = blinds["score"].to_numpy() >= GOOD_SHARE * float(first["score"])
    other = (blinds["position_id"] != first["position_id"]).to_numpy()
    fit = blinds[good & other & (away >= NOT_BESIDE_M) & (away <= REACH_M)]
    if fit.empty:
        return None
    at = (first.geometry.x, first.geometry.y)
    reach = REACH_M + 50.0
    window = shapely.box(at[0] - reach, at[1] - reach, at[0] + reach, at[1] + reach)
    ground = terrain(
        near(cover, at, reach),
        None if depth is None else near(depth, at, reach),
        wade_m=wade_m,
        roads=None if roads is None else roads[roads.intersects(window)],
    )
    ways = on_foot(ground, np.array([at]), shapely.get_coordinates(fit.geometry))
    reached = np.flatnonzero(ways.walk_m <= REACH_M)
    if not len(reached):
        return None
    best = int(reached[ways.walk_m[reached].argmin()])
    row = fit.iloc[best]
    return {
        "id": str(row["id"]),
        "layout": str(row["layout"]),
        "score": round(float(row["score"]), 4),
        "distance_m": round(float(row.geometry.distance(first.geometry)), 1),
        "walk_m": round(float(ways.walk_m[best]), 1),
        "wading_m": round(float(ways.wading_m[best]), 1),
        "note": "on foot, no road and no water deeper than you wade; a way found on the map, not a "
        "path walked",
    }
