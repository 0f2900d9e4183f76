"""What a plan holds: one blind for one wind, its spread, its verdicts, and what to carry."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd

from sitegeo.rankings.ranking import Ranking
from sitegeo.spreads.result import Spread
from sitegeo.surveys.survey import Survey


@dataclass(frozen=True)
class PlanContents:
    """One morning's plan; `Plan` is one that can be saved.

    Parameters
    ----------
    blind
        Its row of the ranking.
    spread
        The decoys on the water, or the reason there are none.
    ranking
        The ranking it was chosen from.
    setbacks
        Verdicts for the hide and every group, one row an item and target.
    features
        Everything drawn, in the place's CRS, by the columns of plan.geojson.
    waypoints
        The points to carry, in set-up order.
    layers
        What the wind added, for plan.gpkg.
    record
        What plan.json holds.
    survey
        What it was made from.
    """

    blind: pd.Series[Any]
    spread: Spread
    ranking: Ranking
    setbacks: pd.DataFrame
    features: gpd.GeoDataFrame
    waypoints: gpd.GeoDataFrame
    layers: Mapping[str, gpd.GeoDataFrame]
    record: Mapping[str, Any]
    survey: Survey
