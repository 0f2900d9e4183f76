"""Place a layout on the real water: groups, single decoys and motion, or a refusal with a reason.

Everything is worked out in the layout's own frame with the windward hand to +x, so that a
mirrored, turned or moved world gives the mirrored, turned or moved spread.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Literal, get_args

import numpy as np
import shapely
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from sitegeo.core.typing import FloatArray
from sitegeo.spreads.decoys import (
    DecoyKind,
    Gear,
    assign_kinds,
    choose_spots,
    deal_kinds,
    fill_parts,
)
from sitegeo.spreads.fit import (
    DECOY_SHORE_M,
    PART_NUDGE_M,
    Depths,
    FittedPart,
    FittedPocket,
    LayoutOnWater,
    SpreadRefused,
    centroid_xy,
    fit_parts,
    fit_pocket,
    least_spacing_m,
    water_about,
)
from sitegeo.spreads.frame import HideFrame, wind_side
from sitegeo.spreads.layouts import Layout, carve_part, check_decoys, layout_reason
from sitegeo.spreads.result import Group, Spread
from sitegeo.spreads.sketch import FAR_GROUP, FAR_GROUP_CAUTION, PartName
from sitegeo.spreads.timber import jerk_line
from sitegeo.units import depth_text, yd

SeasonPhase = Literal["early", "middle", "late"]
"""How far the season has come, which says where motion goes."""

FAR_NORTH_DEG = 50.0
"""Latitude beyond which birds have seen few hunters yet; judgement."""

_EARLY_MONTHS = frozenset({8, 9, 10})
"""Months early in the season, in the northern hemisphere; judgement."""

_LATE_MONTHS = frozenset({12, 1, 2, 3})
"""Months late in the season, in the northern hemisphere; judgement."""

_TOWARD_EDGE = 0.65
"""How far from the pocket's middle to its upwind edge motion runs, early; judgement."""

_POCKET_EDGE_M = yd(20.0)
"""Farther than any pocket's edge from its middle; judgement."""

_BODY_ROOM = 0.45
"""A body with room for less of its decoys does not close the runway; judgement."""

_ENOUGH_SET = 0.4
"""With fewer of the decoys set the spread is not the one that was drawn; judgement."""

_LAND_THERE = 0.5
"""With less water than this where the mass is drawn, land is told as the reason; judgement."""

_LEAST_LINE_M = 0.6
"""Shortest line told; judgement."""

_LINE_TIMES_DEPTH = 1.5
"""A decoy's line is so many times the depth; practice."""

_MOTION_ADVICE: dict[SeasonPhase | None, str] = {
    "early": "early in the season birds finish to motion: the first motion decoy runs in the "
    "pocket",
    "middle": "switch motion off as birds close where they will not finish to it",
    "late": "late in the season birds will not finish to motion: leave it off, or switch it off "
    "as they close",
    None: "early in the season set motion in the pocket; late in it leave it off, or switch it "
    "off as birds close",
}


