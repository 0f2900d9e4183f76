"""The sketches: each layout as a good hunter would draw it on a napkin, a function of the wind.

In yards, as the trade speaks, with the wind's own hand taken out: axis a runs along the bank with
+a the windward side, y straight out, and the wind comes from bearing theta (0 in the face, 180 from
behind) toward u = (sin theta, cos theta). Every offset along the bank vanishes or becomes symmetric
at 0 and 180, so nothing jumps when the wind crosses them. The numbers stand in `dimensions`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Point
from shapely.ops import substring

from sitegeo.core.typing import FloatArray
from sitegeo.spreads.dimensions import (
    BANK_LAYOUT,
    DRAWN_FOR_DECOYS,
    FAR_LAYOUT,
    FLANK_GROWTH,
    GROWTH_RANGE,
    LINE_SPACING_YD,
    MOTION_PATH,
    OPEN_WATER_LAYOUT,
    PAIR_LAYOUT,
    POINT_LAYOUT,
    SQUARE_CORNERS,
    TIMBER_LAYOUT,
    ByWind,
    Turn,
)
from sitegeo.spreads.frame import POCKET_YD
from sitegeo.spreads.sketch import (
    FAR_GROUP,
    DrawSketch,
    PartName,
    Polygonal,
    Sketch,
    SketchPart,
    WindInFrame,
    between,
    bezier,
    blob,
    mix,
    unit_toward,
)


def _group(
    name: PartName,
    centre: FloatArray,
    share: float,
    *,
    along: float,
    across: float,
    turn: float = 0.0,
    bend: float = 0.0,
) -> SketchPart:
    """Return a group of decoys: a blob with its corners filled."""
    area = blob(centre, along=along, across=across, turn=turn, bend=bend, square=SQUARE_CORNERS)
    return SketchPart(name, area, share)


def _line_part(
    name: PartName, line: LineString | Point, half_width: float, share: float
) -> SketchPart:
    """Return a thin line of decoys."""
    return SketchPart(name, line.buffer(half_width, quad_segs=4), share, LINE_SPACING_YD)


def body_growth(decoys: int, behind: float = 0.0) -> float:
    """Return how many times as large as drawn the body is: areas follow the count.

    The flanks of a wind from behind have room for more than a body upwind of the pocket.
    """
    least, most = GROWTH_RANGE
    return float(np.clip(math.sqrt(decoys / DRAWN_FOR_DECOYS), least, most + FLANK_GROWTH * behind))


def _sized(size: ByWind, wind: WindInFrame, behind: float) -> float:
    """Return a length for a wind: by the sine's square up to abeam, then by `behind`, 0 to 1."""
    fore = size.ahead + (size.abeam - size.ahead) * wind.s**2
    return mix(fore if wind.theta <= 90 else size.abeam, size.behind, behind)


def _body_turn(wind: WindInFrame, behind: float) -> float:
    """Return which way a body lies: across the wind as far as abeam, then round into a flank."""
    return wind.theta if wind.theta <= 90 else 90 + 90 * behind


def _shares(weights: dict[str, float]) -> dict[str, float]:
    """Return weights as shares of one."""
    return {name: weight / sum(weights.values()) for name, weight in weights.items()}


