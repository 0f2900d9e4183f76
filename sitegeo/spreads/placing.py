"""Fit a layout to the real water: groups as polygons, single decoys, or a refusal with a reason.

Everything is worked out in the layout's own frame with the windward hand to +x, so that a
mirrored, turned or moved world gives the mirrored, turned or moved spread.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPoint, MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from sitegeo.spreads.decoys import DecoyKind, Gear, deal, fill, kinds_of, scatter, thin
from sitegeo.spreads.frame import Floats, Frame, wind_side
from sitegeo.spreads.layouts import (
    Layout,
    Part,
    carve,
    check_decoys,
    polygons_of,
    reason,
)
from sitegeo.spreads.sketches import Area
from sitegeo.spreads.spread import Group, Spread
from sitegeo.units import length_text, yd

Depths = Callable[[Floats], NDArray[Any]]

# Common practice, no source, unless marked.
_RANGE_M = (yd(15.0), yd(20.0))  # pocket centre from the guns, which is also the wanted shot
_REACH_M = yd(60.0)  # no layout reaches further from the hide
_SHORE_M = 0.3  # judgement: a decoy needs this much water beside it
_CLOSEST = 0.75  # judgement: share of the wanted spacing at which a group is full
_POCKET_WATER = 0.75  # judgement: less open water than this is no pocket
_BODY_ROOM = 0.6  # judgement: a body with room for less of its decoys does not close the runway
_PART_WATER = 0.25  # judgement: a part with less of its area in water is left out
_NUDGE_M = {"guard": yd(15.0), "motion": yd(10.0)}
_NUDGE_DEFAULT_M = yd(6.0)
_UNKNOWN_DEPTH = "depth not known under all of it"


@dataclass(frozen=True)
class _Fitted:
    """A part cut to the water, with seeded spots to choose decoys from."""

    part: Part
    area: Area
    room: int
    spots: Floats
    note: str = ""


@dataclass(frozen=True)
class _Site:
    """A layout over the water round the hide, in the layout's frame, windward hand to +x."""

    layout: Layout
    frame: Frame
    water: Area
    depth: Depths | None
    max_depth_m: float | None

    @property
    def upwind(self) -> Floats:
        return self.layout.upwind * (self.layout.hand, 1)

    def to_world(self, shape: Any) -> Any:
        return self.frame.to_world(_mirrored(shape, self.layout.hand))

    def drawn(self, part: Part, moved: Floats) -> Any:
        return _shifted(_mirrored(part.geometry, self.layout.hand), moved)

    def depths(self, xy: Floats) -> Floats:
        if self.depth is None or not len(xy):
            return np.full(len(xy), np.nan)
        return np.asarray(self.depth(self.to_world(xy)), dtype=float)

    def shallow(self, xy: Floats) -> NDArray[np.bool_]:
        """Return which spots are not known to be too deep."""
        if self.max_depth_m is None:
            return np.ones(len(xy), dtype=bool)
        return ~(self.depths(xy) > self.max_depth_m)


@dataclass(frozen=True)
class _Pocket:
    """The pocket on the water and how far the layout moved with it."""

    area: Area
    moved: Floats


class _Refusal(Exception):  # noqa: N818 - an answer on its way out, not an error
    """Why no spread is possible."""


