"""Whose ground it is, whether it is open to hunting and whether it is closed, as verdicts."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from sitegeo import layers
from sitegeo.law.ground import closed_of, ground_of, hunting_of
from sitegeo.law.nearest import scale_over
from sitegeo.law.position import POINTS
from sitegeo.law.setbacks import COLUMNS
from sitegeo.law.terms import Terms

TARGETS = ("public ground", "hunting", "closed areas")

_HUNTING = {
    "open": ("clear", "open to hunting on the map"),
    "closed": ("inside", "closed to hunting on the map"),
    "restricted": ("not checked", "restricted on the map: look up on what terms"),
    "unknown": ("not checked", "the map does not say that this ground is open"),
}


def land_verdicts(
    points: gpd.GeoDataFrame,
    *,
    public_land: gpd.GeoDataFrame | None,
    closed_areas: gpd.GeoDataFrame | None,
    terms: Terms,
) -> pd.DataFrame:
    """Return three rows per point, by the columns of `verdicts`: `TARGETS`, in order.

    Public ground is `clear` inside mapped public land by more than the error, `close` within it
    of an edge, `inside` (someone else's ground) outside a layer declared complete, and otherwise
    not checked. Hunting is `clear` only where it is open, closed areas only off every mapped one.

    Raises
    ------
    LayerError, CrsError
        If the points or a layer break their contract or differ in CRS.
    """
    layers.check(points, POINTS)
    error_m = terms.errors.total_m("public_land")
    known = _said_of(points, "public_land", error_m, terms)
    complete = known & ("public_land" in terms.complete)
    ground = ground_of(points, public_land, error_m=error_m, complete=complete)
    near = _near(points, public_land, error_m)
    hunting = hunting_of(points, public_land, error_m=error_m)
    closed_m = terms.errors.total_m("closed_areas")
    closed = closed_of(points, closed_areas, error_m=closed_m, on=terms.on)
    told = closed_areas is not None and _said_of(points, "closed_areas", closed_m, terms)
    rows = {
        "public ground": [
            _ground(g, bool(n), error_m, missing=public_land is None)
            for g, n in zip(ground, near, strict=True)
        ],
        "hunting": [_HUNTING[h] for h in hunting],
        "closed areas": [
            _closed(reason, bool(said))
            for reason, said in zip(closed, np.broadcast_to(told, len(points)), strict=True)
        ],
    }
    tables = [
        pd.DataFrame(
            {
                **dict.fromkeys(("distance_m", "limit_m", "margin_m", "bearing_deg"), np.nan),
                **dict.fromkeys(("feature", "rule", "measured_from"), ""),
                "id": points["id"].to_numpy(),
                "target": target,
                "verdict": np.array([verdict for verdict, _ in found], dtype=object),
                "note": np.array([note for _, note in found], dtype=object),
                "error_m": closed_m if target == "closed areas" else error_m,
            }
        )
        for target, found in rows.items()
    ]
    table = pd.concat(tables).sort_index(kind="stable").reset_index(drop=True)
    return table[list(COLUMNS)]


def _said_of(
    points: gpd.GeoDataFrame, layer: str, error_m: float, terms: Terms
) -> NDArray[np.bool_]:
    """Return which points lie in the area of a layer by more than the error."""
    area = terms.covered.get(layer)
    at = points.geometry.to_numpy()
    if area is None or points.empty:
        return np.ones(len(points), dtype=bool)
    within = error_m * scale_over(CRS(points.crs), at).most
    inside = shapely.covers(area, at)
    return np.asarray(inside & (shapely.distance(area.boundary, at) > within))


def _near(
    points: gpd.GeoDataFrame, land: gpd.GeoDataFrame | None, error_m: float
) -> NDArray[np.bool_]:
    """Return which points lie in public land or within the error of it."""
    at = points.geometry.to_numpy()
    if land is None or not at.size:
        return np.zeros(len(points), dtype=bool)
    within = error_m * scale_over(CRS(points.crs), at).most
    return np.asarray(shapely.dwithin(land.union_all(), at, within))


def _ground(ground: str, near: bool, error_m: float, *, missing: bool) -> tuple[str, str]:
    if missing:
        return "not checked", "no layer of public land; ask whose ground it is"
    if ground == "public":
        return "clear", "public land on the map"
    if ground == "private":
        return "inside", "outside the public land of the map"
    if near:
        return "close", f"within {error_m:.0f} m of the edge of the public land of the map"
    return "not checked", "not public land on the map; ask whose ground it is"


def _closed(reason: str | None, said: bool) -> tuple[str, str]:
    if reason is not None:
        return "inside", reason
    if said:
        return "clear", "in none of the mapped closed areas"
    return "not checked", "no map of closed areas here; look them up"
