"""The numbers and words of a page, as plain data for its script."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Geod, Transformer
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from sitegeo.errors import CrsError
from sitegeo.grid import convergence_deg, require_metric
from sitegeo.units import LENGTHS_M
from sitegeo.webmap import lettering
from sitegeo.webmap.content import MapContent

_SIMPLIFY_M = 0.5
_NEVER_LESS = frozenset({"setbacks", "closed_areas"})
_LABELLED = ("hide", "group", "motion", "jerk_line")
LAYERS = (
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
    degrees = _Degrees(crs)
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
        "plan": _plan(plan, hide[0] if hide else None, degrees),
        "around": _around_hide(content, plan, degrees),
        "layers": [_layer(name, content.layers.get(name), degrees) for name in LAYERS],
        "extent": _extent(content, degrees),
        "scale": degrees.scale_at(focus(content)),
    }


def as_json(data: dict[str, Any]) -> str:
    """Return JSON that cannot end the script element that holds it."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return (
        text.replace("<", "\\u003c")
        .replace(">", "\\u003e")
        .replace("&", "\\u0026")
        .replace("\u2028", "\\u2028")
        .replace("\u2029", "\\u2029")
    )


class _Degrees:
    """Shapes of one metric CRS as GeoJSON geometries rounded to 1e-6 degrees (0.1 m)."""

    def __init__(self, crs: CRS) -> None:
        self.crs = crs
        self._forward = Transformer.from_crs(crs, 4326, always_xy=True)

    def geometries(self, shapes: Sequence[BaseGeometry]) -> list[dict[str, Any]]:
        def convert(xy: Any) -> Any:
            return np.round(np.column_stack(self._forward.transform(xy[:, 0], xy[:, 1])), 6) + 0.0

        flat = shapely.force_2d(np.array(shapes, dtype=object))
        return [json.loads(text) for text in shapely.to_geojson(shapely.transform(flat, convert))]

    def geometry(self, shape: BaseGeometry) -> dict[str, Any]:
        return self.geometries([shape])[0]

    def at(self, point: Point) -> list[float]:
        lon, lat = self.geometry(point)["coordinates"]
        return [lat, lon]

    def scale_at(self, x_y: tuple[float, float]) -> dict[str, float]:
        """Return metres of a degree of longitude and of latitude, on the ellipsoid."""
        lon, lat = self._forward.transform(*x_y)
        geod, step = Geod(ellps="WGS84"), 1e-3
        across = geod.inv(lon - step, lat, lon + step, lat)[2] / (2 * step)
        up = geod.inv(lon, lat - step, lon, lat + step)[2] / (2 * step)
        return {"lon_m": round(across, 3), "lat_m": round(up, 3)}

    def grid_bearing(self, true_deg: float, at: Point) -> float:
        return true_deg - convergence_deg(self.crs, at.x, at.y)


def _drawn(frame: gpd.GeoDataFrame) -> pd.Series[bool]:
    keep: pd.Series[bool] = frame.geometry.notna() & ~frame.geometry.is_empty
    return keep


def _shapes(frame: gpd.GeoDataFrame) -> Any:
    return np.asarray(frame.geometry, dtype=object)


def _number(value: Any, digits: int) -> float | int | None:
    if value is None or pd.isna(value):
        return None
    return round(float(value), digits) if digits else round(float(value))


def _words(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value)


def _chosen(content: MapContent) -> gpd.GeoDataFrame:
    chosen: gpd.GeoDataFrame = content.blinds[content.blinds["chosen"].astype(bool)]
    return chosen


def _hide(content: MapContent) -> tuple[Point, float | None] | None:
    """Return the hide and its true facing: the plan's own, else the chosen blind's."""
    chosen = _chosen(content)
    facing = _number(chosen["facing_deg"].iloc[0], 3) if len(chosen) else None
    hides = content.features[content.features["role"] == "hide"]
    if len(hides):
        return hides.geometry.iloc[0].centroid, facing
    return (chosen.geometry.iloc[0].centroid, facing) if len(chosen) else None


def focus(content: MapContent) -> tuple[float, float]:
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
    return west - 50, south - 50, east + 50, north + 50


def _extent(content: MapContent, degrees: _Degrees) -> list[list[float]]:
    west, south, east, north = _bounds(content)
    return [degrees.at(Point(west, south)), degrees.at(Point(east, north))]


def _blinds(blinds: gpd.GeoDataFrame, degrees: _Degrees) -> list[dict[str, Any]]:
    return [
        {
            "id": str(row["id"]),
            "rank": int(row["rank"]),
            "kind": _words(row["kind"]),
            "layout": _words(row["layout"]),
            "side": _words(row["wind_side"]),
            "why": _words(row["why"]),
            "verdict": _words(row["verdict_words"]),
            "cautions": [c for c in _words(row["cautions"]).split("\n") if c],
            "chosen": bool(row["chosen"]),
            "facing": _number(row["facing_deg"], 1),
            "at": degrees.at(row.geometry),
        }
        for _, row in blinds.sort_values(["rank", "id"]).iterrows()
    ]