def place(
    layout: Layout,
    frame: Frame,
    *,
    water: BaseGeometry,
    decoys: int,
    gear: Gear | None = None,
    depth: Depths | None = None,
    max_depth_m: float | None = None,
) -> Spread:
    """Return a layout fitted to the real water.

    Parameters
    ----------
    layout
        What `layouts.shape` drew for this wind.
    frame
        Where the hide is and which way it looks.
    water
        Polygons of open water in the frame's CRS.
    decoys
        How many to set, 0 to 120.
    gear
        Proportions of the kinds and the number of motion decoys.
    depth
        Water depth in metres at an (n, 2) array in the frame's CRS; NaN where unknown.
    max_depth_m
        Deepest water to set in; None for no limit.

    Returns
    -------
    Spread
        With `refused` set to a plain reason where the result would be useless.

    Raises
    ------
    UsageError
        For an impossible number of decoys.
    """
    check_decoys(decoys)
    gear = gear or Gear()
    site = _Site(layout, frame, _water_about(water, frame, layout.hand), depth, max_depth_m)
    bare = Spread(
        layout=layout.name,
        phi_deg=layout.phi_deg,
        wind_side=wind_side(layout.phi_deg),
        reason=reason(layout),
        refused=None,
        notes=(),
        pocket=Polygon(),
        left=decoys,
    )
    notes: list[str] = []
    try:
        pocket = _fit_pocket(site, notes)
        bare = replace(bare, pocket=site.to_world(pocket.area))
        focus = max(1, gear.kinds(decoys)[3])  # small ones, or one of the others
        fitted = _fit_parts(site, pocket, decoys=decoys, focus=focus, notes=notes)
        counts = fill(decoys, [f.part.share for f in fitted], [f.room for f in fitted])
        _require_body(site, fitted, pocket=pocket, decoys=decoys, placed=sum(counts))
    except _Refusal as refusal:
        return replace(bare, refused=str(refusal), notes=tuple(notes))
    left = decoys - sum(counts)
    if left:
        notes.append(f"{left} decoys stay in the bag: the water here is full without them")
    groups, spots, kinds = _set_groups(site, fitted, counts=counts, gear=gear, left=left)
    motion = _motion(site, pocket, count=gear.motion, notes=notes)
    names = tuple(g.name for g in groups for _ in range(g.count))
    without = {part.name for part in layout.parts} - {group.name for group in groups}
    return replace(
        bare,
        reason=reason(layout, without=without),
        notes=tuple(notes),
        groups=groups,
        decoys=spots,
        decoy_groups=names,
        decoy_kinds=kinds,
        motion=site.to_world(motion),
        focus=spots[np.array([name == "focus" for name in names], dtype=bool)],
        left=left,
    )


def _mirrored(shape: Any, hand: int) -> Any:
    if hand > 0:
        return shape
    if isinstance(shape, BaseGeometry):
        return shapely.transform(shape, lambda xy: xy * (-1.0, 1.0))
    return shape * (-1.0, 1.0)


def _water_about(water: BaseGeometry, frame: Frame, hand: int) -> Area:
    """Return the water within reach of the hide, its shore drawn in, in the layout's frame."""
    x0, y0 = frame.x - 1.5 * _REACH_M, frame.y - 1.5 * _REACH_M
    near = shapely.clip_by_rect(water, x0, y0, x0 + 3 * _REACH_M, y0 + 3 * _REACH_M)
    if not near.is_valid:
        near = shapely.make_valid(near)
    local = _mirrored(frame.to_local(polygons_of(near)), hand)
    return polygons_of(local.buffer(-_SHORE_M, quad_segs=2))


def _settle(area: Area, water: Area, most_m: float) -> tuple[Area, Floats]:
    """Return an area nudged toward the water, and the nudge.

    It moves by twice the way its centre moves when it is cut to the water, up to three times:
    continuous in the wind angle, and nothing at all where the water is whole.
    """
    nudge = np.zeros(2)
    for _ in range(3):
        wet = area.intersection(water)
        if wet.is_empty or wet.area > 0.999 * area.area:
            break
        step = 2 * (np.array(wet.centroid.coords[0]) - np.array(area.centroid.coords[0]))
        after = nudge + step
        after *= min(1.0, most_m / max(float(np.hypot(*after)), 1e-9))
        area = _shifted(area, after - nudge)
        nudge = after
    return area, nudge


def _shifted(shape: Any, by: Floats) -> Any:
    return shapely.transform(shape, lambda xy: xy + by)


