"""The numbers and words of a page, as plain data for its script."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from sitegeo.core.grid import require_metric
from sitegeo.errors import CrsError
from sitegeo.webmap import lettering
from sitegeo.webmap.content import MapContent
from sitegeo.webmap.degrees import Degrees
from sitegeo.webmap.plan_items import LABELLED_ROLES, RINGS_M, plan_items, rounded, text_of
from sitegeo.webmap.turning_wind import facing_by_blind, spreads_data, turn_data

_SIMPLIFY_M = 0.5
"""Outlines of layers are drawn to this."""

_MARGIN_M = 50.0
"""Room round the mapped shapes of a place without a photo."""

_NEVER_LESS = frozenset({"setbacks", "closed_areas"})
_LAYERS = (
    "water",
    "public_land",
    "huntable",
    "closed_areas",
    "setbacks",
    "roads",
    "sheltered_water",
    "bank_exposure",
    "beaten_bank",
    "positions",
    "stations",
    "dwellings",
)
"""Context layers, from the ground up."""


def page_data(content: MapContent) -> dict[str, Any]:
    """Return everything the script draws, in degrees, ready for JSON.

    Raises
    ------
    CrsError
        If a frame has no CRS, or they differ.
    """
    crs = require_metric(content.blinds.crs, where="blinds")
    for name, frame in {"plan": content.features, **content.layers}.items():
        if frame.crs != crs:
            raise CrsError("a map's layers must share one CRS", where=name, value=str(frame.crs))
    degrees = Degrees(crs)
    hide = _hide(content)
    plan = content.features[_drawn(content.features)].sort_values("order", kind="stable")
    return {
        "title": content.title,
        "wind": {"from": content.wind_from_deg, "words": content.wind_words},
        "headline": content.headline,
        "verdicts": list(content.verdicts),
        "cautions": list(content.cautions),
        "credits": list(content.credits),
        "units": content.units,
        "blinds": _blinds(content.blinds, degrees),
        "plan": plan_items(plan, hide[0] if hide else None, degrees),
        "around": _around_hide(content, plan, degrees),
        "layers": [_layer(name, content.layers.get(name), degrees) for name in _LAYERS],
        "drawn": spreads_data(content.drawn, degrees, facing_by_blind(content.blinds)),
        "turn": turn_data(content, degrees),
        "extent": _extent(content, degrees),
        "scale": degrees.scale_at(focus_point(content)),
    }


def json_for_script(data: Mapping[str, Any]) -> str:
    """Return JSON that cannot end the script element that holds it."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return (
        text.replace("<", "\\u003c")
        .replace(">", "\\u003e")
        .replace("&", "\\u0026")
        .replace("\u2028", "\\u2028")
        .replace("\u2029", "\\u2029")
    )


def _drawn(frame: gpd.GeoDataFrame) -> pd.Series[bool]:
    keep: pd.Series[bool] = frame.geometry.notna() & ~frame.geometry.is_empty
    return keep


def _shapes(frame: gpd.GeoDataFrame) -> Any:
    return np.asarray(frame.geometry, dtype=object)


def _chosen(content: MapContent) -> gpd.GeoDataFrame:
    chosen: gpd.GeoDataFrame = content.blinds[content.blinds["chosen"].astype(bool)]
    return chosen


def _hide(content: MapContent) -> tuple[Point, float | None] | None:
    """Return the hide and its true facing: the plan's own, else the chosen blind's."""
    chosen = _chosen(content)
    facing = rounded(chosen["facing_deg"].iloc[0], 3) if len(chosen) else None
    hides = content.features[content.features["role"] == "hide"]
    if len(hides):
        return hides.geometry.iloc[0].centroid, facing
    return (chosen.geometry.iloc[0].centroid, facing) if len(chosen) else None


def focus_point(content: MapContent) -> tuple[float, float]:
    """Return what the drawing is about, in metres: the hide, or the middle of the place."""
    hide = _hide(content)
    if hide is not None:
        return hide[0].x, hide[0].y
    west, south, east, north = _bounds(content)
    return (west + east) / 2, (south + north) / 2


def _bounds(content: MapContent) -> tuple[float, float, float, float]:
    """Return west, south, east, north of the place in metres."""
    if content.photo is not None:
        return content.photo.grid.bounds
    frames = [content.layers.get("water"), content.blinds, content.features]
    shapes = [_shapes(f[_drawn(f)]) for f in frames if f is not None and len(f)]
    if not shapes:
        return 0.0, 0.0, 1.0, 1.0
    west, south, east, north = (float(b) for b in shapely.total_bounds(np.concatenate(shapes)))
    return west - _MARGIN_M, south - _MARGIN_M, east + _MARGIN_M, north + _MARGIN_M


def _extent(content: MapContent, degrees: Degrees) -> list[list[float]]:
    west, south, east, north = _bounds(content)
    return [degrees.lat_lon(Point(west, south)), degrees.lat_lon(Point(east, north))]


def _blinds(blinds: gpd.GeoDataFrame, degrees: Degrees) -> list[dict[str, Any]]:
    return [
        {
            "id": str(row["id"]),
            "rank": int(row["rank"]),
            "kind": text_of(row["kind"]),
            "layout": text_of(row["layout"]),
            "side": text_of(row["wind_side"]),
            "why": text_of(row["why"]),
            "verdict": text_of(row["verdict_words"]),
            "cautions": [c for c in text_of(row["cautions"]).split("\n") if c],
            "chosen": bool(row["chosen"]),
            "facing": rounded(row["facing_deg"], 1),
            "at": degrees.lat_lon(row.geometry),
        }
        for _, row in blinds.sort_values(["rank", "id"]).iterrows()
    ]


