"""The layouts by name, drawn for one wind and turned to the true hand, in metres.

`LAYOUTS` maps a name to its sketch (see `templates`); another layout slots in as one function.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from types import MappingProxyType

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Point, Polygon

from sitegeo.angles import signed_diff_deg
from sitegeo.core.typing import FloatArray
from sitegeo.errors import UsageError
from sitegeo.spreads.dimensions import (
    OPEN_WATER_LAYOUT,
    PAIR_LAYOUT,
    POINT_LAYOUT,
    SPACING_YD,
    TIMBER_LAYOUT,
)
from sitegeo.spreads.frame import BANK_LIMIT_YD, wind_side
from sitegeo.spreads.sketch import FAR_GROUP, PartName, Polygonal, Sketch, WindInFrame
from sitegeo.spreads.templates import (
    BlendedWithBank,
    add_far_group,
    draw_bank,
    draw_open_water,
    draw_pair,
    draw_point,
    draw_timber,
)
from sitegeo.units import YARD_M

MUZZLE_YD = 5.0
"""Nothing lies nearer to a muzzle than this; practice."""

MAX_DECOYS = 120
"""Most decoys a layout is drawn for; judgement."""

_ROUND_YD = 0.8
"""Corners left by the carving are rounded off so far; judgement."""

_KEEP_ROUNDED = 0.8
"""They are left sharp where rounding would cost more than the rest of this share; judgement."""

_GAP_YD = 0.5
"""Clear water left round the pocket; judgement."""


@dataclass(frozen=True)
class LayoutPart:
    """One part of a spread in local metres.

    Parameters
    ----------
    name
        What the part is for: ``mass``, ``second``, ``tail``, ``pocket`` and so on.
    geometry
        Area to fill, or a point for ``focus`` and ``motion``.
    share
        Share of the decoys, 0 to 1; 0 for ``pocket`` and ``motion``.
    spacing_m
        Distance wanted between decoys.
    """

    name: PartName
    geometry: Polygonal | Point
    share: float = 0.0
    spacing_m: float = 0.0


@dataclass(frozen=True)
class Layout:
    """A layout for one wind, in local metres: +x right of the hide, +y straight out.

    ``limit_m`` is how far from the hide a decoy may lie (infinite where tails may run on); the
    far group is exempt.
    """

    name: str
    phi_deg: float
    parts: tuple[LayoutPart, ...]
    limit_m: float = math.inf

    @property
    def theta_deg(self) -> float:
        """Angle between the wind and the facing, 0 to 180."""
        return abs(self.phi_deg)

    @property
    def hand(self) -> int:
        """Side the wind comes from: +1 right, -1 left."""
        return -1 if self.phi_deg < 0 else 1

    @property
    def upwind(self) -> FloatArray:
        """Unit vector toward the wind's source, local axes."""
        rad = math.radians(self.phi_deg)
        return np.array([math.sin(rad), math.cos(rad)])

    def named(self, name: str) -> tuple[LayoutPart, ...]:
        """Return the parts of a name, in set-up order."""
        return tuple(part for part in self.parts if part.name == name)

    @property
    def pocket(self) -> Polygon:
        """The open water meant for landing."""
        pocket = self.named("pocket")[0].geometry
        assert isinstance(pocket, Polygon)
        return pocket


_at_point = BlendedWithBank(
    draw_point,
    grows=(POINT_LAYOUT.winds_deg[0], POINT_LAYOUT.own_deg[0]),
    fades=(POINT_LAYOUT.own_deg[1], POINT_LAYOUT.winds_deg[1]),
)
_in_the_open = BlendedWithBank(
    draw_open_water, grows=(OPEN_WATER_LAYOUT.winds_deg[0], OPEN_WATER_LAYOUT.own_from_deg)
)
_few = BlendedWithBank(
    draw_pair,
    grows=(PAIR_LAYOUT.winds_deg[0], PAIR_LAYOUT.own_deg[0]),
    fades=(PAIR_LAYOUT.own_deg[1], PAIR_LAYOUT.winds_deg[1]),
)

LAYOUTS: Mapping[str, Callable[[WindInFrame, int], Sketch]] = MappingProxyType(
    {
        "bank-along": draw_bank,
        "bank-onto": draw_bank,
        "bank-off": draw_bank,
        "point": _at_point,
        "open-cross": _in_the_open,
        "open-behind": _in_the_open,
        "pair": _few,
        "timber": draw_timber,
    }
)
"""Every layout by name; the bank names label one family, so do the open ones."""

_BANK_NAMES_DEG = (45.0, 125.0)
"""The bank family is called onto below the first, off beyond the second; judgement."""

_ABEAM_DEG = 85.0
"""A wind nearer to the front than this is over no shoulder; judgement."""

_STRAIGHT_DEG = 140.0
"""Birds that come more than 40 degrees aside cross the front; judgement."""

_UPWIND_END_DEG = 120.0
"""From here on a hide at an opening is at its upwind end, before on its flank; judgement."""

