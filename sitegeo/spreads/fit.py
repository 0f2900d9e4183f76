"""Fit the parts of a layout to the real water: cut, moved a little, or left out.

Everything is in the layout's own frame with the windward hand to +x.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import shapely
from shapely.geometry import MultiPoint, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from sitegeo.core.typing import AnyArray, BoolArray, FloatArray
from sitegeo.spreads.decoys import scatter_spots, spots_apart
from sitegeo.spreads.frame import POCKET_RANGE_M, HideFrame
from sitegeo.spreads.layouts import Layout, LayoutPart, carve_part, polygons_of
from sitegeo.spreads.sketch import FAR_GROUP, Polygonal
from sitegeo.spreads.timber import (
    STACK_FROM_GUNS_M,
    STACK_OUTSIDE,
    TIMBER_FLANK_DEG,
    share_outside_opening,
    stack_among_trees,
    stack_centre,
)
from sitegeo.units import length_text, yd

Depths = Callable[[FloatArray], AnyArray]
"""Returns water depths, metres, at an (n, 2) array in the frame's CRS; NaN where unknown."""

POCKET_AIM_M = (POCKET_RANGE_M[0] + yd(0.3), POCKET_RANGE_M[1] - yd(0.3))
"""Where the pocket is set: a little inside its range, since cutting to the shore moves the centre;
judgement."""

POCKET_PULLS = 4
"""Tries to bring a pocket that land cuts back into the wanted shot; judgement."""

_POCKET_WATER = 0.75
"""Less open water than this share is no pocket; judgement."""

DECOY_SHORE_M = 0.3
"""A decoy needs this much water beside it; judgement."""

_REACH_M = yd(60.0)
"""No layout reaches further from the hide; judgement."""

PART_NUDGE_M = {"pocket": yd(4.0), "guard": yd(15.0), "motion": yd(10.0)}
"""How far a part may be moved to find water; judgement."""

NUDGE_DEFAULT_M = yd(6.0)
"""The same for the other parts; judgement."""

_TOLD_MOVE_M = yd(2.0)
"""A part moved further is told of; judgement."""

_TOLD_SPREAD_MOVE_M = yd(1.0)
"""A whole spread moved further is told of; judgement."""

_WHOLE = 0.999
"""An area with more than this share in water is whole, rounding aside."""

LEAST_PART_WATER = 0.25
"""A part with less of its area in water is left out; judgement."""

_LEAST_PIECE = 0.15
"""A piece of a part that land cuts off is left out below this share of the part; judgement."""

_CUT_SHORT = 0.7
"""A part is called cut short where less than this share of it is water; judgement."""

_DRAWN_IN = 0.9
"""A part is called drawn in where less than this share of it is shallow enough; judgement."""

_SHALLOW_REACH = 0.8
"""Round a spot that is shallow enough the part is kept for this share of the spacing; judgement."""

_CLOSEST = 0.75
"""No two decoys lie nearer than this share of the wanted spacing; judgement."""

_SPARE_SPOTS = (1.5, 4)
"""Spots are wanted for so many times a part's decoys, and so many more; judgement."""

_FOCUS_HANDFUL = 0.6 * np.array([[0.1, 0.2], [1.2, -0.9], [-1.1, -0.7], [0.2, 1.8]])
"""A loose handful about the focus, in spacings; judgement."""

_FOCUS_ON_LINE = 0.6 * np.array([[-1.0], [1.0]])
"""The two decoys on a jerk line, in spacings along it; judgement."""

_FOCUS_AREA = 1.5
"""Radius of the focus's area, in spacings; judgement."""

SEEN_OVER_M = yd(6.0)
"""Birds at the pocket see over no wider strip of land or reeds; judgement."""

_SIGHT_LINES = 180
"""Directions in which it is looked; judgement."""

_SIGHT_START_M = 0.01
"""Where they start: lines that meet in one point would be cut there."""


