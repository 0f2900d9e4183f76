"""The features of a plan as the page draws them, with where their lettering stands."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from sitegeo.units import yd
from sitegeo.webmap import lettering
from sitegeo.webmap.degrees import Degrees

LABELLED_ROLES = ("hide", "group", "motion", "jerk_line")
RINGS_M = tuple(yd(10.0 * n) for n in (1, 2, 3, 4))
"""About where the rings lie whose figures must keep off the drawing."""

_SIMPLIFY_M = 0.08
"""Outlines of a plan are drawn to this: less than a line's width."""

_BAND_M = (6.5, 8.5)
"""A closed arc is barred between these ranges of the hide."""


def plan_items(
    plan: gpd.GeoDataFrame, hide: Point | None, degrees: Degrees
) -> list[dict[str, Any]]:
    """Return what is drawn of a plan; decoys of one group and kind are one item of many points.

    Parameters
    ----------
    plan
        As `MapContent.features`.
    hide
        In the plan's CRS, or None.
    degrees
        Of that CRS.

    Returns
    -------
    list of dict
        One an item, ready for JSON: the plan's columns, `label` (where its name stands) and
        `shape`; for a closed arc `places` for words.
    """
    rows = [dict(zip(plan.columns, row, strict=True)) for row in plan.itertuples(index=False)]
    name = str(plan.geometry.name)
    marks = _names(rows, name, hide)
    words_at = {
        n: lettering.places_along_arc(row[name], hide)
        if hide
        else [row[name].representative_point()]
        for n, row in enumerate(rows)
        if row["role"] == "fire_closed"
    }
    groups = [row[name] for row in rows if row["role"] == "group"]
    drawn = shapely.union_all(groups) if groups else None
    kept: dict[tuple[Any, ...], list[int]] = {}
    for n, row in enumerate(rows):
        if row["role"] == "pocket":
            middle = lettering.roomiest_point(row[name], off=drawn)
            marks[n] = lettering.Label(middle, middle, "middle")
        alike = ("decoy", row["name"], row["note"]) if row["role"] == "decoy" else (n,)
        kept.setdefault(alike, []).append(n)
    firsts = [some[0] for some in kept.values()]
    shapes = [_shape([rows[n] for n in some], name, hide) for some in kept.values()]
    at = dict(zip(marks, _spots([m.at for m in marks.values()], degrees), strict=True))
    tips = dict(zip(marks, _spots([m.tip for m in marks.values()], degrees), strict=True))
    return [
        {
            "role": str(row["role"]),
            "name": text_of(row["name"]),
            "order": rounded(row["order"], 0),
            "count": rounded(row["count"], 0),
            "range_yd": rounded(row["range_yd"], 1),
            "bearing_true": rounded(row["bearing_true"], 1),
            "bearing_magnetic": rounded(row["bearing_magnetic"], 1),
            "note": text_of(row["note"]),
            "label": {"at": at[n], "tip": tips[n], "side": marks[n].side} if n in marks else None,
            "shape": shape,
        }
        | ({"places": _spots(words_at[n], degrees)} if n in words_at else {})
        for n, row, shape in zip(
            firsts, (rows[n] for n in firsts), degrees.geometries(shapes), strict=True
        )
    ]


def _names(rows: list[dict[str, Any]], name: str, hide: Point | None) -> dict[int, lettering.Label]:
    """Return where the names stand, by number of row, beside all that is drawn."""
    labelled = [n for n, row in enumerate(rows) if row["role"] in LABELLED_ROLES]
    beside = [row[name] for row in rows if row["role"] == "pocket"]
    beside += [_barred(row[name], hide) for row in rows if row["role"] == "fire_closed"]
    marks = lettering.place_labels([rows[n][name] for n in labelled], beside=beside)
    return dict(zip(labelled, marks, strict=True))


def _shape(alike: list[dict[str, Any]], name: str, hide: Point | None) -> BaseGeometry:
    shape: BaseGeometry = alike[0][name]
    if alike[0]["role"] == "decoy":
        points: BaseGeometry = shapely.MultiPoint([row[name] for row in alike])
        return points
    if alike[0]["role"] == "fire_closed":
        return _barred(shape, hide)
    simple: BaseGeometry = shape.simplify(_SIMPLIFY_M)
    return simple


def _barred(closed: BaseGeometry, hide: Point | None) -> BaseGeometry:
    """Return a closed arc as a barred band about the hide, rather than a cone over the water."""
    if hide is None:
        return closed
    inner, outer = (hide.buffer(r) for r in _BAND_M)
    band = closed.intersection(outer.difference(inner))
    return closed if band.is_empty else band


def _spots(points: list[Point], degrees: Degrees) -> list[list[float]]:
    return [shape["coordinates"][::-1] for shape in degrees.geometries(points)] if points else []


def rounded(value: Any, digits: int) -> float | int | None:
    """Return a rounded number, None for a missing one."""
    if value is None or pd.isna(value):
        return None
    return round(float(value), digits) if digits else round(float(value))


def text_of(value: Any) -> str:
    """Return text, empty for a missing one."""
    return "" if value is None or pd.isna(value) else str(value)
