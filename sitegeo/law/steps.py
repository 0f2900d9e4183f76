"""The law's steps: setback polygons, and the ground that is open to hunt."""

from __future__ import annotations

import geopandas as gpd

from sitegeo.core.grid import Raster
from sitegeo.core.steps import step
from sitegeo.law.context import PositionErrors
from sitegeo.law.ground import huntable_ground
from sitegeo.law.rules import Law
from sitegeo.law.setbacks import setback_polygons
from sitegeo.places.config import Assume

_LAYERS = ("dwellings", "roads", "public_land", "closed_areas")


@step("setbacks")
def setbacks(
    *,
    law: Law,
    imagery: Raster,
    assume: Assume,
    dwellings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
) -> gpd.GeoDataFrame:
    """Ground within each rule's distance, as `setback_polygons`; verdicts do not use it.

    Parameters
    ----------
    law, dwellings, roads
        As for `setback_polygons`.
    imagery
        Whose CRS is the place's.
    assume
        What the outlines of dwellings follow.

    Returns
    -------
    GeoDataFrame
        By the `setbacks` contract.
    """
    return setback_polygons(
        law,
        dwellings=dwellings,
        roads=roads,
        crs=imagery.grid.crs,
        outline=assume.dwelling_outline,
    )


@step("huntable")
def huntable(
    *,
    setbacks: gpd.GeoDataFrame,
    imagery: Raster,
    assume: Assume,
    public_land: gpd.GeoDataFrame | None = None,
    closed_areas: gpd.GeoDataFrame | None = None,
) -> gpd.GeoDataFrame:
    """Public ground open to hunting, less setbacks and closed areas; empty where none is known.

    Parameters
    ----------
    setbacks, public_land, closed_areas
        As for `huntable_ground`.
    imagery
        Whose CRS is the place's.
    assume
        How far off each layer may be; the largest counts.

    Returns
    -------
    GeoDataFrame
        By the `huntable` contract.
    """
    errors = PositionErrors.from_layers(assume.position_error_m)
    # The largest, so that ground drawn as open never disagrees with a verdict.
    error_m = max(errors.total_m(layer) for layer in _LAYERS)
    return huntable_ground(
        public_land, setbacks, closed_areas, error_m=error_m, crs=imagery.grid.crs
    )