@dataclass(frozen=True)
class LayoutOnWater:
    """A layout over the water round the hide, in the layout's frame, windward hand to +x.

    Parameters
    ----------
    layout
        The layout as drawn.
    frame
        Where the hide is and which way it looks.
    water, flooded
        Open water, and trees that stand in water, metres from the hide.
    depth
        Depths in the frame's CRS; None where none are known.
    max_depth_m
        Deepest water to set in; None for no limit.
    """

    layout: Layout
    frame: HideFrame
    water: Polygonal
    flooded: Polygonal
    depth: Depths | None
    max_depth_m: float | None

    @property
    def in_timber(self) -> bool:
        """Whether the layout is that of an opening in timber."""
        return self.layout.name == "timber"

    @property
    def upwind(self) -> FloatArray:
        """Unit vector toward the wind's source."""
        return self.layout.upwind * (self.layout.hand, 1)

    def to_world(self, shape: Any) -> Any:
        """Return a geometry or an (n, 2) array in the frame's CRS."""
        return self.frame.to_world(_mirrored(shape, self.layout.hand))

    def drawn(self, part: LayoutPart, moved: FloatArray) -> Any:
        """Return a part as drawn, moved along."""
        return _shifted(_mirrored(part.geometry, self.layout.hand), moved)

    def depths(self, xy: FloatArray) -> FloatArray:
        """Return the depth at each spot, metres; NaN where unknown."""
        if self.depth is None or not len(xy):
            return np.full(len(xy), np.nan)
        return np.asarray(self.depth(self.to_world(xy)), dtype=float)

    def shallow(self, xy: FloatArray) -> BoolArray:
        """Return which spots are not known to be too deep."""
        if self.max_depth_m is None:
            return np.ones(len(xy), dtype=bool)
        return ~(self.depths(xy) > self.max_depth_m)


@dataclass(frozen=True)
class FittedPocket:
    """The pocket on the water and how far the layout moved with it."""

    area: Polygonal
    moved: FloatArray


@dataclass(frozen=True)
class FittedPart:
    """A part cut to the water.

    Parameters
    ----------
    part
        The part as drawn.
    area
        Where it lies, metres from the hide, windward hand to +x.
    room
        Most decoys it has room for.
    spots
        Spots to choose its decoys from, (n, 2).
    note
        What a person should be told of it.
    """

    part: LayoutPart
    area: Polygonal
    room: int
    spots: FloatArray
    note: str = ""


class SpreadRefused(Exception):  # noqa: N818 - an answer on its way out, not an error
    """Why no spread is possible."""


@lru_cache(maxsize=64)
def water_about(water: BaseGeometry, frame: HideFrame, *, hand: int, shore_m: float) -> Polygonal:
    """Return the water within reach of the hide, its shore drawn in, in the layout's frame.

    Kept, since a map that turns the wind asks 36 times for each hide.

    Parameters
    ----------
    water
        Polygons in the frame's CRS.
    frame
        Where the hide is and which way it looks.
    hand
        Side the wind comes from: +1 right, -1 left.
    shore_m
        How far the shore is drawn in, metres.

    Returns
    -------
    Polygon or MultiPolygon
        Metres from the hide, windward hand to +x.
    """
    x0, y0 = frame.x - 1.5 * _REACH_M, frame.y - 1.5 * _REACH_M
    near = shapely.clip_by_rect(water, x0, y0, x0 + 3 * _REACH_M, y0 + 3 * _REACH_M)
    if not near.is_valid:
        near = shapely.make_valid(near)
    local = _mirrored(frame.to_local(polygons_of(near)), hand)
    return polygons_of(local.buffer(-shore_m, quad_segs=2))


def _mirrored(shape: Any, hand: int) -> Any:
    if hand > 0:
        return shape
    if isinstance(shape, BaseGeometry):
        return shapely.transform(shape, lambda xy: xy * (-1.0, 1.0))
    return shape * (-1.0, 1.0)


def _shifted(shape: Any, by: FloatArray) -> Any:
    return shapely.transform(shape, lambda xy: xy + by)


