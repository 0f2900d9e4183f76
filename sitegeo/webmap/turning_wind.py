"""The turning wind as the page holds it: short lists of whole numbers and shared texts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from shapely.geometry import Point

from sitegeo.webmap import lettering
from sitegeo.webmap.content import MapContent, WindView
from sitegeo.webmap.degrees import Degrees
from sitegeo.webmap.plan_items import LABELLED_ROLES, RINGS_M, plan_items


def turn_data(content: MapContent, degrees: Degrees) -> dict[str, Any] | None:
    """Return the winds of a turning map, the stations they blow on, and the texts they share.

    Blinds are numbers into the page's `blinds`; texts are numbers into `texts`; lines are as
    `Degrees.line_steps` gives them, from `origin`.
    """
    turn = content.turn
    if turn is None:
        return None
    pieces = np.asarray(turn.stations.geometry, dtype=object)
    west, south, *_ = shapely.total_bounds(pieces) if len(pieces) else (0.0, 0.0)
    origin = degrees.lat_lon(Point(west, south))
    shared = _SharedTexts()
    numbers = {
        str(name): n for n, name in enumerate(content.blinds.sort_values(["rank", "id"])["id"])
    }
    facing = facing_by_blind(content.blinds)
    return {
        "components": list(turn.components),
        "origin": origin,
        "stations": degrees.line_steps([shapely.get_coordinates(p) for p in pieces], origin),
        "facing": [round(f) for f in turn.stations["facing_deg"].tolist()],
        "winds": [
            _wind(w, numbers, shared, degrees, origin=origin, facing=facing) for w in turn.winds
        ],
        "texts": shared.texts,
    }


def spreads_data(
    drawn: Mapping[str, gpd.GeoDataFrame], degrees: Degrees, facing: Mapping[str, float]
) -> dict[str, Any]:
    """Return spreads of several blinds, ready for JSON.

    Parameters
    ----------
    drawn
        Their plans by id of the blind, as `MapContent.drawn`.
    degrees
        Of their CRS.
    facing
        True facing by id, of the blinds that have one.

    Returns
    -------
    dict
        By id: `items` as of `plan_items`, and `figures`, the true bearing of the rings' figures.
    """
    return {name: _spread(frame, degrees, facing.get(name)) for name, frame in drawn.items()}


def facing_by_blind(blinds: gpd.GeoDataFrame) -> dict[str, float]:
    """Return the true facing of each blind that has one."""
    known = blinds[blinds["facing_deg"].notna()]
    return dict(zip(known["id"].astype(str), known["facing_deg"].astype(float), strict=True))


class _SharedTexts:
    """Texts said many times, kept once."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def numbers(self, texts: Sequence[str]) -> list[int]:
        return [self._numbers.setdefault(text, len(self._numbers)) for text in texts]

    @property
    def texts(self) -> list[str]:
        return list(self._numbers)


def _wind(
    wind: WindView,
    numbers: Mapping[str, int],
    shared: _SharedTexts,
    degrees: Degrees,
    *,
    origin: Sequence[float],
    facing: Mapping[str, float],
) -> dict[str, Any]:
    return {
        "from": round(wind.from_deg, 2),
        "words": wind.words,
        "order": [numbers[name] for name in wind.order],
        "layout": shared.numbers(wind.layout),
        "side": shared.numbers(wind.side),
        "why": [shared.numbers(text.split("; ")) for text in wind.why],
        "grades": shared.numbers(wind.grades),
        "banks": "".join(map(str, wind.banks.tolist())),
        "strip": np.round(wind.calm_strip_m).astype(int).tolist(),
        "lee": degrees.line_steps(wind.lee, origin),
        "drawn": spreads_data(wind.drawn, degrees, facing),
    }


def _spread(frame: gpd.GeoDataFrame, degrees: Degrees, facing: float | None) -> dict[str, Any]:
    there = frame[frame.geometry.notna() & ~frame.geometry.is_empty]
    shapes = np.asarray(there.geometry, dtype=object)
    hides = shapes[(there["role"] == "hide").to_numpy()]
    hide: Point | None = hides[0] if len(hides) else None
    items = plan_items(there, hide, degrees)
    if hide is None:
        return {"items": items, "figures": None}
    drawn = shapely.union_all(shapes[there["role"].isin((*LABELLED_ROLES, "pocket")).to_numpy()])
    front = None if facing is None else degrees.grid_bearing(facing, hide)
    figures = lettering.ring_figures_bearing(hide, front, RINGS_M, drawn)
    return {"items": items, "figures": round(degrees.true_bearing(figures, hide), 1)}