def _plan(plan: gpd.GeoDataFrame, hide: Point | None, degrees: _Degrees) -> list[dict[str, Any]]:
    labelled = plan[plan["role"].isin(_LABELLED)]
    marks = dict(zip(labelled.index, lettering.leaders(list(labelled.geometry)), strict=True))
    groups = plan[plan["role"] == "group"].geometry
    drawn = shapely.union_all(groups.to_numpy()) if len(groups) else None
    for index, pocket in plan.geometry[plan["role"] == "pocket"].items():
        middle = lettering.middle_of(pocket, off=drawn)
        marks[index] = lettering.Lettered(middle, middle, "middle")
    return [
        {
            "role": str(row["role"]),
            "name": _words(row["name"]),
            "order": _number(row["order"], 0),
            "count": _number(row["count"], 0),
            "range_yd": _number(row["range_yd"], 1),
            "bearing_true": _number(row["bearing_true"], 1),
            "bearing_magnetic": _number(row["bearing_magnetic"], 1),
            "note": _words(row["note"]),
            "label": _label(marks.get(index), degrees),
            "shape": degrees.geometry(
                _barred(row.geometry, hide) if row["role"] == "fire_closed" else row.geometry
            ),
        }
        for index, row in plan.iterrows()
    ]


def _barred(closed: BaseGeometry, hide: Point | None) -> BaseGeometry:
    """Return a closed arc as a barred band about the hide, rather than a cone over the water."""
    if hide is None:
        return closed
    band = closed.intersection(hide.buffer(8.5).difference(hide.buffer(6.5)))
    return closed if band.is_empty else band


def _label(mark: lettering.Lettered | None, degrees: _Degrees) -> dict[str, Any] | None:
    if mark is None:
        return None
    return {"at": degrees.at(mark.at), "tip": degrees.at(mark.tip), "side": mark.side}


def _around_hide(
    content: MapContent, plan: gpd.GeoDataFrame, degrees: _Degrees
) -> dict[str, Any] | None:
    """Return what is drawn about the hide: its bracket, rings, the wind's arrow, the view."""
    found = _hide(content)
    if found is None:
        return None
    hide, facing_true = found
    facing = None if facing_true is None else degrees.grid_bearing(facing_true, hide)
    spread = plan[plan["role"].isin((*_LABELLED, "pocket"))].geometry
    avoid = shapely.union_all(spread.to_numpy()) if len(spread) else hide.buffer(8.0)
    letters = shapely.MultiPoint(
        [m.at for m in lettering.leaders(list(plan[plan["role"].isin(_LABELLED)].geometry))]
    )
    taken = shapely.union_all([avoid, letters.buffer(4.0)]) if len(letters.geoms) else avoid
    step = 10 * LENGTHS_M[content.units]
    arcs = lettering.rings(hide, facing, [step * n for n in (1, 2, 3, 4)], taken)
    view = [avoid.buffer(6.0), hide.buffer(12.0)]
    arrow = None
    if content.wind_from_deg is not None:
        centre = lettering.arrow_centre(
            hide, degrees.grid_bearing(content.wind_from_deg, hide), _water(content), taken
        )
        water = _water(content)
        arrow = {
            "at": degrees.at(centre),
            "far_at": degrees.at(centre if water is None else lettering.middle_of(water)),
            "length_m": lettering.ARROW_M,
        }
        view.append(centre.buffer(lettering.ARROW_M / 2))
    west, south, east, north = shapely.total_bounds(np.array(view, dtype=object))
    return {
        "hide": degrees.at(hide),
        "mark": degrees.geometry(lettering.hide_mark(hide, facing)),
        "rings": [
            {"words": str(10 * n), "shape": degrees.geometry(arc), "at": degrees.at(figure)}
            for n, (arc, figure) in enumerate(arcs, start=1)
        ],
        "arrow": arrow,
        "view": [degrees.at(Point(west, south)), degrees.at(Point(east, north))],
    }


def _water(content: MapContent) -> BaseGeometry | None:
    water = content.layers.get("water")
    if water is None or not _drawn(water).any():
        return None
    whole: BaseGeometry = shapely.union_all(_shapes(water[_drawn(water)]))
    return whole


def _layer(name: str, frame: gpd.GeoDataFrame | None, degrees: _Degrees) -> dict[str, Any]:
    """Return a layer's shapes; `state` tells a layer that is empty from one nobody gave."""
    if frame is None:
        return {"name": name, "state": "not checked", "shapes": []}
    rows = frame[_drawn(frame)]
    shapes = _simplified(_shapes(rows), grow=name in _NEVER_LESS)
    alike: dict[tuple[str, str], list[BaseGeometry]] = {}
    for kind, words, shape in zip(_kinds(name, rows), _letters(name, rows), shapes, strict=True):
        alike.setdefault((kind, words), []).append(shape)
    merged = {key: shapely.GeometryCollection(some) for key, some in alike.items()}
    return {
        "name": name,
        "state": "mapped" if len(rows) else "none mapped",
        "verify": bool("verify" in rows.columns and rows["verify"].astype(bool).any()),
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
        banks = [sides.get(_words(s), "sheltered") for s in _column(rows, "wind_side")]
        spots = rows.geom_type == "Point"
        return [f"{bank} dot" if spot else bank for bank, spot in zip(banks, spots, strict=True)]
    if name == "positions":
        # The style knows the kinds by one word each; anything else is drawn plainly.
        return ["tree-line" if k == "tree line" else "" for k in _column(rows, "kind")]
    return [""] * len(rows)


def _letters(name: str, rows: gpd.GeoDataFrame) -> list[str]:
    """Return what is written on each shape."""
    if name == "public_land":
        hunting = [f"hunting {_words(h) or 'unknown'}" for h in _column(rows, "hunting")]
        names = [_words(n) for n in _column(rows, "name")]
        return [", ".join(filter(None, p)) for p in zip(names, hunting, strict=True)]
    if name == "closed_areas":
        return [_words(r) for r in _column(rows, "reason")]
    return [""] * len(rows)


def _column(rows: gpd.GeoDataFrame, name: str) -> Sequence[Any]:
    held: Sequence[Any] = rows[name].tolist() if name in rows.columns else [None] * len(rows)
    return held