def draw_bank(wind: WindInFrame, decoys: int) -> Sketch:
    """The bank family: one shape from a wind in the face to a wind from behind.

    The near group's ten yards count from the edge of the trees, where the hide stands.
    """
    size = BANK_LAYOUT
    off = wind.step(size.flanks_deg)
    k, s = body_growth(decoys, off), wind.s
    fore = wind.theta <= 90
    pocket = np.array([0.0, POCKET_YD + size.pocket_further[0 if fore else 1] * wind.c**2])
    along = _sized(size.pocket_along, wind, wind.behind)
    across = _sized(size.pocket_across, wind, wind.behind)

    thick = k * _sized(size.mass_along, wind, off)
    wide = k * _sized(size.mass_across, wind, off)
    flank = np.array([size.flank_a.at(k), size.flank_y.at(k)])
    if fore:
        mass = pocket + (along + size.mass_gap + thick) * wind.u
    else:
        beside = size.pocket_along.abeam + size.mass_gap + size.mass_along.abeam * k
        mass = between((beside, POCKET_YD), flank, off)
    hugging = (
        -size.second_aside * (s if fore else 1.0),
        mix(size.second_y[1], size.second_y[0], wind.ahead),
    )
    second = between(hugging, (-flank[0], flank[1]), off)

    share, lesser = (
        mix(mix(part.abeam, part.ahead, wind.ahead), part.behind, off)
        for part in (size.mass_share, size.second_share)
    )
    focus = Point(size.focus_aside * s, POCKET_YD - size.focus_nearer * wind.c**2)
    return [
        SketchPart("pocket", blob(pocket, along=along, across=across, turn=wind.theta)),
        _group(
            "mass",
            mass,
            share,
            along=thick,
            across=wide,
            turn=_body_turn(wind, off),
            bend=size.mass_bend * wide * (1 - off),
        ),
        _group(
            "near" if wind.theta < size.near_below_deg else "second",
            second,
            lesser,
            along=k * mix(*size.second_along, off),
            across=k * mix(*size.second_across, off),
        ),
        SketchPart("focus", focus, 1 - share - lesser),
        *_bank_motion(wind, k, off),
    ]


def _bank_motion(wind: WindInFrame, k: float, off: float) -> Sketch:
    """Motion beyond the upwind end, coming in to the bank as the wind turns along it."""
    size = BANK_LAYOUT
    beside = np.array([size.motion_a.at(k), size.motion_y])
    if wind.theta > 90:
        behind = (size.motion_behind_a.at(k), size.motion_behind_y)
        return _behind_motion(wind, between(beside, behind, off))
    inshore = POCKET_YD - size.motion_y
    swing = math.radians(wind.theta * (1 + math.atan2(inshore, beside[0]) / (math.pi / 2)))
    reach = mix(size.motion_beyond.at(k), math.hypot(beside[0], inshore), wind.s**2)
    start = POCKET_YD + size.pocket_further[0] * wind.c**2
    spot = Point(reach * math.sin(swing), start + reach * math.cos(swing))
    return [SketchPart("motion", spot)]


def _behind_motion(wind: WindInFrame, spot: FloatArray) -> Sketch:
    """Return motion decoys for a wind from abeam on.

    One alone comes in before the guns as the wind swings behind, round the flank that forms there,
    and so changes no flank where it crosses; of two, one goes to either flank.
    """
    path = MOTION_PATH
    over = path.over_y + path.over_share * spot[0]
    way = bezier(spot, (spot[0] + path.outward, over), (path.inner_a, over), (0.0, path.end_y))
    alone = SketchPart("motion", way.interpolate(wind.step(path.swing_deg), normalized=True))
    if wind.theta <= path.swing_deg[0]:
        return [alone]
    either = (Point(side * spot[0], spot[1]) for side in (1, -1))
    return [alone, *(SketchPart("motion pair", point) for point in either)]