_LETTERS = {"point": "P", "timber opening": "H", "cover clump": "C", "open flat": "F"}


def choose_layout(kind: str, phi_deg: float, *, decoys: int) -> str:
    """Return the layout for a kind of position (its name or letter), a wind and a count.

    Common practice, no source: timber for an opening in trees, `point` for wind over one shoulder
    at a point, the small spread for two dozen or fewer with the wind across, the open ones for
    cover standing in open water and for flats, else the bank family.

    Parameters
    ----------
    kind
        Kind of position, its name or letter.
    phi_deg
        Wind against the facing: 0 in the face, +90 from the right.
    decoys
        How many are carried.

    Returns
    -------
    str
        A name in `LAYOUTS`.

    Examples
    --------
    >>> choose_layout("tree line", 80.0, decoys=36), choose_layout("point", 110.0, decoys=36)
    ('bank-along', 'point')
    """
    theta = abs(float(signed_diff_deg(phi_deg, 0.0)))
    letter = _LETTERS.get(kind, kind)
    if letter == "H":
        return "timber"
    if letter == "P" and _within(theta, POINT_LAYOUT.winds_deg):
        return "point"
    few = _within(decoys, PAIR_LAYOUT.decoys)
    if letter != "P" and few and _within(theta, PAIR_LAYOUT.winds_deg):
        return "pair"
    if letter in ("C", "F") and theta >= OPEN_WATER_LAYOUT.winds_deg[0]:
        return "open-cross" if theta <= OPEN_WATER_LAYOUT.winds_deg[1] else "open-behind"
    return _bank_name(theta)


def _within(value: float, bounds: tuple[float, float]) -> bool:
    return bounds[0] <= value <= bounds[1]


def _bank_name(theta: float) -> str:
    onto, along = _BANK_NAMES_DEG
    if theta < onto:
        return "bank-onto"
    return "bank-along" if theta <= along else "bank-off"


@lru_cache(maxsize=256)
def draw_layout(
    layout: str,
    phi_deg: float,
    *,
    decoys: int,
    spacing_m: float = SPACING_YD * YARD_M,
    opening_m: float = TIMBER_LAYOUT.opening * YARD_M,
    far_group: bool = False,
) -> Layout:
    """Return a layout drawn for one wind, before it meets the real water.

    Parameters
    ----------
    layout
        A name in `LAYOUTS`.
    phi_deg
        Wind against the facing: 0 in the face, +90 from the right.
    decoys
        How many decoys are carried; the body grows with the square root.
    spacing_m
        Distance wanted between decoys; thin lines are set proportionally wider.
    opening_m
        Width of a timber opening.
    far_group
        Whether some are set far out, to hold distant birds; in timber there are none to hold.

    Returns
    -------
    Layout
        Its parts in metres from the hide, +x to its right.

    Raises
    ------
    UsageError
        For an unknown layout or an impossible number of decoys.

    Examples
    --------
    >>> layout = draw_layout("bank-along", 80.0, decoys=36)
    >>> [part.name for part in layout.parts]
    ['pocket', 'mass', 'second', 'focus', 'motion']
    """
    draw = LAYOUTS.get(layout)
    if draw is None:
        raise UsageError(
            "unknown layout", value=layout, remedy=f"Use one of {', '.join(sorted(LAYOUTS))}"
        )
    check_decoys(decoys)
    phi = float(signed_diff_deg(phi_deg, 0.0))
    hand = -1 if phi < 0 else 1
    limit = BANK_LIMIT_YD if layout.startswith("bank-") else math.inf
    wind = WindInFrame(abs(phi), opening_m / YARD_M)
    sketch = draw(wind, decoys)
    if far_group and draw is not draw_timber:
        sketch = add_far_group(sketch, wind, decoys)
    pocket = polygons_of(next(part.geometry for part in sketch if part.name == "pocket"))
    parts = []
    for part in sketch:
        outline = part.geometry
        if part.share > 0 and not isinstance(outline, Point):
            within = math.inf if part.name == FAR_GROUP else limit
            outline = carve_part(outline, pocket=pocket, limit=within, unit=1.0)
            if outline.is_empty:
                continue
        elif part.share <= 0 and part.name not in ("pocket", "motion", "motion pair"):
            continue
        local = shapely.transform(outline, lambda ay: ay * (hand * YARD_M, YARD_M))
        spacing = spacing_m * part.spacing / SPACING_YD if part.share > 0 else 0.0
        parts.append(LayoutPart(part.name, local, part.share, spacing))
    return Layout(layout, phi, tuple(parts), limit * YARD_M)