def centroid_xy(area: Polygonal) -> FloatArray:
    """Return the middle of an area, (x, y)."""
    return np.array(area.centroid.coords[0])


def least_spacing_m(part: LayoutPart) -> float:
    """Return how near two decoys of a part may lie, metres."""
    return _CLOSEST * part.spacing_m


def fit_pocket(site: LayoutOnWater, notes: list[str]) -> FittedPocket:
    """Return the pocket moved to open water within the wanted shot and cut to it.

    Parameters
    ----------
    site
        The layout and the water it is to lie on.
    notes
        What a person should be told is added here.

    Returns
    -------
    FittedPocket
        Its area, and how far the whole layout moves with it.

    Raises
    ------
    SpreadRefused
        Where there is no room for it.
    """
    if site.water.is_empty:
        raise SpreadRefused(f"no open water within {length_text(_REACH_M)} of the hide")
    drawn = _mirrored(site.layout.pocket, site.layout.hand)
    _, nudge = _settle(drawn, site.water, PART_NUDGE_M["pocket"])
    start = np.array(drawn.centroid.coords[0])
    centre = start + nudge
    reach = float(np.hypot(*centre))
    centre *= np.clip(reach, *POCKET_AIM_M) / reach
    for _ in range(POCKET_PULLS):
        moved = centre - start
        whole = _shifted(drawn, moved)
        wet = polygons_of(whole.intersection(site.water))
        beyond = _out_of_range(wet)
        if not beyond.any():
            break
        centre = centre - beyond
    share = wet.area / whole.area
    if share < _POCKET_WATER or not wet.contains(Point(centre)):
        raise SpreadRefused(
            f"no room for the pocket: only {100 * share:.0f} % of it, "
            f"{length_text(float(np.hypot(*centre)))} from the hide, would be open water"
        )
    pocket = max(shapely.get_parts(wet), key=lambda g: g.area)
    if not POCKET_RANGE_M[0] <= pocket.centroid.distance(Point(0, 0)) <= POCKET_RANGE_M[1]:
        raise SpreadRefused(
            "no room for the pocket: land pushes it out of the wanted shot, 15-20 yd"
        )
    if (shift := float(np.hypot(*moved))) > _TOLD_SPREAD_MOVE_M:
        notes.append(f"the whole spread is moved {length_text(shift)} to find open water")
    return FittedPocket(pocket, moved)


def _settle(area: Polygonal, water: Polygonal, most_m: float) -> tuple[Polygonal, FloatArray]:
    """Return an area nudged toward the water, and the nudge.

    It moves by twice the way its centre moves when it is cut to the water, up to three times:
    continuous in the wind angle, and nothing at all where the water is whole.
    """
    nudge = np.zeros(2)
    for _ in range(3):
        wet = area.intersection(water)
        if wet.is_empty or wet.area > _WHOLE * area.area:
            break
        step = 2 * (np.array(wet.centroid.coords[0]) - np.array(area.centroid.coords[0]))
        after = nudge + step
        after *= min(1.0, most_m / max(float(np.hypot(*after)), 1e-9))
        area = _shifted(area, after - nudge)
        nudge = after
    return area, nudge


def _out_of_range(wet: Polygonal) -> FloatArray:
    """Return how far the middle of a pocket cut by land lies out of the wanted shot, as a move."""
    if wet.is_empty:
        return np.zeros(2)
    middle = centroid_xy(max(shapely.get_parts(wet), key=lambda g: g.area))
    reach = float(np.hypot(*middle))
    inside = np.clip(reach, *POCKET_AIM_M)
    return np.asarray(middle * (reach - inside) / reach, float)


