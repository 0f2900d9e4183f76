"""The edge of each water as a line, with its length: a layer that sitegeo does not know."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd

from sitegeo.core.contracts import LINE, Column, Contract
from sitegeo.core.steps import step

WATER_EDGES = Contract("water_edges", LINE, {"length_m": Column("number", "m")})


@dataclass(frozen=True)
class EdgeParams:
    """How much the edge may be simplified."""

    tolerance_m: float = 1.0


@step(WATER_EDGES)
def water_edges(*, water: gpd.GeoDataFrame, params: EdgeParams = EdgeParams()) -> gpd.GeoDataFrame:
    """Edges of the waters, simplified."""
    edges = water.boundary.simplify(params.tolerance_m)
    return gpd.GeoDataFrame(
        {"id": water["id"], "length_m": edges.length}, geometry=edges, crs=water.crs
    )