def carve_part(
    outline: Polygonal, *, pocket: Polygonal, limit: float, unit: float = YARD_M
) -> Polygonal:
    """Return an area less the pocket, the muzzle's surroundings and what lies out of range.

    Parameters
    ----------
    outline
        The area, with the hide at the origin.
    pocket
        Water left open.
    limit
        Farthest from the hide, in the coordinates given; infinite for none.
    unit
        Length of a yard in the coordinates given.

    Returns
    -------
    Polygon or MultiPolygon
        What is left, its corners rounded off; may be empty.
    """
    kept = outline.difference(pocket.buffer(_GAP_YD * unit, quad_segs=4))
    # A polygon that contains the whole disc.
    kept = kept.difference(_disc((MUZZLE_YD + 0.1) * unit / math.cos(math.pi / 64), 16))
    if math.isfinite(limit):
        kept = kept.intersection(_disc(limit, 32))
    rounded = kept.buffer(-_ROUND_YD * unit, quad_segs=4).buffer(0.99 * _ROUND_YD * unit)
    return polygons_of(rounded if rounded.area > _KEEP_ROUNDED * kept.area else kept)


@cache
def _disc(radius: float, quad_segs: int) -> Polygon:
    return Point(0, 0).buffer(radius, quad_segs=quad_segs)


def polygons_of(geometry: shapely.Geometry) -> Polygonal:
    """Return only the areas of a geometry."""
    if isinstance(geometry, (Polygon, MultiPolygon)):
        return geometry
    areas = [g for g in shapely.get_parts(geometry) if g.geom_type == "Polygon"]
    return MultiPolygon(areas)


def check_decoys(decoys: int) -> None:
    """Raise `UsageError` unless the number of decoys is 0 to 120."""
    if not 0 <= decoys <= MAX_DECOYS:
        raise UsageError(
            "impossible number of decoys", value=decoys, remedy=f"Carry 0 to {MAX_DECOYS}"
        )


_WHENCE = {
    "bank-onto": "Wind in your face{quarter}: birds come over or round the hide and settle going "
    "away{short}, so the hide needs cover overhead",
    "bank-along": "Wind along the bank from the {hand}: birds come up over the water from the "
    "{lee} and land in the pocket straight out{short_on_hand}",
    "bank-off": "Wind {behind}{quarter}: birds come in {how}{body}",
    "open-cross": "Wind across from the {hand} over open water: birds come up {past_tail}from the "
    "{lee}{turn} into the pocket{short}",
    "open-behind": "Wind {behind} on open water{quarter}: birds come in {how}{body}",
    "pair": "A small spread for wind from the {hand}: birds {row}settle in the pocket{short_end}",
    "timber": "An opening in timber: birds circle{stack} and drop steeply into the pocket short "
    "of the guns {seat}",
    "point": "Wind {at_point} at a point: {point}",
}


def layout_reason(layout: Layout, *, without: Collection[str] = ()) -> str:
    """Return one sentence on why a layout suits its wind, silent on the parts that are not laid."""
    laid = {part.name for part in layout.parts if part.share > 0}.difference(without)
    name = layout.name if layout.name in _WHENCE else _bank_name(layout.theta_deg)
    words = _WHENCE[name].format(**_pieces(layout, laid)) + "."
    if laid:
        return words
    wind, _, birds = words.partition(": ")
    return f"No decoys: {wind[0].lower()}{wind[1:]}; {birds}"


def _pieces(layout: Layout, laid: Collection[str]) -> dict[str, str]:
    """Return the words that fill a sentence; those of parts that are not laid are empty."""
    hand, lee = ("right", "left") if layout.hand > 0 else ("left", "right")

    def of(part: str, words: str, otherwise: str = "") -> str:
        return words if part in laid else otherwise

    alone = f"birds come past the tip from the {lee}"
    # At the point the front, the guard and the mass each have a clause of their own.
    clauses = [
        of("front", "the front leads birds past the tip", alone),
        of("guard", f"the guard fills the quiet water on the {lee}"),
        of("mass", f"the mass closes the {hand}"),
    ]
    *others, last = filter(None, clauses)
    straight = layout.theta_deg >= _STRAIGHT_DEG
    onto = layout.theta_deg < 90
    quarters = (onto or straight) and wind_side(layout.phi_deg).startswith("quartering")
    flanks = "both flanks" if straight and "second" in laid else f"the {hand} flank"
    return {
        "hand": hand,
        "lee": lee,
        "behind": "from behind" if straight else f"over the {hand} shoulder",
        "at_point": f"across from the {hand}"
        if layout.theta_deg < _ABEAM_DEG
        else f"over the {hand} shoulder",
        "how": "straight at the hide, so the lane in front stays clear"
        if straight
        else f"across the front from the {lee}, quartering toward the hide",
        "quarter": f", quartering from the {hand}" if quarters else "",
        "short": of("mass", " short of the mass"),
        "short_on_hand": of("mass", f", short of the mass on the {hand}"),
        "short_end": of("mass", " short of the end group"),
        "body": of("mass", f", with the body on {flanks}"),
        "past_tail": of("tail", "past the tail "),
        "turn": of("hook", ", and the hook on the far side turns them", " and settle"),
        "row": of("second", "line up on the row level with the hide and "),
        "stack": of("mass", ", pass over the stack in the trees downwind"),
        "seat": "at the upwind end"
        if layout.theta_deg >= _UPWIND_END_DEG
        else f"on the flank, wind {hand}",
        "point": (", ".join(others) + ", and " if others else "") + last,
    }