def _around_hide(
    content: MapContent, plan: gpd.GeoDataFrame, degrees: Degrees
) -> dict[str, Any] | None:
    """Return what is drawn about the hide: its bracket, rings, the wind's arrow, the view."""
    found = _hide(content)
    if found is None:
        return None
    hide, facing_true = found
    facing = None if facing_true is None else degrees.grid_bearing(facing_true, hide)
    spread = plan[plan["role"].isin((*LABELLED_ROLES, "pocket"))].geometry
    avoid = shapely.union_all(spread.to_numpy()) if len(spread) else hide.buffer(8.0)
    pocket = list(plan[plan["role"] == "pocket"].geometry)
    named = lettering.place_labels(
        list(plan[plan["role"].isin(LABELLED_ROLES)].geometry), beside=pocket
    )
    letters = shapely.MultiPoint([m.at for m in named])
    ways_in = list(plan[plan["role"] == "approach"].geometry)
    lettered = [letters.buffer(4.0)] if len(letters.geoms) else []
    taken = shapely.union_all([avoid, *lettered, *ways_in])
    water = _water(content)
    middle = None if water is None else lettering.roomiest_point(water)

    def sheet(*, tall: bool) -> dict[str, Any]:
        view, arrow = [avoid.buffer(6.0), hide.buffer(12.0)], None
        if content.wind_from_deg is not None:
            blows = degrees.grid_bearing(content.wind_from_deg, hide)
            centre = lettering.arrow_centre(hide, blows, water, taken, tall=tall)
            view.append(centre.buffer(lettering.ARROW_M / 2))
            arrow = {
                "at": degrees.lat_lon(centre),
                "far_at": degrees.lat_lon(middle or centre),
                "length_m": lettering.ARROW_M,
            }
        west, south, east, north = shapely.total_bounds(np.array(view, dtype=object))
        corners = [degrees.lat_lon(Point(west, south)), degrees.lat_lon(Point(east, north))]
        return {"arrow": arrow, "view": corners}

    return {
        "hide": degrees.lat_lon(hide),
        "facing": facing_true,
        "figures": round(
            degrees.true_bearing(
                lettering.ring_figures_bearing(hide, facing, RINGS_M, taken), hide
            ),
            1,
        ),
        **sheet(tall=False),
        "tall": sheet(tall=True),
    }


def _water(content: MapContent) -> BaseGeometry | None:
    water = content.layers.get("water")
    if water is None or not _drawn(water).any():
        return None
    whole: BaseGeometry = shapely.union_all(_shapes(water[_drawn(water)]))
    return whole


def _layer(name: str, frame: gpd.GeoDataFrame | None, degrees: Degrees) -> dict[str, Any]:
    """Return a layer's shapes; `state` tells a layer that is empty from one nobody gave."""
    if frame is None:
        return {"name": name, "state": "not checked", "shapes": []}
    rows = frame[_drawn(frame)]
    shapes = _simplified(_shapes(rows), grow=name in _NEVER_LESS)
    alike: dict[tuple[str, str], list[BaseGeometry]] = {}
    for kind, text, shape in zip(_kinds(name, rows), _letters(name, rows), shapes, strict=True):
        alike.setdefault((kind, text), []).append(shape)
    merged = {key: shapely.GeometryCollection(some) for key, some in alike.items()}
    return {
        "name": name,
        "state": "mapped" if len(rows) else "none mapped",
        "verify": bool("verify" in rows.columns and rows["verify"].astype(bool).any()),
        "short": bool(name == "setbacks" and "note" in rows.columns and (rows["note"] != "").any()),
        "shapes": [
            {"kind": kind, "words": words, "shape": shape}
            for (kind, words), shape in zip(
                merged, degrees.geometries(list(merged.values())), strict=True
            )
        ],
    }


def _simplified(shapes: Any, *, grow: bool) -> Sequence[BaseGeometry]:
    if grow:
        # A drawn setback may overstate by a metre and never understate.
        shapes = shapely.buffer(shapes, 2 * _SIMPLIFY_M, quad_segs=16)
    simple = shapely.simplify(shapes, _SIMPLIFY_M)
    kept: Sequence[BaseGeometry] = np.where(shapely.is_empty(simple), shapes, simple)
    return kept


def _kinds(name: str, rows: gpd.GeoDataFrame) -> list[str]:
    """Return the words each shape is drawn by, from a short list the style knows."""
    if name == "bank_exposure":
        sides = {"onto": "beaten", "quartering-on": "beaten", "along": "along"}
        banks = [sides.get(text_of(s), "sheltered") for s in _column(rows, "wind_side")]
        spots = rows.geom_type == "Point"
        return [f"{bank} dot" if spot else bank for bank, spot in zip(banks, spots, strict=True)]
    if name == "positions":
        # The style knows the kinds by one word each; anything else is drawn plainly.
        return ["tree-line" if k == "tree line" else "" for k in _column(rows, "kind")]
    return [""] * len(rows)


def _letters(name: str, rows: gpd.GeoDataFrame) -> list[str]:
    """Return what is written on each shape."""
    if name == "public_land":
        hunting = [f"hunting {text_of(h) or 'unknown'}" for h in _column(rows, "hunting")]
        names = [text_of(n) for n in _column(rows, "name")]
        return [", ".join(filter(None, p)) for p in zip(names, hunting, strict=True)]
    if name == "closed_areas":
        return [text_of(r) for r in _column(rows, "reason")]
    return [""] * len(rows)


def _column(rows: gpd.GeoDataFrame, name: str) -> Sequence[Any]:
    held: Sequence[Any] = rows[name].tolist() if name in rows.columns else [None] * len(rows)
    return held