def draw_point(wind: WindInFrame, decoys: int) -> Sketch:
    """The tip of a point: wind over one shoulder, birds led past the front."""
    size = POINT_LAYOUT
    behind = wind.step(size.flanks_deg)
    k, s, u, ahead = body_growth(decoys, behind), wind.s, wind.u, wind.ahead
    quiet = 1 - wind.step(size.guard_flank_deg)
    pocket = np.array([-size.pocket_aside * s, POCKET_YD])
    thick = k * mix(size.mass_along.abeam, size.mass_along.ahead, ahead)
    wide = mix(size.mass_across.abeam, size.mass_across.ahead, ahead)
    wide = k * mix(wide, size.mass_across.behind, behind)
    upwind = pocket + (size.mass_beyond.at(k) - size.mass_nearer_ahead * ahead) * u
    turn = _body_turn(wind, behind)
    flank = np.array([size.flank_a.at(k), size.flank_y])
    mass = between(upwind, flank, behind)
    guard = between((-flank[0], flank[1]), size.guard_at, quiet)
    aside = size.front_aside * wind.step(size.front_aside_deg)
    front = np.array([size.front_a * s + aside, size.front_y + size.front_further_ahead * ahead])
    tail = wind.between(size.tail_grows_deg, size.tail_goes_deg) * (decoys >= size.tail_decoys)
    share = _shares(
        {
            "mass": size.mass_share,
            "front": size.front_share * (1 - ahead) * (1 - wind.step(size.front_gone_deg)),
            "guard": mix(size.guard_share[1], size.guard_share[0] * s, quiet),
            "tail": size.tail_share * tail,
            "focus": size.focus_share,
        }
    )
    beyond = mass + (thick + size.motion_beyond) * unit_toward(turn)
    beyond[1] -= size.motion_inshore * s * (1 - behind)
    pocket_area = blob(pocket, along=size.pocket_along, across=size.pocket_across, turn=wind.theta)
    bend = size.mass_bend * wide * (1 - behind)
    guard_across = k * mix(size.guard_across[1], size.guard_across[0], quiet)
    front_half = {"along": size.front_along * k, "across": size.front_across * k}
    return [
        SketchPart("pocket", pocket_area),
        _group("mass", mass, share["mass"], along=thick, across=wide, turn=turn, bend=bend),
        _group("front", front, share["front"], **front_half),
        _group("guard", guard, share["guard"], along=size.guard_along * k, across=guard_across),
        *([_point_tail(wind, k, front, tail, share["tail"])] if tail else []),
        SketchPart("focus", Point(pocket + size.focus_upwind * u), share["focus"]),
        *_behind_motion(wind, beyond),
    ]


def _point_tail(
    wind: WindInFrame, k: float, front: FloatArray, grown: float, share: float
) -> SketchPart:
    """Return the tail from the front's lee end downwind, turned outward."""
    size = POINT_LAYOUT
    start = front - (size.front_across * k + size.tail_gap, 0)
    out = unit_toward(wind.theta + (180 + size.tail_outward_deg))
    line = LineString(np.array([start, start + size.tail_length * grown * out]))
    return _line_part("tail", line, size.tail_half_width, share)


def draw_open_water(wind: WindInFrame, decoys: int) -> Sketch:
    """Open water: a tail close past the hide, a hook round the far side, the mouth downwind."""
    size = OPEN_WATER_LAYOUT
    behind = wind.step(size.flanks_deg)
    k, u = body_growth(decoys, behind), wind.u
    grown = wind.step(size.pocket_grows_deg)
    pocket = np.array([0.0, POCKET_YD + size.pocket_further * grown])
    flank = np.array([size.flank_a.at(k), size.flank_y.at(k)])
    mass = between(pocket + size.mass_beyond.at(k) * u, flank, behind)
    second_y = mix(size.second_y, flank[1], wind.step(size.second_in_deg))
    second = np.array([-flank[0], second_y])
    thick, wide = k * mix(*size.mass_along, behind), k * mix(*size.mass_across, behind)
    turn = _body_turn(wind, behind)

    lines = decoys >= size.line_decoys
    tail = wind.between(size.tail_grows_deg, size.tail_goes_deg) * lines
    hook = wind.between(size.hook_grows_deg, size.hook_goes_deg) * lines
    share = _shares(
        {
            "mass": mix(*size.mass_share, behind),
            "second": size.second_share * behind,
            "hook": size.hook_share * hook,
            "tail": size.tail_share * tail,
            "focus": size.focus_share,
        }
    )
    beyond = mass + (thick + size.motion_beyond) * unit_toward(turn)
    beyond[1] -= size.motion_inshore * wind.s * (1 - behind)
    beside = (size.motion_behind_a.at(k), size.motion_behind_y)
    focus = Point(pocket + mix(*size.focus_upwind, behind) * u)
    pocket_half = {
        "along": mix(*size.pocket_along, grown),
        "across": mix(*size.pocket_across, grown),
    }
    second_half = {
        "along": k * mix(*size.second_along, behind),
        "across": k * mix(*size.second_across, behind),
    }
    bend = size.mass_bend * wide * (1 - behind)
    return [
        SketchPart("pocket", blob(pocket, **pocket_half, turn=wind.theta)),
        _group("mass", mass, share["mass"], along=thick, across=wide, turn=turn, bend=bend),
        _group("second", second, share["second"], **second_half),
        *([_hook(wind, pocket, hook, share["hook"])] if hook else []),
        *(
            [_open_tail(wind, k, mass, tail, share["tail"], wide=wide, behind=behind)]
            if tail > size.least_tail
            else []
        ),
        SketchPart("focus", focus, share["focus"]),
        *_behind_motion(wind, between(beyond, beside, behind)),
    ]


