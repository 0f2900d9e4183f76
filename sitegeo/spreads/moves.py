"""What to move when the wind turns: fewest groups touched, then fewest decoys, then least way."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from scipy.optimize import linear_sum_assignment
from shapely.geometry.base import BaseGeometry

from sitegeo.core.typing import BoolArray, FloatArray
from sitegeo.units import LENGTHS_M, LengthUnit, length_text, yd

LEAST_TURN_DEG = 20.0
"""A smaller turn asks for nothing (common practice, no source)."""

STAY_M = yd(5.0)
"""A decoy this close to where one is wanted may stay (judgement)."""

LIVE_WITH_SHARE = 0.8
"""Where this share of the spread serves the new wind as it lies, live with it (judgement)."""

HANDFUL = 12
"""Decoys a person carries at once (judgement)."""

FEW_DECOYS = 2
"""So many alone are hardly worth stepping out for (judgement)."""

_MOST_OF_GROUP = 0.8
"""More of a group than this is called most of it; judgement."""

_TRULY_END = 0.8
"""An end is named where this share of the decoys taken is of that end; judgement."""

_END_APART_M = yd(1.0)
"""And where they lie so much farther that way than their group; judgement."""

_ASIDE_M = yd(2.0)
"""A spot nearer to straight out than this is told without left or right; judgement."""

_FLANK_M = (yd(6.0), yd(12.0))
"""A group is told as a flank beyond the first aside and no farther out than the second;
judgement."""

BAG = "bag"
"""Where decoys that are not set are."""

MOTION = "motion"
"""The group of the motion decoys."""

SHIFT_CAUTIONS = (
    "Left, right and out are as seen from the hide",
    "Unload every gun before anyone steps out, and agree who calls the birds off",
    "Probe the depth before each step: where decoys are to go may be deeper than where they are",
)
_NUMBERS = (
    *("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"),
    *("ten", "eleven", "twelve"),
)
_FLANK_GROUPS = ("mass", "second", "near", "guard")
_NOWHERE = shapely.Polygon()
_IN_BAG = np.full((1, 2), np.nan)
_NONE = np.empty((0, 2))
_COST_OF_MOVE = 1e5
"""More metres than any spread could be carried in all: a move saved outweighs any way."""

_NEVER_COST = 1e9
"""Of a move that is not allowed: more than all moves together."""


@dataclass(frozen=True)
class Shift:
    """What a turn of the wind asks for.

    `served` is the share of the spread that serves the new wind as it lies; `left` counts the
    decoys that do not and are left as they lie all the same.
    """

    turn_deg: float
    verdict: str
    served: float
    moves: tuple[Move, ...] = ()
    cautions: tuple[str, ...] = ()
    left: int = 0


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
        aside, out = _FLANK_M
        if abs(x) >= aside and y <= out and self.target in _FLANK_GROUPS:
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


def shift_spread(
    now: FloatArray,
    groups: Sequence[str],
    then: FloatArray,
    then_groups: Sequence[str],
    *,
    turn_deg: float,
    pocket: BaseGeometry = _NOWHERE,
    motion: tuple[FloatArray, FloatArray] = (_NONE, _NONE),
    refused: str | None = None,
) -> Shift:
    """Return what to move, in the hide's local metres, when the wind has turned.

    First the new pocket is emptied, but for what serves its focus; the rest is moved only where
    too little of the spread serves as it lies. A motion decoy is carried where it would move more
    than `STAY_M`, whatever the others do; its move comes last.

    Parameters
    ----------
    now, then
        Decoys as they lie and as the new wind wants them, (n, 2) and (m, 2).
    groups, then_groups
        The group of each of them.
    turn_deg
        How far the wind has turned.
    pocket
        Where the new wind's pocket is, in the same metres.
    motion
        Motion decoys as they stand and as the new wind wants them.
    refused
        Why the new wind has no spread here.

    Returns
    -------
    Shift
        The verdict in words, and the moves, the most decoys first.

    Examples
    --------
    >>> now, then = np.array([[8.0, 15.0]]), np.array([[-8.0, 15.0]])
    >>> turn = shift_spread(now, ["mass"], then, ["mass"], turn_deg=40.0)
    >>> turn.moves[0].words("m")
    'one from all of the mass to its new place, 8 m left, 15 m out'
    """
    if abs(turn_deg) < LEAST_TURN_DEG:
        return Shift(turn_deg, "A turn this small asks for nothing: leave it as it lies.", 1.0)
    if refused:
        words = f"No spread works here for that wind ({refused}): hunt another blind."
        return Shift(turn_deg, words, 0.0)
    moving = _motion(*motion, pocket)
    if not len(now):
        verdict = _no_decoys(moving, stands=len(motion[0]) > 0)
        return Shift(turn_deg, verdict, 1.0, moving, SHIFT_CAUTIONS if moving else ())
    n = len(now)
    stays = may_stay(now, then, then_groups, pocket)
    to = assign_spots(now, groups, then, stays)
    goes = np.vstack([then, _IN_BAG])[to]  # the last for the bag
    lies = np.vstack([now, np.repeat(_IN_BAG, len(to) - n, axis=0)])
    moved = ~np.pad(stays, ((0, len(to) - n), (0, 1)))[range(len(to)), to]
    stuck = moved & _within(pocket, lies)
    served = 1.0 - float(moved[:n].mean())
    few = served >= LIVE_WITH_SHARE
    lots = _lots(groups, then_groups, to, moved=moved)
    spare = int((1.0 - LIVE_WITH_SHARE) * n + 1e-9)
    carried = stuck if few else choose_carried(lots, moved=moved, stuck=stuck, spare=spare)
    moves = list_moves(lies, goes, lots, carried=carried, stuck=stuck)
    left = int((moved & ~carried)[:n].sum())
    verdict = _verdict(moves, moving, len(to), left, whence=" out of the new pocket" if few else "")
    moves += moving
    return Shift(turn_deg, verdict, served, moves, SHIFT_CAUTIONS if moves else (), left)


def may_stay(
    now: FloatArray, then: FloatArray, then_groups: Sequence[str], pocket: BaseGeometry = _NOWHERE
) -> BoolArray:
    """Return which decoys may stay where they lie to serve which new spots, (n, m).

    Those within `STAY_M`; but the new pocket is empty save for the focus (common practice, no
    source), so inside it a decoy stays for the focus alone, wherever in it that lies (judgement).

    Parameters
    ----------
    now, then
        Decoys as they lie and as the new wind wants them, (n, 2) and (m, 2), metres.
    then_groups
        The group of each of `then`.
    pocket
        Where the new wind's pocket is.

    Returns
    -------
    ndarray of bool, shape (n, m)
        Whether a decoy may stay to serve a spot.
    """
    near = _way(now, then) <= STAY_M
    focus = np.array([name == "focus" for name in then_groups], dtype=bool)
    return np.where(_within(pocket, now)[:, None], focus, near)


def assign_spots(
    now: FloatArray, groups: Sequence[str], then: FloatArray, stays: BoolArray
) -> FloatArray:
    """Return for each decoy of `now` the index in `then` it serves, -1 for the bag.

    Minimises the number of groups touched, then of decoys moved, then the metres they are
    carried. The bag counts as a group.

    Parameters
    ----------
    now, then
        (n, 2) and (m, 2) spots in metres.
    groups
        The group of each decoy of `now`.
    stays
        (n, m): whether a decoy may stay where it lies to serve a spot; otherwise it is moved.

    Returns
    -------
    ndarray of int
        As long as the longer of the two; what lies beyond n are spots filled from the bag.
    """
    n, m = len(now), len(then)
    size = max(n, m)
    way = np.zeros((size, size))
    moved = np.ones((size, size), dtype=bool)
    way[:n, :m], moved[:n, :m] = _way(now, then), ~stays
    cost = np.where(moved, _COST_OF_MOVE + way, 0.0)
    owner = np.array([*groups, *[BAG] * (size - n)], dtype=object)
    names = sorted(set(owner))
    for touched in range(len(names) + 1):
        best: tuple[float, FloatArray] | None = None
        for free in combinations(names, touched):
            held = ~np.isin(owner, free)
            trial = np.where(moved & held[:, None], _NEVER_COST, cost)
            row, column = linear_sum_assignment(trial)
            total = float(trial[row, column].sum())
            if total < _NEVER_COST and (best is None or total < best[0] - 1e-9):
                best = (total, np.where(column < m, column, -1))
        if best is not None:
            return best[1]
    raise AssertionError("with every group free there is always an assignment")


def choose_carried(
    lots: Sequence[tuple[str, str]], *, moved: BoolArray, stuck: BoolArray, spare: int
) -> BoolArray:
    """Return which of the decoys to be moved are carried.

    One or two alone gain little beside a larger move: they are left as they lie, the fewest
    first and at most `spare` in all, unless one lies in the new pocket.

    Parameters
    ----------
    lots
        The group each is of and the group it is to be of.
    moved, stuck
        Which serve the new wind only when moved, and which of them lie in the new pocket.
    spare
        Most decoys left as they lie.

    Returns
    -------
    ndarray of bool, shape (n,)
        Which are carried.
    """
    counts = Counter(lot for lot, goes in zip(lots, moved, strict=True) if goes)
    needed = {lot for lot, sits in zip(lots, stuck, strict=True) if sits}
    left: set[tuple[str, str]] = set()
    if max(counts.values(), default=0) > FEW_DECOYS:
        for lot, count in sorted(counts.items(), key=lambda item: (item[1], item[0])):
            if count <= min(FEW_DECOYS, spare) and lot not in needed:
                left.add(lot)
                spare -= count
    return moved & [lot not in left for lot in lots]


def list_moves(
    now: FloatArray,
    then: FloatArray,
    lots: Sequence[tuple[str, str]],
    *,
    carried: BoolArray,
    stuck: BoolArray,
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

    Returns
    -------
    tuple of Move
        One for each pair of groups.
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


def _within(pocket: BaseGeometry, spots: FloatArray) -> BoolArray:
    return np.asarray(shapely.contains_xy(pocket, *spots.T), dtype=bool)


def _way(now: FloatArray, then: FloatArray) -> FloatArray:
    across, along = (now[:, None] - then[None]).transpose(2, 0, 1)
    return np.asarray(np.hypot(across, along))


def _motion(now: FloatArray, then: FloatArray, pocket: BaseGeometry) -> tuple[Move, ...]:
    """Return the motion decoys to be carried: no more than STAY_M is not worth it.

    One in the new pocket stays only where the new wind wants one in it.
    """
    n, m = len(now), len(then)
    inside, wanted = (_within(pocket, spots) for spots in (now, then))
    stays = (_way(now, then) <= STAY_M) & ~np.outer(inside, ~wanted)
    moves = []
    for i, j in enumerate(assign_spots(now, [MOTION] * n, then, stays)):
        source, target = MOTION if i < n else BAG, MOTION if j >= 0 else BAG
        spot = (float(then[j, 0]), float(then[j, 1])) if j >= 0 else (0.0, 0.0)
        way = 0.0 if BAG in {source, target} else float(np.hypot(*(now[i] - then[j])))
        if BAG in {source, target} or not stays[i, j]:
            moves.append(MotionMove(1, source, target, "", spot, way, alone=max(n, m) == 1))
    return tuple(moves)


def _lots(
    groups: Sequence[str], then_groups: Sequence[str], to: FloatArray, *, moved: BoolArray
) -> list[tuple[str, str]]:
    """Return for each decoy, those out of the bag last, its group and the group it is to be of."""
    old = [*groups, *[BAG] * (len(to) - len(groups))]
    new = [*then_groups, BAG]
    stays = [(new[j], old[i]) for i, j in enumerate(to) if not moved[i]]
    called = _called(stays, then_groups) | {BAG: BAG}
    return [(old[i], called[new[j]]) for i, j in enumerate(to)]


def _called(stays: Sequence[tuple[str, str]], then_groups: Sequence[str]) -> dict[str, str]:
    """Return what each group of the new spread is called now: as most decoys that stay in it.

    Where the wind crosses from behind, mass and second change names and nothing else.
    """
    names = sorted(set(then_groups))
    called = {}
    for name in names:
        held = Counter(old for new, old in stays if new == name)
        called[name] = held.most_common(1)[0][0] if held else name
    return (
        called if len(set(called.values())) == len(names) else dict(zip(names, names, strict=True))
    )


def _amid(spots: FloatArray) -> tuple[float, float]:
    """Return the spot nearest to the middle of all: the middle itself may be no place to set."""
    x, y = spots[np.argmin(np.hypot(*(spots - spots.mean(axis=0)).T).round(6))]
    return float(x), float(y)


def _edge(own: FloatArray, taken: BoolArray) -> str:
    """Return which part of a group is taken; empty where it is no end, edge or middle."""
    share = float(taken.mean())
    if share > _MOST_OF_GROUP:
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
    return name if truly >= _TRULY_END and apart >= _END_APART_M else ""


def _like(part: FloatArray, taken: BoolArray) -> tuple[float, float]:
    """Return the share of the taken that is farthest toward a part, and by how many metres."""
    first = np.argsort(-part, kind="stable")[: taken.sum()]
    return float(taken[first].mean()), float(part[taken].mean() - part.mean())


def _no_decoys(moving: Sequence[Move], *, stands: bool) -> str:
    if moving:
        return f"Move {_motion_words(moving)}."
    if stands:
        return "Leave the motion where it is: moving it would gain little."
    return "There are no decoys to move."


def _motion_words(moving: Sequence[Move]) -> str:
    return "the motion decoy" if len(moving) == 1 else f"{number_word(len(moving))} motion decoys"


def _verdict(
    moves: Sequence[Move], moving: Sequence[Move], decoys: int, left: int, *, whence: str
) -> str:
    motion = _motion_words(moving)
    if not moves and not moving:
        return "Live with it: moving would gain little."
    if not moves:
        return f"Live with it but for {motion}: moving more would gain little."
    count = number_word(sum(m.count for m in moves))
    trips = handfuls_word(sum(m.handfuls for m in moves))
    too = f", and {motion}" if moving else ""
    rest = f"; leave {number_word(left)} others where they lie" if left > 1 else ""
    rest = "; leave one other where it lies" if left == 1 else rest
    return f"Move {count} of {decoys} decoys{whence}, in {trips}{too}{rest}."


def number_word(count: int) -> str:
    """Return a small number as a word, a larger one in figures."""
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def handfuls_word(count: int) -> str:
    """Return how many handfuls."""
    return "one handful" if count == 1 else f"{number_word(count)} handfuls"


def spot_words(x: float, y: float, units: LengthUnit = "yd") -> str:
    """Return a spot as seen from the hide; local metres, +x right of it.

    Parameters
    ----------
    x, y
        Metres to the right of the hide and out from it.
    units
        Yards or metres.

    Returns
    -------
    str
        Such as ``"12 yd left, 7 yd out"``.
    """
    across = f"{length_text(abs(x), units)} {'left' if x < 0 else 'right'}, "
    out = f"{length_text(abs(y), units)} {'out' if y > 0 else 'behind you'}"
    if not round(y / LENGTHS_M[units]):
        out = "level with the hide"
    return (across if abs(x) >= _ASIDE_M else "") + out


def _noun(name: str) -> str:
    return f"{name} group" if name in {"second", "near", "front"} else name