def _fit_pocket(site: _Site, notes: list[str]) -> _Pocket:
    if site.water.is_empty:
        raise _Refusal(f"no open water within {length_text(_REACH_M)} of the hide")
    drawn = _mirrored(site.layout.pocket, site.layout.hand)
    _, nudge = _settle(drawn, site.water, yd(4.0))
    start = np.array(drawn.centroid.coords[0])
    centre = start + nudge
    reach = float(np.hypot(*centre))
    # A little inside the bounds: cutting to the shore moves the centre.
    centre *= np.clip(reach, _RANGE_M[0] + yd(0.3), _RANGE_M[1] - yd(0.3)) / reach
    moved = centre - start
    whole = _shifted(drawn, moved)
    wet = polygons_of(whole.intersection(site.water))
    share = wet.area / whole.area
    if share < _POCKET_WATER or not wet.contains(Point(centre)):
        raise _Refusal(
            f"no room for the pocket: only {100 * share:.0f} % of it, "
            f"{length_text(float(np.hypot(*centre)))} from the hide, would be open water"
        )
    pocket = max(shapely.get_parts(wet), key=lambda g: g.area)
    if not _RANGE_M[0] <= pocket.centroid.distance(Point(0, 0)) <= _RANGE_M[1]:
        raise _Refusal("no room for the pocket: land pushes it out of the wanted shot, 15-20 yd")
    if (shift := float(np.hypot(*moved))) > yd(1.0):
        notes.append(f"the whole spread is moved {length_text(shift)} to find open water")
    return _Pocket(pocket, moved)


def _fit_parts(
    site: _Site, pocket: _Pocket, *, decoys: int, focus: int, notes: list[str]
) -> list[_Fitted]:
    fitted: list[_Fitted] = []
    for part in site.layout.parts:
        if part.share <= 0:
            continue
        fit = (
            _fit_focus(site, part, pocket=pocket, most=focus)
            if part.name == "focus"
            else _fit_part(site, part, pocket=pocket, taken=[f.area for f in fitted], decoys=decoys)
        )
        if fit is None:
            notes.append(f"the {part.name} is left out: there is no fit water for it")
            continue
        if fit.note:
            notes.append(f"the {part.name} {fit.note}")
        fitted.append(fit)
    return fitted


def _fit_part(
    site: _Site, part: Part, *, pocket: _Pocket, taken: Sequence[Area], decoys: int
) -> _Fitted | None:
    drawn = site.drawn(part, pocket.moved)
    area, nudge = _settle(drawn, site.water, _NUDGE_M.get(part.name, _NUDGE_DEFAULT_M))
    area = carve(area, pocket=pocket.area, limit=site.layout.limit_m)
    for other in taken:
        if area.intersects(other):
            area = polygons_of(area.difference(other.buffer(0.5 * part.spacing_m, quad_segs=4)))
    pieces = [
        piece
        for piece in shapely.get_parts(polygons_of(area.intersection(site.water)))
        if piece.area >= 0.15 * drawn.area
    ]
    area = pieces[0] if len(pieces) == 1 else MultiPolygon(pieces)
    if area.area < _PART_WATER * drawn.area:
        return None
    spots = scatter(area, part, min(decoys, math.ceil(1.5 * part.share * decoys) + 4))
    shallow = site.shallow(spots)
    usable = float(shallow.mean())
    if usable * area.area < _PART_WATER * drawn.area:
        return None
    wet_share = area.area / drawn.area
    hexagon = math.sqrt(3) / 2 * (_CLOSEST * part.spacing_m) ** 2
    room = min(int(shallow.sum()), int(usable * area.area / hexagon))
    if usable < 1:
        reach = MultiPoint(spots[shallow]).buffer(0.8 * part.spacing_m, quad_segs=3)
        area = polygons_of(area.intersection(reach))
    note = ""
    if usable < 0.9:
        note = "is drawn in from water too deep to set in"
    elif (shift := float(np.hypot(*nudge))) > yd(2.0):
        note = f"is moved {length_text(shift)} to find water"
    elif wet_share < 0.7:
        note = "is cut short by the shore"
    return _Fitted(part, area, room, spots[shallow], note)