def _open_tail(
    wind: WindInFrame,
    k: float,
    mass: FloatArray,
    grown: float,
    share: float,
    *,
    wide: float,
    behind: float,
) -> SketchPart:
    """Return the tail from the mass's near corner, close past the hide, to the lee side.

    It reaches up to the mass only while nothing lies between them.
    """
    size = OPEN_WATER_LAYOUT
    windward, lee = size.tail_past_a
    rad = math.radians(_body_turn(wind, behind))
    toward_bank = np.array([math.cos(rad), -math.sin(rad)])
    corner = mass + size.tail_corner * wide * toward_bank
    corner = corner - size.tail_back * wide * (1 - behind) * wind.u
    corner = between(
        (size.tail_open_a, size.tail_y),
        (corner[0], max(corner[1], size.tail_y)),
        wind.between(size.tail_joins_deg, size.tail_leaves_deg),
    )
    end = (-mix(*size.tail_end_a, min(1.0, k)), size.tail_end_y)
    clear = bezier(corner, (min(windward, corner[0]), size.tail_y), (lee, size.tail_y), end)
    run = substring(clear, 0, grown, normalized=True)
    return _line_part("tail", run, size.tail_half_width, share)


def _hook(wind: WindInFrame, pocket: FloatArray, grown: float, share: float) -> SketchPart:
    """Return the arc round the far side, from the mass's outer end curling downwind."""
    size = OPEN_WATER_LAYOUT
    start = size.hook_from_deg
    bearing = np.radians(wind.theta - np.linspace(start, start + size.hook_over_deg * grown, 24))
    arc = pocket + size.hook_radius * np.column_stack([np.sin(bearing), np.cos(bearing)])
    area = LineString(arc).buffer(size.hook_half_width, quad_segs=4)
    return SketchPart("hook", area, share)


def draw_pair(wind: WindInFrame, decoys: int) -> Sketch:
    """The small spread: an end group upwind and a line level with the hide to steer by."""
    size = PAIR_LAYOUT
    k = float(np.clip(math.sqrt(decoys / size.drawn_for), *size.growth_range))
    s, u = wind.s, wind.u
    behind = wind.step(size.flanks_deg)
    pocket = np.array([0.0, size.pocket_y])
    flank = np.array([size.flank_a.at(k), size.flank_y])
    end = between(pocket + size.end_beyond.at(k) * u, flank, behind)
    line = between((-size.line_aside * s, size.line_y), (-flank[0], flank[1]), behind)
    turn = _body_turn(wind, behind)
    small, small_across = k * mix(*size.end_along, behind), k * mix(*size.end_across, behind)
    lesser = mix(*size.line_share, behind)
    beyond = end + (small + size.motion_beyond) * unit_toward(turn)
    beside = flank + (small_across + size.motion_beyond, -size.motion_inshore)
    pocket_area = blob(pocket, along=size.pocket_along, across=size.pocket_across, turn=wind.theta)
    return [
        SketchPart("pocket", pocket_area),
        _group(
            "mass",
            end,
            (1 - size.focus_share) - lesser,
            along=small,
            across=small_across,
            turn=turn,
            bend=size.end_bend * small_across * (1 - behind),
        ),
        _group(
            "second",
            line,
            lesser,
            along=mix(size.line_along, small, behind),
            across=mix(size.line_across, small_across, behind),
        ),
        SketchPart("focus", Point(pocket + size.focus_upwind * u), size.focus_share),
        *_behind_motion(wind, between(beyond, beside, behind)),
    ]