def place_spread(
    layout: Layout,
    frame: HideFrame,
    *,
    water: BaseGeometry,
    decoys: int,
    gear: Gear | None = None,
    flooded: BaseGeometry | None = None,
    depth: Depths | None = None,
    max_depth_m: float | None = None,
    season: SeasonPhase | None = None,
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
    flooded
        Trees that stand in water, in the frame's CRS: the stack of the timber layout lies there.
    depth
        Water depth in metres at an (n, 2) array in the frame's CRS; NaN where unknown.
    max_depth_m
        Deepest water to set in; None for no limit.
    season
        How far the season has come, which says where motion goes; None without a date.

    Returns
    -------
    Spread
        With `refused` set to a plain reason where the result would be useless.

    Raises
    ------
    UsageError
        For an impossible number of decoys.

    Examples
    --------
    >>> from shapely import box
    >>> from sitegeo.spreads.layouts import draw_layout
    >>> layout = draw_layout("bank-along", 80.0, decoys=24)
    >>> hide = HideFrame(0.0, 0.0, facing_grid_deg=0.0)
    >>> spread = place_spread(layout, hide, water=box(-100, 1, 100, 200), decoys=24)
    >>> [(group.name, group.count) for group in spread.groups]
    [('mass', 18), ('second', 5), ('focus', 1)]
    """
    check_decoys(decoys)
    gear = gear or Gear()
    site = _site(layout, frame, water, flooded, depth=depth, max_depth_m=max_depth_m)
    bare = Spread(
        layout=layout.name,
        phi_deg=layout.phi_deg,
        wind_side=wind_side(layout.phi_deg),
        reason=layout_reason(layout),
        refused=None,
        notes=(),
        pocket=Polygon(),
        left=decoys,
    )
    notes: list[str] = []
    try:
        pocket = fit_pocket(site, notes)
        bare = replace(bare, pocket=site.to_world(pocket.area))
        fitted, counts = _body(site, pocket, decoys=decoys, gear=gear, notes=notes)
    except SpreadRefused as find_refusal:
        return replace(bare, refused=str(find_refusal), notes=tuple(notes))
    left = decoys - sum(counts)
    if left:
        notes.append(f"{left} decoys stay in the bag: the water here is full without them")
    if any(fit.part.name == FAR_GROUP for fit in fitted):
        notes.append(FAR_GROUP_CAUTION)
    groups, spots, kinds = _set_groups(site, fitted, counts=counts, gear=gear, left=left)
    motion = fit_motion(site, pocket, count=gear.motion, season=season, notes=notes)
    jerk = (
        jerk_line(site.water, centroid_xy(pocket.area), site.upwind)
        if site.in_timber
        else np.empty((0, 2))
    )
    names = tuple(g.name for g in groups for _ in range(g.count))
    without = {*get_args(PartName)} - {group.name for group in groups}
    return replace(
        bare,
        reason=layout_reason(layout, without=without),
        notes=tuple(notes),
        groups=groups,
        decoys=spots,
        decoy_groups=names,
        decoy_kinds=kinds,
        motion=site.to_world(motion),
        jerk_line=site.to_world(jerk),
        focus=spots[np.array([name == "focus" for name in names], dtype=bool)],
        left=left,
    )


def find_refusal(
    layout: Layout,
    frame: HideFrame,
    *,
    water: BaseGeometry,
    decoys: int,
    gear: Gear,
    flooded: BaseGeometry | None = None,
    depth: Depths | None = None,
    max_depth_m: float | None = None,
) -> str | None:
    """Return why `place_spread` would lay no spread, in half its time.

    Parameters
    ----------
    layout, frame, water, decoys, gear, flooded, depth, max_depth_m
        As `place_spread` takes them.

    Returns
    -------
    str or None
        The reason, None where a spread would be laid.
    """
    site = _site(layout, frame, water, flooded, depth=depth, max_depth_m=max_depth_m)
    try:
        _body(site, fit_pocket(site, []), decoys=decoys, gear=gear, notes=[])
    except SpreadRefused as refused:
        return str(refused)
    return None


def _site(
    layout: Layout,
    frame: HideFrame,
    water: BaseGeometry,
    flooded: BaseGeometry | None,
    *,
    depth: Depths | None,
    max_depth_m: float | None,
) -> LayoutOnWater:
    return LayoutOnWater(
        layout,
        frame,
        water=water_about(water, frame, hand=layout.hand, shore_m=DECOY_SHORE_M),
        flooded=water_about(flooded or Polygon(), frame, hand=layout.hand, shore_m=0.0),
        depth=depth,
        max_depth_m=max_depth_m,
    )


def _body(
    site: LayoutOnWater, pocket: FittedPocket, *, decoys: int, gear: Gear, notes: list[str]
) -> tuple[list[FittedPart], list[int]]:
    """Return the parts that fit round a pocket and how many decoys each takes, or refuse."""
    focus = max(1, gear.kinds(decoys)[3])  # small ones, or one of the others
    fitted = fit_parts(site, pocket, decoys=decoys, focus=focus, notes=notes)
    counts = fill_parts(decoys, [f.part.share for f in fitted], [f.room for f in fitted])
    _require_body(site, fitted, pocket=pocket, decoys=decoys, placed=sum(counts))
    return fitted, counts


def _require_body(
    site: LayoutOnWater,
    fitted: Sequence[FittedPart],
    *,
    pocket: FittedPocket,
    decoys: int,
    placed: int,
) -> None:
    """Refuse where the body of the spread has no room or is not upwind of the pocket."""
    end = "downwind" if site.in_timber else "upwind"
    body = next((fit for fit in fitted if fit.part.name == "mass"), None)
    if body is None:
        raise SpreadRefused(
            f"no room for the mass at the {end} end of the pocket: {_lacking(site, pocket)}"
        )
    if site.in_timber:
        return  # a few dozen at the most: the others stay in the bag
    wanted = body.part.share * decoys
    if body.room < _BODY_ROOM * wanted:
        raise SpreadRefused(
            f"no room for the mass at the {end} end of the pocket: {body.room} "
            f"of its {round(wanted)} decoys would fit"
        )
    if placed < _ENOUGH_SET * decoys:
        raise SpreadRefused(f"no room for the spread: {placed} of {decoys} decoys would fit")
    ahead = site.upwind @ (centroid_xy(body.area) - centroid_xy(pocket.area))
    if ahead <= 0:
        raise SpreadRefused("the shore leaves no water for the mass upwind of the pocket")


def _lacking(site: LayoutOnWater, pocket: FittedPocket) -> str:
    """Return whether land or depth takes the room of the mass."""
    if site.in_timber:
        return "too few trees there stand in water on the map"
    drawn = site.drawn(site.layout.named("mass")[0], pocket.moved)
    if drawn.intersection(site.water).area < _LAND_THERE * drawn.area or site.max_depth_m is None:
        return "land lies there"
    return f"the water there is over {depth_text(site.max_depth_m)} deep"


def _set_groups(
    site: LayoutOnWater,
    fitted: Sequence[FittedPart],
    *,
    counts: Sequence[int],
    gear: Gear,
    left: int,
) -> tuple[tuple[Group, ...], FloatArray, tuple[DecoyKind, ...]]:
    """Return the groups in set-up order, then every decoy's spot and kind in the same order."""
    used = [(fit, n) for fit, n in zip(fitted, counts, strict=True) if n > 0]
    shares = deal_kinds([fit.part for fit, _ in used], [n for _, n in used], gear=gear, left=left)
    groups: list[Group] = []
    spots: list[FloatArray] = [np.empty((0, 2))]
    kinds: list[DecoyKind] = []
    for order, ((fit, n), dealt) in enumerate(zip(used, shares, strict=True), start=1):
        xy = (
            fit.spots[:n]
            if fit.part.name == "focus"
            else choose_spots(fit.spots, n, fit.area, least_spacing_m(fit.part))
        )
        depths = site.depths(xy)
        known = depths[np.isfinite(depths)]
        unknown = site.depth is not None and len(known) < n
        long = "long shots: it holds distant birds" * (fit.part.name == FAR_GROUP)
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
                    filter(None, [long, fit.note, "depth not known under all of it" * unknown])
                ),
                depth_m=float(np.median(known)) if len(known) else None,
                line_m=_line_m(float(known.max())) if len(known) else None,
            )
        )
        spots.append(xy)
        kinds += assign_kinds(xy, dealt, upwind=site.upwind)
    return tuple(groups), site.to_world(np.concatenate(spots)), tuple(kinds)