def _fit_focus(site: _Site, part: Part, *, pocket: _Pocket, most: int) -> _Fitted:
    """Return the focus: a loose handful about its point, inside the pocket."""
    point = site.drawn(part, pocket.moved)
    handful = np.array([[0.1, 0.2], [1.2, -0.9], [-1.1, -0.7], [0.2, 1.8]]) * 0.6 * part.spacing_m
    spots = handful + np.array(point.coords[0])
    spots = spots[shapely.contains_xy(pocket.area, spots)]
    spots = spots[site.shallow(spots)]
    area = polygons_of(point.buffer(1.5 * part.spacing_m, quad_segs=4).intersection(pocket.area))
    return _Fitted(part, area, min(most, len(spots)), spots)


def _require_body(
    site: _Site, fitted: Sequence[_Fitted], *, pocket: _Pocket, decoys: int, placed: int
) -> None:
    """Refuse where the body of the spread has no room or is not upwind of the pocket."""
    body = next((fit for fit in fitted if fit.part.name == "mass"), None)
    if body is None:
        raise _Refusal("no room for the mass at the upwind end of the pocket")
    wanted = body.part.share * decoys
    if body.room < _BODY_ROOM * wanted or placed < _BODY_ROOM * decoys:
        raise _Refusal(
            "no room for the mass at the upwind end of the pocket: "
            f"{body.room} of its {round(wanted)} decoys would fit"
        )
    centre, middle = body.area.centroid, pocket.area.centroid
    if site.upwind @ (centre.x - middle.x, centre.y - middle.y) <= 0:
        raise _Refusal("the shore leaves no water for the mass upwind of the pocket")


def _set_groups(
    site: _Site, fitted: Sequence[_Fitted], *, counts: Sequence[int], gear: Gear, left: int
) -> tuple[tuple[Group, ...], Floats, tuple[DecoyKind, ...]]:
    """Return the groups in set-up order, then every decoy's spot and kind in the same order."""
    used = [(fit, n) for fit, n in zip(fitted, counts, strict=True) if n > 0]
    shares = deal([fit.part for fit, _ in used], [n for _, n in used], gear=gear, left=left)
    groups: list[Group] = []
    spots: list[Floats] = [np.empty((0, 2))]
    kinds: list[DecoyKind] = []
    for order, ((fit, n), dealt) in enumerate(zip(used, shares, strict=True), start=1):
        xy = fit.spots[:n] if fit.part.name == "focus" else thin(fit.spots, n, fit.area)
        depths = site.depths(xy)
        known = depths[np.isfinite(depths)]
        unknown = site.depth is not None and len(known) < n
        groups.append(
            Group(
                name=fit.part.name,
                kind=fit.part.name,
                polygon=site.to_world(fit.area),
                count=n,
                dark=dealt[0],
                white=dealt[1],
                geese=dealt[2],
                small=dealt[3],
                order=order,
                note="; ".join(
                    filter(None, [fit.note, "depth not known under all of it" * unknown])
                ),
                depth_m=float(np.median(known)) if len(known) else None,
                line_m=_line_m(float(known.max())) if len(known) else None,
            )
        )
        spots.append(xy)
        kinds += kinds_of(xy, dealt, upwind=site.upwind)
    return tuple(groups), site.to_world(np.concatenate(spots)), tuple(kinds)


def _line_m(depth_m: float) -> float:
    """Return a line length for a depth: half as long again, never under 0.6 m (judgement)."""
    return max(0.6, math.ceil(15 * depth_m) / 10)


def _motion(site: _Site, pocket: _Pocket, *, count: int, notes: list[str]) -> Floats:
    """Return the motion decoys, each brought onto the nearest fit water."""
    fit_water = carve(site.water, pocket=pocket.area, limit=site.layout.limit_m)
    spots = []
    for part in site.layout.named("motion")[:count]:
        wanted = site.drawn(part, pocket.moved)
        spot = np.array(shapely.shortest_line(wanted, fit_water).coords[-1])
        if Point(spot).distance(wanted) > _NUDGE_M["motion"] or not site.shallow(spot[None]).all():
            notes.append("a motion decoy is left out: no fit water beyond the upwind end")
            continue
        spots.append(spot)
    return np.array(spots).reshape(-1, 2)
