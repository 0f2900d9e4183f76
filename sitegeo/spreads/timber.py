"""An opening in flooded timber: where the stack and the jerk line lie.

Metres from the hide, windward hand to +x.
"""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import LineString, Point

from sitegeo.core.typing import FloatArray
from sitegeo.spreads.dimensions import TIMBER_LAYOUT
from sitegeo.spreads.layouts import polygons_of
from sitegeo.spreads.sketch import Polygonal
from sitegeo.units import yd

STACK_REACH_M = yd(35.0)
"""A stack farther from the pocket than this leads no bird into it; judgement."""

STACK_FROM_GUNS_M = yd(10.0)
"""No part of the stack is nearer to the guns; judgement."""

TIMBER_FLANK_DEG = 75.0
"""With the wind less far round than this the hide is no longer on the flank; judgement."""

STACK_OUTSIDE = 0.6
"""Share of the stack among the trees, beyond the opening's edge; practice."""

_FRINGE_M = yd(1.5)
"""A stack reaches so far out of the trees onto open water; judgement."""

_JERK_LINE_M = (yd(2.0), yd(20.0))
"""The jerk line starts so far downwind of the pocket's middle, and runs so far upwind where no edge
is near; judgement."""

_WITHIN_REACH = 0.999
"""An edge nearer than this share of `STACK_REACH_M` was found, rounding aside."""


def stack_centre(opening: Polygonal, pocket: FloatArray, upwind: FloatArray) -> FloatArray | None:
    """Return the middle of the stack: a few yards into the trees downwind of the pocket.

    Parameters
    ----------
    opening
        Open water among the trees, metres.
    pocket
        Middle of the pocket, (x, y).
    upwind
        Unit vector toward the wind's source.

    Returns
    -------
    ndarray of shape (2,), or None
        None where the trees downwind are too far off.
    """
    edge = edge_distance_m(opening, pocket, -upwind)
    return None if edge is None else pocket - (edge + yd(TIMBER_LAYOUT.stack_in)) * upwind


def stack_among_trees(stack: Polygonal, opening: Polygonal, flooded: Polygonal) -> Polygonal:
    """Return what of a stack lies in flooded trees or on the water close before them.

    Parameters
    ----------
    stack
        The stack as drawn, metres.
    opening
        Open water among the trees.
    flooded
        Trees that stand in water.

    Returns
    -------
    Polygon or MultiPolygon
        May be empty.
    """
    fringe = opening.intersection(flooded.buffer(_FRINGE_M, quad_segs=4))
    return polygons_of(stack.intersection(flooded.union(fringe)))


def share_outside_opening(stack: Polygonal, opening: Polygonal) -> float:
    """Return the share of a stack that lies beyond the opening's edge."""
    return 1.0 - stack.intersection(opening).area / stack.area


def edge_distance_m(opening: Polygonal, start: FloatArray, direction: FloatArray) -> float | None:
    """Return how far from a spot in the opening its edge is.

    Parameters
    ----------
    opening
        Open water among the trees, metres.
    start
        The spot, (x, y).
    direction
        Unit vector to look along.

    Returns
    -------
    float or None
        Metres; None where the edge is farther than `STACK_REACH_M`.
    """
    ray = LineString([start, start + STACK_REACH_M * direction])
    first = min(
        shapely.get_parts(ray.intersection(opening)), key=lambda g: g.distance(Point(start))
    )
    length = float(first.length)
    return length if length < _WITHIN_REACH * STACK_REACH_M else None


def jerk_line(opening: Polygonal, pocket: FloatArray, upwind: FloatArray) -> FloatArray:
    """Return the ends of the jerk line: in the pocket, and at a trunk at the upwind end.

    Parameters
    ----------
    opening
        Open water among the trees, metres.
    pocket
        Middle of the pocket, (x, y).
    upwind
        Unit vector toward the wind's source.

    Returns
    -------
    ndarray, shape (2, 2)
        The two ends, (x, y).
    """
    edge = edge_distance_m(opening, pocket, upwind)
    start, farthest = _JERK_LINE_M
    reach = farthest if edge is None else edge
    return np.array([pocket - start * upwind, pocket + reach * upwind])
