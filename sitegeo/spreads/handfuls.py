"""What is carried when the wind turns, in handfuls, and the words a person says them in."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sitegeo.spreads.frame import Floats
from sitegeo.units import LENGTHS_M, LengthUnit, length_text, yd

Flags = NDArray[np.bool_]

HANDFUL = 12
"""Decoys a person carries at once (judgement)."""

FEW = 2
"""So many alone are hardly worth stepping out for (judgement)."""

BAG = "bag"
MOTION = "motion"
_MOST = 0.8  # judgement: more of a group than this is most of it
_TRULY = 0.8  # judgement: an end is named where this share of the decoys taken is of that end
_NUMBERS = (
    *("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"),
    *("ten", "eleven", "twelve"),
)
_FLANKS = ("mass", "second", "near", "guard")


def number_word(count: int) -> str:
    """Return a small number as a word, a larger one in figures."""
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def handfuls_word(count: int) -> str:
    """Return how many handfuls."""
    return "one handful" if count == 1 else f"{number_word(count)} handfuls"


def spot_words(x: float, y: float, units: LengthUnit = "yd") -> str:
    """Return a spot as seen from the hide; local metres, +x right of it."""
    across = f"{length_text(abs(x), units)} {'left' if x < 0 else 'right'}, "
    out = f"{length_text(abs(y), units)} {'out' if y > 0 else 'behind you'}"
    if not round(y / LENGTHS_M[units]):
        out = "level with the hide"
    return (across if abs(x) >= yd(2) else "") + out


@dataclass(frozen=True)
class Move:
    """Decoys carried from one group to another; local metres, +x right of the hide.

    `edge` is the part of its group they come off, empty where it has no name; `inside` counts
    those that lie in the new pocket.
    """

    count: int
    source: str
    target: str
    edge: str
    to: tuple[float, float]
    carried_m: float
    inside: int = 0

    @property
    def handfuls(self) -> int:
        """Number of times a person goes."""
        return math.ceil(self.count / HANDFUL)

    def words(self, units: LengthUnit = "yd") -> str:
        """Return the move as a person says it."""
        trips = f", in {handfuls_word(self.handfuls)}" if self.handfuls > 1 else ""
        return f"{number_word(self.count)} {self._whence()} to {self._where(units)}{trips}"

    def _whence(self) -> str:
        group = f"the {_noun(self.source)}"
        if self.inside == self.count:
            return f"of {group} that {'lies' if self.count == 1 else 'lie'} in the new pocket"
        first = ", those in the new pocket first," if self.inside else ""
        return f"from {self.edge} {group}{first}" if self.edge else f"from {group}{first}"

    def _where(self, units: LengthUnit) -> str:
        if self.target == BAG:
            return "the bag"
        x, y = self.to
        where = "its new place" if self.source == self.target else f"the {_noun(self.target)}"
        if abs(x) >= yd(6) and y <= yd(12) and self.target in _FLANKS:
            where = f"the {'left' if x < 0 else 'right'} flank"
        return f"{where}, {spot_words(x, y, units)}"


@dataclass(frozen=True)
class MotionMove(Move):
    """A motion decoy carried; `alone` where there is no other."""

    alone: bool = True

    def words(self, units: LengthUnit = "yd") -> str:
        """Return the move as a person says it."""
        lead = "the motion decoy" if self.alone else "one motion decoy"
        whence = " from the bag" if self.source == BAG else ""
        return f"{lead}{whence} to {self._where(units)}"

    def _where(self, units: LengthUnit) -> str:
        return "the bag" if self.target == BAG else spot_words(*self.to, units)


def _noun(name: str) -> str:
    return f"{name} group" if name in {"second", "near", "front"} else name


def moves_of(
    now: Floats, then: Floats, lots: Sequence[tuple[str, str]], *, carried: Flags, stuck: Flags
) -> tuple[Move, ...]:
    """Return what is carried, the most first.

    Parameters
    ----------
    now, then
        Where each decoy is and is to be, (n, 2) each; of no meaning for the bag.
    lots
        The group each is of and the group it is to be of.
    carried, stuck
        Which are carried, and which of them lie in the new pocket.
    """
    of = np.array([source for source, _ in lots])
    moves = []
    for source, target in sorted({lot for lot, goes in zip(lots, carried, strict=True) if goes}):
        here = carried & [lot == (source, target) for lot in lots]
        own = of == source
        moves.append(
            Move(
                int(here.sum()),
                source,
                target,
                "" if source == BAG else _edge(now[own], here[own]),
                (0.0, 0.0) if target == BAG else _amid(then[here]),
                0.0 if BAG in {source, target} else float(np.hypot(*(now - then)[here].T).sum()),
                int((here & stuck).sum()),
            )
        )
    return tuple(sorted(moves, key=lambda m: (-m.count, m.source, m.target)))


def worth_carrying(
    lots: Sequence[tuple[str, str]], *, moved: Flags, stuck: Flags, spare: int
) -> Flags:
    """Return which of the decoys to be moved are carried.

    One or two alone gain little beside a larger move: they are left as they lie, the fewest
    first and at most `spare` in all, unless one lies in the new pocket.
    """
    counts = Counter(lot for lot, goes in zip(lots, moved, strict=True) if goes)
    needed = {lot for lot, sits in zip(lots, stuck, strict=True) if sits}
    left: set[tuple[str, str]] = set()
    if max(counts.values(), default=0) > FEW:
        for lot, count in sorted(counts.items(), key=lambda item: (item[1], item[0])):
            if count <= min(FEW, spare) and lot not in needed:
                left.add(lot)
                spare -= count
    return moved & [lot not in left for lot in lots]


def _amid(spots: Floats) -> tuple[float, float]:
    """Return the spot nearest to the middle of all: the middle itself may be no place to set."""
    x, y = spots[np.argmin(np.hypot(*(spots - spots.mean(axis=0)).T).round(6))]
    return float(x), float(y)


def _edge(own: Floats, taken: Flags) -> str:
    """Return which part of a group is taken; empty where it is no end, edge or middle."""
    share = float(taken.mean())
    if share > _MOST:
        return "all of" if taken.all() else "most of"
    if share > 0.5:
        return ""
    x, y = (own - own.mean(axis=0)).T
    parts = {
        "the right end of": x,
        "the left end of": -x,
        "the outer edge of": y,
        "the near edge of": -y,
        "the middle of": -np.hypot(x, y),
    }
    name, (truly, apart) = max(
        ((name, _like(part, taken)) for name, part in parts.items()), key=lambda item: item[1]
    )
    return name if truly >= _TRULY and apart >= yd(1.0) else ""


def _like(part: Floats, taken: Flags) -> tuple[float, float]:
    """Return the share of the taken that is farthest toward a part, and by how many metres."""
    first = np.argsort(-part, kind="stable")[: taken.sum()]
    return float(taken[first].mean()), float(part[taken].mean() - part.mean())
