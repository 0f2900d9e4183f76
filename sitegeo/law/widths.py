"""How wide roads are, by class, where neither a layer nor a law says.

Judgement, no source: the tables stand in for what is not known, and are wide.
"""

from __future__ import annotations

PAVEMENT_M = {
    "motorway": 30.0, "motorway link": 15.0, "trunk": 30.0, "trunk link": 15.0,
    "primary": 24.0, "primary link": 12.0, "secondary": 18.0, "secondary link": 12.0,
    "tertiary": 15.0, "tertiary link": 12.0, "residential": 15.0, "unclassified": 12.0,
    "living street": 12.0, "service": 10.0, "track": 8.0, "pedestrian": 15.0,
    "cycleway": 5.0, "bridleway": 5.0, "footway": 4.0, "path": 4.0, "steps": 4.0,
}  # fmt: skip
"""Full width of the pavement by class, in metres; the widest where the class is not known."""
WIDEST_M = max(PAVEMENT_M.values())

VERGE_M = 15.0
"""Pavement edge to right-of-way line: a 100 ft right-of-way around two lanes leaves 12 m."""
VERGE_HIGHWAY_M = 45.0
"""The same for motorways, trunk roads and roads of unknown class."""


def plain(value: object) -> str:
    """Return an attribute's word in lower case with spaces, empty for none."""
    if not isinstance(value, str):
        return ""
    return " ".join(value.lower().replace("_", " ").split())


def pavement_m(road_class: object) -> float:
    """Return the full pavement width of a class; the widest where it is not known."""
    return PAVEMENT_M.get(plain(road_class), WIDEST_M)


def verge_m(road_class: object) -> float:
    """Return the strip between pavement edge and right-of-way line of a class."""
    name = plain(road_class)
    usual = name in PAVEMENT_M and not name.startswith(("motorway", "trunk"))
    return VERGE_M if usual else VERGE_HIGHWAY_M


def right_of_way_m(road_class: object) -> float:
    """Return the full right-of-way width of a class."""
    return pavement_m(road_class) + 2 * verge_m(road_class)
