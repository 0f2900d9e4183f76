"""Setbacks drawn on the map, never too small unless they say so; verdicts do not use them."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pyproj import CRS

from sitegeo.law.mapped import shows
from sitegeo.law.nearest import grown, scale_over
from sitegeo.law.rules import Law, MeasuredFrom
from sitegeo.law.setbacks import asked_of, checked_crs


def setback_polygons(
    law: Law,
    *,
    dwellings: gpd.GeoDataFrame | None,
    roads: gpd.GeoDataFrame | None,
    crs: CRS,
    outline: MeasuredFrom = "wall",
) -> gpd.GeoDataFrame:
    """Return the ground within each rule's limit, by the `setbacks` contract, never too small.

    One row per rule that reaches anything. A rule that counts from a line the `outline` of the
    dwellings does not hold is drawn from the outline, and its `note` says so. The radius allows
    for chords and the grid's scale; it holds no position error. For maps: verdicts are decided
    by `verdicts`.
    """
    rows: list[dict[str, Any]] = []
    for target, layer in (("dwelling", dwellings), ("road", roads)):
        if layer is None:
            continue
        checked_crs(layer, target, crs)
        for rule, which, offset in asked_of(law, layer, target):
            shapes = layer.geometry.to_numpy()[which]
            radius = rule.limit_m + offset
            words = f"drawn too small, from the {outline}: counts from the {rule.measured_from}"
            row = {
                "id": f"S{len(rows) + 1:03d}",
                "target": target,
                "distance_m": rule.limit_m,
                "rule": rule.id,
                "verify": rule.verify,
                "note": "" if shows(outline, rule) else words,
                "geometry": shapely.union_all(grown(shapes, radius, scale_over(crs, shapes))),
            }
            rows.append(row)
    columns = ["id", "target", "distance_m", "rule", "verify", "note", "geometry"]
    return gpd.GeoDataFrame(pd.DataFrame(rows, columns=columns), geometry="geometry", crs=crs)


def drawn_short(setbacks: gpd.GeoDataFrame) -> list[str]:
    """Return a sentence for each drawn setback that is too small."""
    short = setbacks[setbacks["note"] != ""]
    return [f"setbacks under {r.rule} are {r.note}" for r in short.itertuples()]