def _line_m(depth_m: float) -> float:
    """Return a line length for a depth, rounded up to a tenth of a metre."""
    return max(_LEAST_LINE_M, math.ceil(10 * _LINE_TIMES_DEPTH * depth_m) / 10)


def season_phase(month: int, lat_deg: float) -> SeasonPhase:
    """Return how far the season has come.

    Early to the end of October and always in the far north, late from December; half a year on
    in the southern hemisphere.

    Examples
    --------
    >>> season_phase(12, 44.0), season_phase(12, 52.0)
    ('late', 'early')
    """
    own = month if lat_deg >= 0 else (month + 5) % 12 + 1
    if abs(lat_deg) >= FAR_NORTH_DEG or own in _EARLY_MONTHS:
        return "early"
    return "late" if own in _LATE_MONTHS else "middle"


def fit_motion(
    site: LayoutOnWater,
    pocket: FittedPocket,
    *,
    count: int,
    season: SeasonPhase | None,
    notes: list[str],
) -> FloatArray:
    """Return the motion decoys, each brought onto the nearest fit water.

    Parameters
    ----------
    site
        The layout and the water it is to lie on.
    pocket
        The fitted pocket.
    count
        Motion decoys carried.
    season
        How far the season has come; None without a date.
    notes
        What a person should be told is added here.

    Returns
    -------
    ndarray, shape (n, 2)
        Metres from the hide, windward hand to +x; those without fit water are left out.
    """
    if not count:
        return np.empty((0, 2))
    notes.append(_MOTION_ADVICE[season])
    if site.in_timber:
        notes.append("once it is light, set the motion decoy behind a trunk or behind the hide")
        fit_water = site.water
        first = []
    else:
        fit_water = carve_part(site.water, pocket=pocket.area, limit=site.layout.limit_m)
        first = [_in_pocket(site, pocket)] if season == "early" else []
    left = count - len(first)
    both = site.layout.named("motion pair") if left > 1 else ()
    spots = first
    for part in (both or site.layout.named("motion"))[:left]:
        wanted = site.drawn(part, pocket.moved)
        spot = np.array(shapely.shortest_line(wanted, fit_water).coords[-1])
        if (
            Point(spot).distance(wanted) > PART_NUDGE_M["motion"]
            or not site.shallow(spot[None]).all()
        ):
            notes.append("a motion decoy is left out: no fit water beyond the upwind end")
            continue
        spots.append(spot)
    return np.array(spots).reshape(-1, 2)


def _in_pocket(site: LayoutOnWater, pocket: FittedPocket) -> FloatArray:
    """Return a spot in the pocket toward its upwind edge, past the focus."""
    middle = centroid_xy(pocket.area)
    ray = LineString([middle, middle + _POCKET_EDGE_M * site.upwind])
    edge = pocket.area.boundary.intersection(ray)
    reach = float(shapely.distance(Point(middle), edge))
    return middle + _TOWARD_EDGE * reach * site.upwind
