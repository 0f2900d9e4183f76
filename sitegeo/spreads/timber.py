"""A timber opening's edge, and where the stack and the jerk line meet it."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString, Point

from sitegeo.spreads.frame import Floats
from sitegeo.spreads.layouts import polygons_of
from sitegeo.spreads.sketches import STACK_IN_YD, Area
from sitegeo.units import yd

FARTHEST_M = yd(35.0)
"""Judgement: a stack farther from the pocket than this leads no bird into it."""

FROM_GUNS_M = yd(10.0)
"""Judgement: no part of the stack is nearer to the guns."""

FLANK_DEG = 75.0
"""Judgement: with the wind less far round than this the hide is no longer on the flank."""

LEAST_OUTSIDE = 0.6
"""Share of the stack among the trees, beyond the opening's edge (common practice, no source)."""

_FRINGE_M = yd(1.5)  # judgement: a stack reaches so far out of the trees onto open water


def to_edge_m(opening: Area, start: Floats, direction: Floats) -> float | None:
    """Return how far from a spot in the opening its edge is, or None where that is too far."""
    ray = LineString([start, start + FARTHEST_M * direction])
    first = min(
        shapely.get_parts(ray.intersection(opening)), key=lambda g: g.distance(Point(start))
    )
    length = float(first.length)
    return length if length < 0.999 * FARTHEST_M else None


def stack_centre(opening: Area, pocket: Floats, upwind: Floats) -> Floats | None:
    """Return the middle of the stack: a few yards into the trees downwind of the pocket."""
    edge = to_edge_m(opening, pocket, -upwind)
    return None if edge is None else pocket - (edge + yd(STACK_IN_YD)) * upwind


def jerk_line(opening: Area, pocket: Floats, upwind: Floats) -> Floats:
    """Return the ends of the jerk line: in the pocket, and at a trunk at the upwind end."""
    edge = to_edge_m(opening, pocket, upwind)
    reach = yd(20.0) if edge is None else edge
    return np.array([pocket - yd(2.0) * upwind, pocket + reach * upwind])


def among_trees(stack: Area, opening: Area, flooded: Area) -> Area:
    """Return what of a stack lies in flooded trees or on the water close before them."""
    fringe = opening.intersection(flooded.buffer(_FRINGE_M, quad_segs=4))
    return polygons_of(stack.intersection(flooded.union(fringe)))


def outside_share(stack: Area, opening: Area) -> float:
    """Return the share of a stack that lies beyond the opening's edge."""
    return 1.0 - stack.intersection(opening).area / stack.area