def draw_timber(wind: WindInFrame, decoys: int) -> Sketch:  # noqa: ARG001 - every sketch is asked alike
    """An opening in timber: the stack in the trees downwind, which birds pass over first."""
    size = TIMBER_LAYOUT
    pocket = np.array([0.0, size.pocket_y])
    radius = min(size.pocket_radius, size.pocket_share * wind.opening)
    stack = pocket - (wind.opening / 2 + size.stack_in) * wind.u
    stack_half = {"along": size.stack_along, "across": size.stack_across}
    return [
        SketchPart("pocket", blob(pocket, along=radius, across=radius)),
        _group("mass", stack, 1 - size.focus_share, **stack_half, turn=wind.theta),
        SketchPart("focus", Point(pocket), size.focus_share),
        SketchPart("motion", Point(pocket + size.motion_upwind * radius * wind.u)),
    ]


@dataclass(frozen=True)
class BlendedWithBank:
    """A sketch that is the bank's at either end of its winds and its own between.

    Parameters
    ----------
    draw
        The sketch proper.
    grows
        From which angle off straight ahead it departs from the bank's, and where it is its own.
    fades
        The same on the way back; None where it hands over to another.
    """

    draw: DrawSketch
    grows: Turn
    fades: Turn | None = None

    def __call__(self, wind: WindInFrame, decoys: int) -> Sketch:
        own = wind.step(self.grows) * (1 - wind.step(self.fades) if self.fades else 1.0)
        if own == 1:
            return self.draw(wind, decoys)
        held = draw_bank(wind, decoys)
        return _mixed(held, self.draw(wind, decoys), own) if own else held


def _mixed(start: Sketch, end: Sketch, t: float) -> Sketch:
    """Return parts between two sketches; what the first lacks keeps its place and grows in share.

    The two have the same blobs, vertex by vertex; the lesser group is the first's second, near
    group and the other's second or guard.
    """
    left = list(start)
    sketch: Sketch = []
    for part in end:
        other = next((p for p in left if _role(p) == _role(part)), None)
        if other is None:
            sketch.append(replace(part, share=t * part.share))
            continue
        left.remove(other)
        named = part if t > 0.5 else other
        held, own = (shapely.get_coordinates(p.geometry) for p in (other, part))
        sketch.append(
            replace(
                named,
                geometry=_moved(named.geometry, held * (1 - t) + own * t),
                share=other.share * (1 - t) + part.share * t,
            )
        )
    return sketch


def _role(part: SketchPart) -> str:
    return "second" if part.name in ("near", "guard") else part.name


def _moved(shape: Polygonal | Point, corners: FloatArray) -> Polygonal | Point:
    return shapely.transform(shape, lambda _: corners)


def add_far_group(sketch: Sketch, wind: WindInFrame, decoys: int) -> Sketch:
    """Return a sketch with a part of its decoys in a far group.

    It lies out on the windward hand, beside the mass and clear of the way in; to both hands where
    the wind is from the front or from behind.

    Parameters
    ----------
    sketch
        The layout's parts.
    wind
        The wind they are drawn for.
    decoys
        How many are carried.

    Returns
    -------
    list of SketchPart
        The parts, their shares reduced, and the far group.
    """
    k = body_growth(decoys)
    lee = 0.5 * (1 - wind.between(FAR_LAYOUT.one_hand_deg, FAR_LAYOUT.both_hands_deg))
    middle = (FAR_LAYOUT.begins + FAR_LAYOUT.along * k) * unit_toward(FAR_LAYOUT.off_deg)
    blobs = [
        blob(
            middle * (side, 1),
            along=FAR_LAYOUT.along * k * math.sqrt(part),
            across=FAR_LAYOUT.across * k * math.sqrt(part),
            turn=side * FAR_LAYOUT.off_deg,
            square=SQUARE_CORNERS,
        )
        for side, part in ((1, 1 - lee), (-1, lee))
        if part > 0
    ]
    held = [replace(part, share=part.share * (1 - FAR_LAYOUT.share)) for part in sketch]
    return [*held, SketchPart(FAR_GROUP, MultiPolygon(blobs), FAR_LAYOUT.share, LINE_SPACING_YD)]
