"""The sketches: each layout as a good hunter would draw it on a napkin, a function of the wind.

Drawn in yards, as the trade speaks, with the wind's own hand taken out: axis a runs along the
bank with +a the windward side, y straight out, and the wind comes from bearing theta (0 in the
face, 180 from behind) toward u = (sin theta, cos theta). Every offset along the bank vanishes or
becomes symmetric at 0 and 180, so nothing jumps when the wind crosses them. Numbers: common
practice where the trade has one, otherwise our judgement; no source. They are drawn for four
dozen decoys.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon
from shapely.ops import substring

from sitegeo.angles import smoothstep
from sitegeo.core.typing import FloatArray
from sitegeo.spreads.frame import POCKET_YD

PartName = Literal[
    "mass", "second", "tail", "hook", "near", "front", "guard", "holding", "focus", "pocket",
    "motion", "motion pair",
]  # fmt: skip
Polygonal = Polygon | MultiPolygon
FAR_GROUP: PartName = "holding"
"""The far group: an option, off by default, that holds distant birds and means long shots."""

SPACING_YD = 2.0
LINE_SPACING_YD = 3.5
STACK_IN_YD = 4.0
"""How far beyond the edge of the trees the middle of a timber stack lies."""

_NOMINAL = 48  # decoys for which the sketches are drawn


@dataclass(frozen=True)
class WindInFrame:
    """The angle a sketch is drawn for, with the terms every sketch uses.

    `opening` is the width in yards of a timber opening; the other layouts do not look at it.
    """

    theta: float
    opening: float = 26.0

    @property
    def s(self) -> float:
        return math.sin(math.radians(self.theta))

    @property
    def c(self) -> float:
        return math.cos(math.radians(self.theta))

    @property
    def facing(self) -> float:
        """1 with the wind in the face, 0 from abeam on."""
        return self.c**2 if self.theta < 90 else 0.0

    @property
    def u(self) -> FloatArray:
        return np.array([self.s, self.c])

    def step(self, lo: float, hi: float) -> float:
        return float(smoothstep(self.theta, lo, hi))


@dataclass(frozen=True)
class SketchPart:
    """A part as sketched: yards, windward hand to +a."""

    name: PartName
    geometry: Polygonal | Point
    share: float = 0.0
    spacing: float = SPACING_YD


Sketch = list[SketchPart]


def _mix(start: float, end: float, t: float) -> float:
    return start + (end - start) * t


def _between(
    start: tuple[float, float] | FloatArray,
    end: tuple[float, float] | FloatArray,
    t: float,
) -> FloatArray:
    return np.asarray(start, float) * (1 - t) + np.asarray(end, float) * t


def blob(
    centre: tuple[float, float] | FloatArray,
    *,
    along: float,
    across: float,
    turn: float = 0.0,
    bend: float = 0.0,
    square: float = 2.0,
) -> Polygon:
    """Return a rounded area with half-axis `along` toward bearing `turn` and `across` beside it.

    `bend` drags the two ends back by that much, which makes a kidney hollow on the near side;
    `square` above 2 fills the corners.
    """
    t = np.linspace(0.0, 2 * np.pi, 64, endpoint=False)
    side = np.sign(np.cos(t)) * np.abs(np.cos(t)) ** (2 / square)
    fore = np.sign(np.sin(t)) * np.abs(np.sin(t)) ** (2 / square)
    across_axis, along_axis = across * side, along * fore - bend * side**2
    rad = math.radians(turn)
    a = math.sin(rad) * along_axis + math.cos(rad) * across_axis
    y = math.cos(rad) * along_axis - math.sin(rad) * across_axis
    return Polygon(np.column_stack([a, y]) + np.asarray(centre, float))


def _ribbon(line: FloatArray, half_width: float) -> Polygonal:
    return LineString(line).buffer(half_width, quad_segs=4)


def body_growth(decoys: int, behind: float = 0.0) -> float:
    """Return how much larger than drawn the body is: areas follow the count.

    The flanks of a wind from behind have room for more than a body upwind of the pocket.
    """
    return float(np.clip(math.sqrt(decoys / _NOMINAL), 0.5, 1.4 + 0.2 * behind))


def draw_bank(wind: WindInFrame, decoys: int) -> Sketch:
    """The bank family: one shape from a wind in the face to a wind from behind.

    The near group's ten yards count from the edge of the trees, where the hide stands.
    """
    off = wind.step(90, 150)
    k, s, c, u = body_growth(decoys, off), wind.s, wind.c, wind.u
    fore = wind.theta <= 90
    pocket = np.array([0.0, POCKET_YD + (1.5 if fore else 1.0) * c**2])
    along = 6 + 3 * s**2 if fore else 9 + c**2
    across = 9 - 3 * s**2 if fore else 6 + 3 * c**2

    thick = k * (4.5 + 1.5 * s**2 if fore else _mix(6, 4, off))
    wide = k * (13 - 3 * s**2 if fore else _mix(10, 6, off))
    abeam = (
        np.array([along + 0.5 + thick, pocket[1]]) if fore else np.array([9.5 + 6 * k, POCKET_YD])
    )
    flank = np.array([6 + 6 * k, 2 + 4 * k])
    mass = pocket + abeam[0] * u if fore else _between(abeam, flank, off)
    hugging = (-16 * s, 7 + 3 * c**2) if fore else (-16.0, 7.0)
    second = _between(hugging, (-flank[0], flank[1]), off)

    share = _mix(_mix(0.75, 0.70, c**2) if fore else 0.75, 0.48, off)
    lesser = _mix(_mix(0.20, 0.25, c**2) if fore else 0.20, 0.48, off)
    return [
        SketchPart("pocket", blob(pocket, along=along, across=across, turn=wind.theta)),
        SketchPart(
            "mass",
            blob(
                mass,
                along=thick,
                across=wide,
                turn=wind.theta if fore else 90 + 90 * off,
                bend=0.55 * wide * (1 - off),
                square=2.4,
            ),
            share,
        ),
        SketchPart(
            "near" if wind.theta < 25 else "second",
            blob(second, along=k * _mix(2, 4, off), across=k * _mix(7, 6, off), square=2.4),
            lesser,
        ),
        SketchPart("focus", Point(2 * s, POCKET_YD - 2 * c**2), 1 - share - lesser),
        *_bank_motion(wind, k, off),
    ]


def _bank_motion(wind: WindInFrame, k: float, off: float) -> Sketch:
    """Motion beyond the upwind end, coming in to the bank as the wind turns along it."""
    beside = np.array([14 + 12 * k, 4.0])
    if wind.theta > 90:
        return _behind_motion(wind, _between(beside, (8 + 12 * k, 3), off))
    swing = math.radians(wind.theta * (1 + math.atan2(13, beside[0]) / (math.pi / 2)))
    reach = _mix(7.5 + 9 * k, math.hypot(beside[0], 13), wind.s**2)
    start = POCKET_YD + 1.5 * wind.c**2
    return [SketchPart("motion", Point(reach * math.sin(swing), start + reach * math.cos(swing)))]


def _behind_motion(wind: WindInFrame, spot: FloatArray) -> Sketch:
    """Return motion decoys for a wind from abeam on.

    One alone comes in before the guns as the wind swings behind, round the flank that forms there,
    and so changes no flank where it crosses; of two, one goes to either flank.
    """
    over = 2 + 0.75 * spot[0]  # far enough out to clear the flank, which grows with `spot`
    way = _curve(spot, (spot[0] + 7, over), (8.0, over), (0.0, 6.0))
    alone = SketchPart("motion", way.interpolate(wind.step(130, 180), normalized=True))
    if wind.theta <= 130:
        return [alone]
    return [alone, *(SketchPart("motion pair", Point(side * spot[0], spot[1])) for side in (1, -1))]


def draw_point(wind: WindInFrame, decoys: int) -> Sketch:
    """The tip of a point: wind over one shoulder, birds led past the front."""
    behind = wind.step(100, 165)
    k, s, u = body_growth(decoys, behind), wind.s, wind.u
    quiet = 1 - wind.step(125, 180)  # the guard's water is the quiet one until the wind is behind
    fore = wind.facing
    pocket = np.array([-3 * s, POCKET_YD])
    thick = k * _mix(5, 2.5, fore)
    wide = k * _mix(_mix(9, 10, fore), 7, behind)
    upwind = pocket + (10 + 5 * k - 1.5 * fore) * u
    turn = wind.theta if wind.theta <= 90 else 90 + 90 * behind
    flank = np.array([6 + 7 * k, 2.0])
    mass = _between(upwind, flank, behind)
    guard = _between((-flank[0], flank[1]), (-16, -10), quiet)
    aside = 5 * wind.step(110, 160)
    front = np.array([2 * s + aside, 27 + 3.5 * fore])

    fading = 1 - wind.step(125, 155)
    tail = wind.step(40, 80) * (1 - wind.step(120, 145)) * (decoys >= 24)
    weights = {
        "mass": 0.48,
        "front": 0.20 * (1 - fore) * fading,
        "guard": _mix(0.48, 0.13 * s, quiet),
        "tail": 0.13 * tail,
        "focus": 0.05,
    }
    share = {name: weight / sum(weights.values()) for name, weight in weights.items()}
    sketch = [
        SketchPart("pocket", blob(pocket, along=9, across=7, turn=wind.theta)),
        SketchPart(
            "mass",
            blob(mass, along=thick, across=wide, turn=turn, bend=0.5 * wide * (1 - behind),
                  square=2.4),
            share["mass"],
        ),
        SketchPart("front", blob(front, along=3 * k, across=5 * k, square=2.4), share["front"]),
        SketchPart(
            "guard",
            blob(guard, along=5 * k, across=k * _mix(7, 6, quiet), square=2.4),
            share["guard"],
        ),
    ]  # fmt: skip
    if tail:
        out = math.radians(wind.theta + 210)
        start = front - (5 * k + 2, 0)
        end = start + 18 * tail * np.array([math.sin(out), math.cos(out)])
        sketch.append(
            SketchPart("tail", _ribbon(np.array([start, end]), 1.0), share["tail"], LINE_SPACING_YD)
        )
    rad = math.radians(turn)
    beyond = mass + (thick + 3) * np.array([math.sin(rad), math.cos(rad)])
    beyond[1] -= 8 * s * (1 - behind)  # toward the cover on the bank
    sketch += [SketchPart("focus", Point(pocket + 2 * u), share["focus"])]
    return sketch + _behind_motion(wind, beyond)


def draw_open_water(wind: WindInFrame, decoys: int) -> Sketch:
    """Open water: a tail close past the hide, a hook round the far side, the mouth downwind."""
    behind = wind.step(100, 150)
    k, s, u = body_growth(decoys, behind), wind.s, wind.u
    grown = wind.step(110, 180)
    pocket = np.array([0.0, POCKET_YD + 1.5 * grown])
    flank = np.array([6 + 6 * k, 2 + 4 * k])
    mass = _between(pocket + (9.5 + 6 * k) * u, flank, behind)
    # Outside the tail until the tail has drawn back past it.
    second = np.array([-flank[0], _mix(13, flank[1], wind.step(115, 155))])
    thick, wide = k * _mix(6, 4, behind), k * _mix(10, 6, behind)
    turn = wind.theta if wind.theta <= 90 else 90 + 90 * behind
    rad = math.radians(turn)
    toward_bank = np.array([math.cos(rad), -math.sin(rad)])

    # The tail is gone before the second group comes to lie where it ran.
    tail = wind.step(42, 78) * (1 - wind.step(95, 135)) * (decoys >= 12)
    hook = wind.step(20, 60) * (1 - wind.step(105, 130)) * (decoys >= 12)
    weights = {
        "mass": _mix(0.55, 0.475, behind),
        "second": 0.475 * behind,
        "hook": 0.15 * hook,
        "tail": 0.25 * tail,
        "focus": 0.05,
    }
    share = {name: weight / sum(weights.values()) for name, weight in weights.items()}
    sketch = [
        SketchPart(
            "pocket",
            blob(pocket, along=_mix(9, 11, grown), across=_mix(6, 9, grown), turn=wind.theta),
        ),
        SketchPart(
            "mass",
            blob(mass, along=thick, across=wide, turn=turn, bend=0.45 * wide * (1 - behind),
                  square=2.4),
            share["mass"],
        ),
        SketchPart(
            "second",
            blob(second, along=k * _mix(2, 4, behind), across=k * _mix(3, 6, behind), square=2.4),
            share["second"],
        ),
    ]  # fmt: skip
    if hook:
        sketch.append(SketchPart("hook", _hook(pocket, wind.theta, hook), share["hook"]))
    if tail > 0.15:
        corner = mass + 0.85 * wide * toward_bank - 0.4 * wide * (1 - behind) * u
        end = (-_mix(26, 40, min(1.0, k)), 8.0)
        # It reaches up to the mass only while nothing lies between them.
        reach = wind.step(55, 80) * (1 - wind.step(88, 112))
        corner = _between((2.0, 6.5), (corner[0], max(corner[1], 6.5)), reach)
        clear = _curve(corner, (min(8.0, corner[0]), 6.5), (-12, 6.5), end)
        run = substring(clear, 0, tail, normalized=True)
        sketch.append(
            SketchPart("tail", run.buffer(1.2, quad_segs=4), share["tail"], LINE_SPACING_YD)
        )
    beyond = mass + (thick + 3) * np.array([math.sin(rad), math.cos(rad)])
    beyond[1] -= 8 * s * (1 - behind)
    spot = _between(beyond, (8 + 12 * k, 3), behind)
    sketch += [
        SketchPart("focus", Point(pocket + _mix(1.5, 3, behind) * u), share["focus"]),
        *_behind_motion(wind, spot),
    ]
    return sketch


def _hook(pocket: FloatArray, theta: float, grown: float) -> Polygonal:
    """Return the arc round the far side, from the mass's outer end curling downwind.

    Common practice sets it 40 to 80 degrees from upwind; the mass's horn takes the first of that.
    """
    bearing = np.radians(theta - np.linspace(42, 42 + 48 * grown, 24))
    return _ribbon(pocket + 13 * np.column_stack([np.sin(bearing), np.cos(bearing)]), 1.5)


def _curve(*control: tuple[float, float] | FloatArray) -> LineString:
    """Return the cubic Bezier curve of four control points."""
    t = np.linspace(0, 1, 120)[:, None]
    p0, p1, p2, p3 = (np.asarray(p, float) for p in control)
    near: FloatArray = (1 - t) ** 3 * p0 + 3 * (1 - t) ** 2 * t * p1
    far: FloatArray = 3 * (1 - t) * t**2 * p2 + t**3 * p3
    return LineString(near + far)


def draw_pair(wind: WindInFrame, decoys: int) -> Sketch:
    """The small spread: an end group upwind and a line level with the hide to steer by.

    The end group sets out for its flank well before 140 degrees, where common practice has it go,
    so that it never lies before the muzzles.
    """
    k = float(np.clip(math.sqrt(decoys / 16), 0.7, 1.6))
    s, u = wind.s, wind.u
    behind = wind.step(100, 150)
    pocket = np.array([0.0, 16.0])
    flank = np.array([6 + 6 * k, 6.0])
    end = _between(pocket + (9 + 3 * k) * u, flank, behind)
    line = _between((-10 * s, 6.5), (-flank[0], flank[1]), behind)
    turn = wind.theta if wind.theta <= 90 else 90 + 90 * behind
    small, small_across = k * _mix(3, 2, behind), k * _mix(6, 5, behind)
    lesser = _mix(0.33, 0.45, behind)
    rad = math.radians(turn)
    beyond = end + (small + 2) * np.array([math.sin(rad), math.cos(rad)])
    spot = _between(beyond, flank + (small_across + 2, -1), behind)
    return [
        SketchPart("pocket", blob(pocket, along=8, across=6, turn=wind.theta)),
        SketchPart(
            "mass",
            blob(end, along=small, across=small_across, turn=turn,
                  bend=0.4 * small_across * (1 - behind), square=2.4),
            0.90 - lesser,
        ),
        SketchPart(
            "second",
            blob(line, along=_mix(0.9, small, behind), across=_mix(5.5, small_across, behind),
                  square=2.4),
            lesser,
        ),
        SketchPart("focus", Point(pocket + 1.5 * u), 0.10),
        *_behind_motion(wind, spot),
    ]  # fmt: skip


def draw_timber(wind: WindInFrame, decoys: int) -> Sketch:  # noqa: ARG001 - every sketch is asked alike
    """An opening in timber: the stack in the trees downwind, which birds pass over first.

    Of one size, whatever is carried: where trees stand in water does not hang on the bag.
    """
    pocket = np.array([0.0, 16.5])
    radius = min(6.0, 0.3 * wind.opening)
    stack = pocket - (wind.opening / 2 + STACK_IN_YD) * wind.u
    return [
        SketchPart("pocket", blob(pocket, along=radius, across=radius)),
        SketchPart("mass", blob(stack, along=3, across=8, turn=wind.theta, square=2.4), 1 - 2 / 24),
        SketchPart("focus", Point(pocket), 2 / 24),
        SketchPart("motion", Point(pocket + 0.6 * radius * wind.u)),
    ]


DrawSketch = Callable[[WindInFrame, int], Sketch]


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
    grows: tuple[float, float]
    fades: tuple[float, float] | None = None

    def __call__(self, wind: WindInFrame, decoys: int) -> Sketch:
        own = wind.step(*self.grows) * (1 - wind.step(*self.fades) if self.fades else 1.0)
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
    sketch = []
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


FROM_YD = 30.0
"""Where it begins."""

SHARE = 0.25
OFF_DEG = 49.0
"""Off straight out: clear of the mass with the wind in the face, of the way in with it behind."""

FAR_GROUP_CAUTION = (
    "the far group holds distant birds and means long shots, from 30 yd on: let pass what you "
    "cannot kill cleanly"
)


def add_far_group(sketch: Sketch, wind: WindInFrame, decoys: int) -> Sketch:
    """Return a sketch with a part of its decoys in a far group, its innermost near 30 yd.

    It lies out on the windward hand, beside the mass and clear of the way in; to both hands where
    the wind is from the front or from behind.
    """
    k = body_growth(decoys)
    lee = 0.5 * (1 - wind.step(0, 50) * (1 - wind.step(130, 180)))
    middle = (FROM_YD + 4 * k) * np.array(
        [math.sin(math.radians(OFF_DEG)), math.cos(math.radians(OFF_DEG))]
    )
    blobs = [
        blob(
            middle * (side, 1),
            along=4 * k * math.sqrt(part),
            across=7 * k * math.sqrt(part),
            turn=side * OFF_DEG,
            square=2.4,
        )
        for side, part in ((1, 1 - lee), (-1, lee))
        if part > 0
    ]
    held = [replace(part, share=part.share * (1 - SHARE)) for part in sketch]
    return [*held, SketchPart(FAR_GROUP, MultiPolygon(blobs), SHARE, LINE_SPACING_YD)]