def fit_parts(
    site: LayoutOnWater, pocket: FittedPocket, *, decoys: int, focus: int, notes: list[str]
) -> list[FittedPart]:
    """Return the parts of a layout that find fit water, each cut to it and clear of the others.

    Parameters
    ----------
    site
        The layout and the water it is to lie on.
    pocket
        The fitted pocket: parts move with it and leave it open.
    decoys
        How many are carried.
    focus
        Most decoys in the pocket.
    notes
        What a person should be told is added here.

    Returns
    -------
    list of FittedPart
        In set-up order; a part without fit water is left out.

    Raises
    ------
    SpreadRefused
        Where the stack of the timber layout has no place.
    """
    fitted: list[FittedPart] = []
    seen = site if site.in_timber else _seen(site, pocket)
    for part in site.layout.parts:
        if part.share <= 0:
            continue
        fit = (
            _fit_focus(site, part, pocket=pocket, most=focus)
            if part.name == "focus"
            else _fit_stack(site, part, pocket=pocket, decoys=decoys)
            if site.in_timber
            else _fit_part(
                site if part.name == "guard" else seen,
                part,
                pocket=pocket,
                taken=fitted,
                decoys=decoys,
            )
        )
        if fit is None:
            notes.append(f"the {part.name} is left out: there is no fit water for it")
            continue
        if fit.note:
            notes.append(f"the {part.name} {fit.note}")
        fitted.append(fit)
    return fitted


def _seen(site: LayoutOnWater, pocket: FittedPocket) -> LayoutOnWater:
    """Return a site with the water in sight of the pocket alone; only a guard lies out of it."""
    return replace(site, water=visible_water(site.water, centroid_xy(pocket.area), 2 * _REACH_M))


def visible_water(water: Polygonal, pocket: FloatArray, reach_m: float) -> Polygonal:
    """Return the water seen from the middle of the pocket over no more than `SEEN_OVER_M` of land.

    Parameters
    ----------
    water
        Open water, metres.
    pocket
        Middle of the pocket, (x, y).
    reach_m
        How far is looked.

    Returns
    -------
    Polygon or MultiPolygon
        What of the water is seen.
    """
    angle = (np.arange(_SIGHT_LINES) + 0.5) * 2 * np.pi / _SIGHT_LINES
    toward = np.column_stack([np.sin(angle), np.cos(angle)])
    rays = np.stack([pocket + _SIGHT_START_M * toward, pocket + reach_m * toward], axis=1)
    # All at once, a third of the time of one by one; the bearing tells which ray a piece is of.
    every = shapely.MultiLineString(list(rays))
    dry = shapely.get_parts(shapely.difference(every, water))
    dry = dry[shapely.length(dry) > SEEN_OVER_M]
    halfway = shapely.line_interpolate_point(dry, 0.5, normalized=True)
    x, y = (shapely.get_coordinates(halfway) - pocket).T
    ray = np.floor(np.mod(np.arctan2(x, y), 2 * np.pi) * _SIGHT_LINES / (2 * np.pi)).astype(int)
    seen_m = np.full(_SIGHT_LINES, reach_m)
    np.minimum.at(seen_m, ray, shapely.distance(dry, shapely.Point(pocket)))
    fan = Polygon(pocket + seen_m[:, None] * toward)
    return polygons_of(water.intersection(fan.buffer(0)))


def _fit_part(
    site: LayoutOnWater,
    part: LayoutPart,
    *,
    pocket: FittedPocket,
    taken: Sequence[FittedPart],
    decoys: int,
) -> FittedPart | None:
    drawn = site.drawn(part, pocket.moved)
    area, nudge = _settle(drawn, site.water, PART_NUDGE_M.get(part.name, NUDGE_DEFAULT_M))
    limit = math.inf if part.name == FAR_GROUP else site.layout.limit_m
    area = carve_part(area, pocket=pocket.area, limit=limit)
    for other in taken:
        gap = min(least_spacing_m(part), least_spacing_m(other.part))
        if area.distance(other.area) < gap:
            area = polygons_of(area.difference(other.area.buffer(gap, quad_segs=8)))
    free_m2 = area.area
    pieces = [
        piece
        for piece in shapely.get_parts(polygons_of(area.intersection(site.water)))
        if piece.area >= _LEAST_PIECE * drawn.area / shapely.get_num_geometries(drawn)
    ]
    area = pieces[0] if len(pieces) == 1 else MultiPolygon(pieces)
    fit = _fit_spots(site, part, area, whole_m2=drawn.area, decoys=decoys)
    if fit is None or fit.note:
        return fit
    if (shift := float(np.hypot(*nudge))) > _TOLD_MOVE_M:
        return replace(fit, note=f"is moved {length_text(shift)} to find water")
    return replace(fit, note="is cut short by the shore" * (area.area < _CUT_SHORT * free_m2))


