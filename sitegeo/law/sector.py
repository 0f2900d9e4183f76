"""Sectors of fire: the directions a person leaves open, and what is nearest in them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import unit_from_bearing
from sitegeo.grid import convergence_deg
from sitegeo.law.nearest import Floats, Nearest, Shapes, grown, nearest, scale_over

WIDER_DEG = 30.0
"""A sector of fire is taken this much wider on both hands: guns swing; judgement."""

_SLICES = 73
"""Edges of the triangles that make a sector: none is wider than 5°."""

Arc = tuple[float, float]


def open_arcs(no_fire: Iterable[Arc]) -> tuple[Arc, ...]:
    """Return the arcs between closed ones, each widened on both hands, no wider than a circle.

    Arcs run clockwise from the first bearing to the second, in degrees; an open one may end
    beyond 360. One that begins and ends at the same bearing is empty, except 0 to 360.
    """
    closed = sorted((a % 360, a % 360 + _width(a, b)) for a, b in no_fire if _width(a, b))
    if not closed:
        return ((0.0, 360.0),)
    gaps = []
    reached = max(stop for _, stop in closed) - 360.0
    for start, stop in closed:
        if start > reached:
            gaps.append((reached, start))
        reached = max(reached, stop)
    wider = [(a - WIDER_DEG, b + WIDER_DEG) for a, b in gaps]
    return tuple((a % 360, a % 360 + min(b - a, 360.0)) for a, b in wider)


def nearest_in_sector(
    points: Shapes,
    features: Shapes,
    offset_m: Floats,
    *,
    arcs: Sequence[Arc],
    error_m: float,
    crs: CRS,
) -> Nearest:
    """Return what `nearest` does for what of the features lies in the arcs from each point.

    `arcs` are true bearings; the sectors are drawn out by the error. A point with nothing in
    its sectors gets an infinite distance and the first feature.
    """
    full_size = grown(features, offset_m, scale_over(crs, features))
    whole = np.where(offset_m > 0, full_size, features)
    tree = shapely.STRtree(whole)
    distance = np.full(len(points), np.inf)
    bearing = np.full(len(points), np.nan)
    feature = np.zeros(len(points), dtype=np.int64)
    for n, point in enumerate(points):
        if not arcs:
            break
        fan = _fan(point, whole, arcs, error_m=error_m, crs=crs)
        which = np.sort(tree.query(fan, predicate="intersects"))
        if which.size:
            parts = shapely.intersection(whole[which], fan)
            # What only touches may round to nothing.
            parts = np.where(shapely.is_empty(parts), whole[which], parts)
            found = nearest(points[n : n + 1], parts, np.zeros(which.size), crs=crs)
            distance[n], bearing[n] = found.distance_m[0], found.bearing_deg[0]
            feature[n] = which[found.feature[0]]
    return Nearest(feature, distance, bearing)


def _width(start: float, stop: float) -> float:
    return 360.0 if (start, stop) == (0.0, 360.0) else (stop - start) % 360


def _fan(
    point: shapely.Point, features: Shapes, arcs: Sequence[Arc], *, error_m: float, crs: CRS
) -> BaseGeometry:
    """Return the ground in the arcs about a point, out past every feature, grown by the error."""
    far = shapely.hausdorff_distance(point, shapely.box(*shapely.total_bounds(features)))
    reach = 1.5 * far + 1.0  # well past what a chord cuts off
    turn = convergence_deg(crs, point.x, point.y)
    slices = []
    for start, stop in arcs:
        bearings = np.linspace(start, stop, _SLICES) - turn
        rim = np.column_stack(unit_from_bearing(bearings)) * reach + (point.x, point.y)
        guns = np.broadcast_to([point.x, point.y], rim[1:].shape)
        slices.append(np.asarray(shapely.polygons(np.stack([guns, rim[:-1], rim[1:]], axis=1))))
    scale = scale_over(crs, np.array([point]))
    fan: BaseGeometry = grown(shapely.union_all(np.concatenate(slices)), error_m, scale)
    return fan
