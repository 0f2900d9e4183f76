"""Mapped buildings and roads in the terms of the rules: which a rule is about, and their size.

Whenever in doubt the stricter: a building of unknown kind is all that it might be, a road of
unknown class as wide as any.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from sitegeo.core.typing import BoolArray, FloatArray
from sitegeo.law.rules import BUILDING_LINES, RULE_TARGETS, DistanceRule, Law, MeasuredFrom, Target

BUILDING_TARGETS: tuple[Target, ...] = tuple(t for t in RULE_TARGETS if t != "road")

HOUSES = frozenset({
    "dwelling", "house", "home", "residence", "residential", "detached", "semidetached house",
    "terrace", "bungalow", "cabin", "farm", "farmhouse", "trailer", "houseboat",
    "static caravan", "mobile home",
})  # fmt: skip

SCHOOLS = frozenset({
    "school", "kindergarten", "college", "university", "childcare", "nursery", "playground",
})  # fmt: skip

LIVESTOCK = frozenset({
    "barn", "cowshed", "stable", "sty", "livestock", "livestock building", "farm building",
    "farm auxiliary", "dairy", "poultry house", "chicken coop", "feedlot",
    "corral", "stockade", "paddock",
})  # fmt: skip

OUTBUILDINGS = frozenset({
    "outbuilding", "shed", "garage", "garages", "carport", "greenhouse", "silo",
    "storage tank", "water tower",
})  # fmt: skip

UNSPECIFIED = frozenset({"", "yes", "building"})

UNPAVED = frozenset({
    "unpaved", "gravel", "fine gravel", "pebblestone", "compacted", "dirt", "earth", "ground",
    "grass", "sand", "mud", "clay", "rock", "soil", "woodchips",
})  # fmt: skip

POINT_HOUSE_M = 20.0
"""Half the diagonal of a large house (32 m by 24 m): how much nearer a point may really be."""

POINT_LARGE_M = 60.0
"""The same for a school, a barn or another building that is not a house."""

PAVEMENT_M = {
    "motorway": 30.0, "motorway link": 15.0, "trunk": 30.0, "trunk link": 15.0,
    "primary": 24.0, "primary link": 12.0, "secondary": 18.0, "secondary link": 12.0,
    "tertiary": 15.0, "tertiary link": 12.0, "residential": 15.0, "unclassified": 12.0,
    "living street": 12.0, "service": 10.0, "track": 8.0, "pedestrian": 15.0,
    "cycleway": 5.0, "bridleway": 5.0, "footway": 4.0, "path": 4.0, "steps": 4.0,
}  # fmt: skip
"""Full width of the pavement by class, in metres; the widest where the class is not known."""

WIDEST_PAVEMENT_M = max(PAVEMENT_M.values())

VERGE_M = 15.0
"""Pavement edge to right-of-way line: a 100 ft right-of-way around two lanes leaves 12 m."""

VERGE_HIGHWAY_M = 45.0
"""The same for motorways, trunk roads and roads of unknown class."""


def features_under_rule(layer: gpd.GeoDataFrame, rule: DistanceRule) -> BoolArray:
    """Return which features of the dwellings or roads layer a rule is about.

    Every mapped way counts as a road, track and path too; a rule for paved roads leaves out
    only those whose surface is told and unpaved.
    """
    if not rule.of_roads:
        wanted = set(rule.target)
        return _each(layer["kind"], lambda kind: bool(building_targets(kind) & wanted)).astype(bool)
    if "paved road" in rule.applies_on:
        return ~_each(layer["surface"], lambda s: plain_word(s) in UNPAVED).astype(bool)
    return np.ones(len(layer), dtype=bool)


def covers_houses(rule: DistanceRule) -> bool:
    """Return whether a rule reaches an ordinary house."""
    return not _OF_HOUSE.isdisjoint(rule.target)


def building_targets(kind: object) -> frozenset[Target]:
    """Return every target a building of this kind counts as.

    A kind that is unknown, or several, counts as all it might be; a barn is never a dwelling,
    and a shed or garage only a building.

    Examples
    --------
    >>> sorted(building_targets("garage"))
    ['building']
    >>> sorted(building_targets("barn"))
    ['building', 'livestock building', 'occupied building']
    """
    found: set[Target] = set()
    for part in map(plain_word, kind.split(";") if isinstance(kind, str) else [""]):
        found |= _TARGETS_OF.get(part, _EVERY)
    return frozenset(found)


_EVERY: frozenset[Target] = frozenset(BUILDING_TARGETS)

_OF_HOUSE: frozenset[Target] = frozenset({"dwelling", "occupied building", "building"})

_OF_SCHOOL: frozenset[Target] = _OF_HOUSE | {"school"}

_OF_BARN: frozenset[Target] = frozenset({"livestock building", "occupied building", "building"})

_OF_SHED: frozenset[Target] = frozenset({"building"})

_TARGETS_OF: dict[str, frozenset[Target]] = {
    **dict.fromkeys(HOUSES, _OF_HOUSE),
    **dict.fromkeys(SCHOOLS, _OF_SCHOOL),
    **dict.fromkeys(LIVESTOCK, _OF_BARN),
    **dict.fromkeys(OUTBUILDINGS, _OF_SHED),
    "farm": _OF_HOUSE | _OF_BARN,  # to some a farmhouse, to others the yard
}


def outline_shows_line(outline: MeasuredFrom, rule: DistanceRule) -> bool:
    """Return whether outlines of buildings hold the line that a rule counts from."""
    return rule.of_roads or BUILDING_LINES.index(outline) >= BUILDING_LINES.index(
        rule.measured_from
    )


def offset_m(layer: gpd.GeoDataFrame, rule: DistanceRule, law: Law | None = None) -> FloatArray:
    """Return how much nearer than its mapped geometry each feature must be taken.

    Zero for a footprint and for a rule measured from the centreline; for a building known as a
    point half its diagonal; for a road half the pavement, or of the right-of-way where the rule
    is measured from that. A law's own widths replace the usual ones of their class; an example's
    never make a right-of-way narrower.

    Parameters
    ----------
    layer
        Dwellings or roads, by their contract.
    rule
        A rule about what the layer holds.
    law
        Whose `road_width_m` and `right_of_way_m` count; None takes the usual widths.

    Returns
    -------
    FloatArray
        Metres, shape (features,).
    """
    if not rule.of_roads:
        return building_extent_m(layer)
    if rule.measured_from == "centreline":
        return np.zeros(len(layer))
    half = half_pavement_m(layer, {} if law is None else law.road_width_m)
    if rule.measured_from == "pavement edge":
        return half
    usual = half + _each(layer["class"], verge_m)
    if law is None or not law.right_of_way_m:
        return usual
    own = value_by_class(layer["class"], law.right_of_way_m) / 2
    least = usual if law.example else half
    return np.where(np.isnan(own), usual, np.fmax(own, least))


def largest_offset_m(rule: DistanceRule, law: Law) -> float:
    """Return the largest offset a feature of a rule may have, mapped or not."""
    if not rule.of_roads:
        return POINT_LARGE_M
    if rule.measured_from == "centreline":
        return 0.0
    widest = max([WIDEST_PAVEMENT_M, *law.road_width_m.values()]) / 2
    if rule.measured_from == "pavement edge":
        return widest
    return max([widest + VERGE_HIGHWAY_M, *(w / 2 for w in law.right_of_way_m.values())])


def building_extent_m(layer: gpd.GeoDataFrame) -> FloatArray:
    """Return how far each building may reach beyond its mapped geometry: a point has a size."""
    point = (layer.geom_type == "Point").to_numpy()
    return np.where(point, _each(layer["kind"], _half_diagonal_m), 0.0)


def half_pavement_m(
    layer: gpd.GeoDataFrame, own_m: Mapping[str, float] | None = None
) -> FloatArray:
    """Return half the pavement of each road: its width, else its class's by `own_m` or usual.

    A width of 0 is one that nobody filled in.
    """
    width = layer["width_m"].to_numpy(float, na_value=np.nan)
    own = value_by_class(layer["class"], own_m or {})
    usual = np.where(np.isnan(own), _each(layer["class"], pavement_m), own)
    return np.asarray(np.where(width > 0, width, usual) / 2)


def pavement_m(road_class: object) -> float:
    """Return the full pavement width of a class; the widest where it is not known."""
    return PAVEMENT_M.get(plain_word(road_class), WIDEST_PAVEMENT_M)


def verge_m(road_class: object) -> float:
    """Return the strip between pavement edge and right-of-way line of a class."""
    name = plain_word(road_class)
    usual = name in PAVEMENT_M and not name.startswith(("motorway", "trunk"))
    return VERGE_M if usual else VERGE_HIGHWAY_M


def right_of_way_m(road_class: object) -> float:
    """Return the full right-of-way width of a class."""
    return pavement_m(road_class) + 2 * verge_m(road_class)


def value_by_class(classes: pd.Series[Any], table: Mapping[str, float]) -> FloatArray:
    """Return a table's value for each class, NaN where it has none."""
    named = {plain_word(name): value for name, value in table.items()}
    return _each(classes, lambda c: named.get(plain_word(c), np.nan))


def plain_word(value: object) -> str:
    """Return an attribute's word in lower case with spaces, empty for none."""
    if not isinstance(value, str):
        return ""
    return " ".join(value.lower().replace("_", " ").split())


def _half_diagonal_m(kind: object) -> float:
    parts = {plain_word(part) for part in kind.split(";")} if isinstance(kind, str) else set()
    return POINT_HOUSE_M if parts <= HOUSES | OUTBUILDINGS | UNSPECIFIED else POINT_LARGE_M


def _each(values: pd.Series[Any], value_of: Any) -> FloatArray:
    """Return a number for each value, worked out once for each that differs."""
    codes, different = pd.factorize(values, use_na_sentinel=False)
    table: FloatArray = np.array([value_of(v) for v in different], dtype=float)
    return table[codes]