def _fit_spots(
    site: LayoutOnWater, part: LayoutPart, area: Polygonal, *, whole_m2: float, decoys: int
) -> FittedPart | None:
    """Return an area of a part with spots that are not too deep, None where too little is left."""
    if area.area < LEAST_PART_WATER * whole_m2:
        return None
    times, more = _SPARE_SPOTS
    wanted = min(decoys, math.ceil(times * part.share * decoys) + more)
    spots = scatter_spots(area, part, wanted)
    shallow = site.shallow(spots)
    usable = float(shallow.mean())
    if usable * area.area < LEAST_PART_WATER * whole_m2:
        return None
    room = len(spots_apart(spots[shallow], least_spacing_m(part)))
    if usable < 1:
        reach = MultiPoint(spots[shallow]).buffer(_SHALLOW_REACH * part.spacing_m, quad_segs=3)
        area = polygons_of(area.intersection(reach))
    note = "is drawn in from water too deep to set in" * (usable < _DRAWN_IN)
    return FittedPart(part, area, room, spots[shallow], note)


def _fit_focus(
    site: LayoutOnWater, part: LayoutPart, *, pocket: FittedPocket, most: int
) -> FittedPart:
    """Return the focus: a loose handful about its point, inside the pocket."""
    point = site.drawn(part, pocket.moved)
    handful = _FOCUS_HANDFUL * part.spacing_m
    if site.in_timber:  # both on the jerk line
        most = 2
        handful = _FOCUS_ON_LINE * part.spacing_m * site.upwind
    spots = handful + np.array(point.coords[0])
    spots = spots[shapely.contains_xy(pocket.area, spots)]
    spots = spots[site.shallow(spots)]
    area = polygons_of(
        point.buffer(_FOCUS_AREA * part.spacing_m, quad_segs=4).intersection(pocket.area)
    )
    return FittedPart(part, area, min(most, len(spots)), spots)


def _fit_stack(
    site: LayoutOnWater, part: LayoutPart, *, pocket: FittedPocket, decoys: int
) -> FittedPart | None:
    """Return the stack of the timber layout, in the flooded trees downwind of the pocket."""
    if site.layout.theta_deg < TIMBER_FLANK_DEG:
        raise SpreadRefused(
            "the hide is toward the downwind end: the stack would lie beside it, not across the "
            "pocket"
        )
    centre = stack_centre(site.water, centroid_xy(pocket.area), site.upwind)
    if centre is None:
        raise SpreadRefused("the opening runs on too far downwind: no trees to set the stack in")
    drawn = site.drawn(part, pocket.moved)
    area = _shifted(drawn, centre - centroid_xy(drawn))
    wet = stack_among_trees(area, site.water.buffer(DECOY_SHORE_M, quad_segs=2), site.flooded)
    wet = carve_part(wet, pocket=pocket.area, limit=site.layout.limit_m)
    if wet.is_empty or share_outside_opening(wet, site.water) < STACK_OUTSIDE:
        raise SpreadRefused(
            "no flooded trees on the map downwind of the pocket to set the stack in"
        )
    if wet.distance(Point(0, 0)) < STACK_FROM_GUNS_M:
        raise SpreadRefused("the hide is at the downwind end: the stack would lie about the guns")
    return _fit_spots(site, part, wet, whole_m2=drawn.area, decoys=decoys)
