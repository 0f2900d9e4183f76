"""Where lettering, range rings and the wind's arrow lie around the hide, in metres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry
from shapely.ops import nearest_points

from sitegeo.angles import unit_from_bearing

ARROW_M = 28.0
"""Length of the wind's arrow."""

_CLEAR_M = 7.0
"""The arrow keeps so far off what is drawn."""

_LEAST_PITCH_M = 4.2
"""Labels of one column stand at least so far apart: two lines of lettering at the usual scale."""

_ARROW_RANGES_M = (30.0, 120.0, 6.0)
"""Nearest and farthest the arrow lies from the hide, and the step between places tried."""

_SHORE_M = 3.0
"""The arrow lies on water where all of it is so far from the shore."""

_RING_ARC_DEG = 70.0
"""The rings' figures stand within this of the hide's facing."""

_WHOLE_ARC_DEG = 126.0
"""Within this of north, where no facing is known."""

_DRY_M = 25.0
"""So much farther from the drawing the arrow may go to lie on water."""

_FIRE_M = 10.5
"""Words about a closed arc stand this far from the hide, outside its band."""


@dataclass(frozen=True)
class Label:
    """A label at `at`, on the left or right of the drawing, its leader ending at `tip`."""

    at: Point
    tip: Point
    side: str


def place_labels(
    shapes: Sequence[BaseGeometry], *, beside: Sequence[BaseGeometry] = (), gap_m: float = 3.0
) -> list[Label]:
    """Return one label for each shape, in two columns beside the drawing, none on another.

    Parameters
    ----------
    shapes
        What is labelled, in metres.
    beside
        Drawn too, without a label in a column.
    gap_m
        Room between the drawing and a column.

    Returns
    -------
    list of Label
        In the order of `shapes`.

    Examples
    --------
    >>> from shapely import box
    >>> [label.side for label in place_labels([box(0, 0, 2, 2), box(8, 0, 10, 2)])]
    ['left', 'right']
    """
    if not shapes:
        return []
    west, south, east, north = shapely.total_bounds(np.array([*shapes, *beside], dtype=object))
    middle = (west + east) / 2
    pitch = max(_LEAST_PITCH_M, (north - south) / 10)
    centres = [s.representative_point() for s in shapes]
    sides = ["right" if c.x >= middle else "left" for c in centres]
    placed: dict[int, Label] = {}
    for side, x in (("left", west - gap_m), ("right", east + gap_m)):
        rows = sorted((i for i, s in enumerate(sides) if s == side), key=lambda i: centres[i].y)
        heights = _spread([centres[i].y for i in rows], pitch)
        for i, y in zip(rows, heights, strict=True):
            at = Point(x, y)
            placed[i] = Label(at, _tip(shapes[i], at), side)
    return [placed[i] for i in range(len(shapes))]


def _spread(heights: Sequence[float], pitch: float) -> list[float]:
    """Return rising heights moved as little as keeps them `pitch` apart (pool adjacent)."""
    steps = pitch * np.arange(len(heights))
    pools: list[list[float]] = []
    for wanted in np.asarray(heights, float) - steps:
        pools.append([wanted])
        while len(pools) > 1 and np.mean(pools[-2]) > np.mean(pools[-1]):
            pools[-2:] = [pools[-2] + pools[-1]]
    level = np.array([np.mean(p) for p in pools for _ in p])
    return [float(h) for h in level + steps]


def _tip(shape: BaseGeometry, at: Point) -> Point:
    edge = nearest_points(shape, at)[0]
    centre = shape.representative_point()
    inward = LineString([edge, centre])
    return inward.interpolate(min(1.0, inward.length))


def places_along_arc(arc: BaseGeometry, hide: Point) -> list[Point]:
    """Return places for words along the outside of a closed arc, its middle first."""
    edge = hide.buffer(_FIRE_M, quad_segs=32).exterior.intersection(arc)
    if edge.is_empty:
        return [arc.representative_point()]
    line = shapely.line_merge(edge)
    parts = sorted(shapely.get_parts(line), key=lambda part: -part.length)
    return [
        part.interpolate(share, normalized=True)
        for part in parts
        for share in (0.5, 0.3, 0.7, 0.1, 0.9)
    ]


def roomiest_point(shape: BaseGeometry, *, off: BaseGeometry | None = None) -> Point:
    """Return the point of a polygon with most room round it, keeping off another shape."""
    free = shape if off is None else shape.difference(off)
    if free.area == 0:
        return shape.centroid
    reach = shapely.maximum_inscribed_circle(free, tolerance=max(0.5, free.area**0.5 / 100))
    return Point(shapely.get_coordinates(reach)[0])


def ring_figures_bearing(
    hide: Point, facing_deg: float | None, radii_m: Sequence[float], avoid: BaseGeometry
) -> float:
    """Return the grid bearing on which the rings' figures stand: where they keep furthest off.

    Parameters
    ----------
    hide
        Middle of the rings, in metres.
    facing_deg
        Grid bearing of the hide's front, or None; figures stand to the front.
    radii_m
        Radii of the rings that have a figure.
    avoid
        What is drawn already.

    Returns
    -------
    float
        Degrees clockwise from grid north.
    """
    half, middle = (_WHOLE_ARC_DEG, 0.0) if facing_deg is None else (_RING_ARC_DEG, facing_deg)
    bearings = np.arange(middle - half, middle + half + 1, 10.0)
    east, north = unit_from_bearing(bearings)
    radii = np.asarray(radii_m)[:, None]
    figures = shapely.points(hide.x + radii * east, hide.y + radii * north)
    return float(bearings[shapely.distance(figures, avoid).min(axis=0).argmax()])


def arrow_centre(
    hide: Point,
    from_deg: float,
    water: BaseGeometry | None,
    avoid: BaseGeometry,
    *,
    tall: bool = False,
) -> Point:
    """Return where the wind's arrow lies: off the drawing, near it, on open water where it can.

    Parameters
    ----------
    hide
        In metres.
    from_deg
        Grid bearing the wind comes from.
    water
        Open water, or None.
    avoid
        What is drawn already.
    tall
        The sheet is higher than wide: the arrow lies rather above or below the drawing than beside
        it.

    Returns
    -------
    Point
        The middle of the arrow.
    """
    east, north = unit_from_bearing(from_deg)
    along = np.array([east, north]) * ARROW_M / 2
    nearest, farthest, step = _ARROW_RANGES_M
    away_m = np.arange(nearest, farthest + step / 2, step)
    bearings, ranges = np.meshgrid(np.arange(0.0, 360.0, 10.0), away_m)
    dx, dy = unit_from_bearing(bearings.ravel())
    centres = np.column_stack([hide.x + ranges.ravel() * dx, hide.y + ranges.ravel() * dy])
    shafts = shapely.linestrings(np.stack([centres + along, centres - along], axis=1))
    away = np.zeros(len(centres))
    need = _CLEAR_M - np.minimum(shapely.distance(shafts, avoid), _CLEAR_M)
    if water is not None:
        wet = shapely.buffer(water, -_SHORE_M)
        shapely.prepare(wet)
        away = np.where(shapely.contains(wet, shafts), 0.0, _DRY_M)
    # Nearest to what is drawn, once it is clear of it.
    east_m, north_m = (centres - shapely.get_coordinates(avoid.centroid)).T
    away = away + np.hypot(east_m * (2.0 if tall else 1.0), north_m)
    return Point(centres[int(np.argmin(need * 1000.0 + away))])
