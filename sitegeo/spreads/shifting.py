"""What to move when the wind turns: fewest groups touched, then fewest decoys, then least way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from scipy.optimize import linear_sum_assignment
from shapely.geometry.base import BaseGeometry

from sitegeo.spreads.frame import Floats
from sitegeo.spreads.handfuls import (
    BAG,
    MOTION,
    Flags,
    MotionMove,
    Move,
    handfuls_word,
    moves_of,
    number_word,
    worth_carrying,
)
from sitegeo.units import yd

LEAST_TURN_DEG = 20.0
"""A smaller turn asks for nothing (common practice, no source)."""

STAY_M = yd(5.0)
"""A decoy this close to where one is wanted may stay (judgement)."""

LIVE_WITH = 0.8
"""Where this share of the spread serves the new wind as it lies, live with it (judgement)."""

CAUTIONS = (
    "Left, right and out are as seen from the hide",
    "Unload every gun before anyone steps out, and agree who calls the birds off",
    "Probe the depth before each step: where decoys are to go may be deeper than where they are",
)

_NOWHERE = shapely.Polygon()
_FAR = np.full((1, 2), np.nan)  # of what is or goes in the bag
_NONE = np.empty((0, 2))
_MOVE = 1e5  # more metres than any spread could be carried in all
_NEVER = 1e9


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


def may_stay(
    now: Floats, then: Floats, then_groups: Sequence[str], pocket: BaseGeometry = _NOWHERE
) -> Flags:
    """Return which decoys may stay where they lie to serve which new spots, (n, m).

    Those within `STAY_M`; but the new pocket is empty save for the focus (common practice, no
    source), so inside it a decoy stays for the focus alone, wherever in it that lies (judgement).
    """
    near = _way(now, then) <= STAY_M
    focus = np.array([name == "focus" for name in then_groups], dtype=bool)
    return np.where(_within(pocket, now)[:, None], focus, near)


def _within(pocket: BaseGeometry, spots: Floats) -> Flags:
    return np.asarray(shapely.contains_xy(pocket, *spots.T), dtype=bool)


def _way(now: Floats, then: Floats) -> Floats:
    across, along = (now[:, None] - then[None]).transpose(2, 0, 1)
    return np.asarray(np.hypot(across, along))


def assign(now: Floats, groups: Sequence[str], then: Floats, stays: Flags) -> Floats:
    """Return for each decoy of `now` the index in `then` it serves, -1 for the bag.

    Minimises the number of groups touched, then of decoys moved, then the metres they are
    carried. The bag counts as a group.

    Parameters
    ----------
    now, then
        (n, 2) and (m, 2) spots in metres. Where m exceeds n the last entries of the result, beyond
        n, are the spots filled from the bag.
    stays
        (n, m): whether a decoy may stay where it lies to serve a spot; otherwise it is moved.
    """
    n, m = len(now), len(then)
    size = max(n, m)
    way = np.zeros((size, size))
    moved = np.ones((size, size), dtype=bool)
    way[:n, :m], moved[:n, :m] = _way(now, then), ~stays
    cost = np.where(moved, _MOVE + way, 0.0)
    owner = np.array([*groups, *[BAG] * (size - n)], dtype=object)
    names = sorted(set(owner))
    for touched in range(len(names) + 1):
        best: tuple[float, Floats] | None = None
        for free in combinations(names, touched):
            held = ~np.isin(owner, free)
            trial = np.where(moved & held[:, None], _NEVER, cost)
            row, column = linear_sum_assignment(trial)
            total = float(trial[row, column].sum())
            if total < _NEVER and (best is None or total < best[0] - 1e-9):
                best = (total, np.where(column < m, column, -1))
        if best is not None:
            return best[1]
    raise AssertionError("with every group free there is always an assignment")


def shift(
    now: Floats,
    groups: Sequence[str],
    then: Floats,
    then_groups: Sequence[str],
    *,
    turn_deg: float,
    pocket: BaseGeometry = _NOWHERE,
    motion: tuple[Floats, Floats] = (_NONE, _NONE),
    refused: str | None = None,
) -> Shift:
    """Return what to move, in the hide's local metres, when the wind has turned.

    First the new pocket is emptied, but for what serves its focus; the rest is moved only where
    too little of the spread serves as it lies. A motion decoy is carried where it would move more
    than `STAY_M`, whatever the others do; its move comes last.

    Parameters
    ----------
    now, then
        Decoys as they lie and as the new wind wants them, (n, 2) each, with the group of each.
    turn_deg
        How far the wind has turned.
    pocket
        Where the new wind's pocket is, in the same metres.
    motion
        Motion decoys as they stand and as the new wind wants them.
    refused
        Why the new wind has no spread here.
    """
    if abs(turn_deg) < LEAST_TURN_DEG:
        return Shift(turn_deg, "A turn this small asks for nothing: leave it as it lies.", 1.0)
    if refused:
        words = f"No spread works here for that wind ({refused}): hunt another blind."
        return Shift(turn_deg, words, 0.0)
    moving = _motion(*motion, pocket)
    if not len(now):
        verdict = _no_decoys(moving, stands=len(motion[0]) > 0)
        return Shift(turn_deg, verdict, 1.0, moving, CAUTIONS if moving else ())
    n = len(now)
    stays = may_stay(now, then, then_groups, pocket)
    to = assign(now, groups, then, stays)
    goes = np.vstack([then, _FAR])[to]  # the last for the bag
    lies = np.vstack([now, np.repeat(_FAR, len(to) - n, axis=0)])
    moved = ~np.pad(stays, ((0, len(to) - n), (0, 1)))[range(len(to)), to]
    stuck = moved & _within(pocket, lies)
    served = 1.0 - float(moved[:n].mean())
    few = served >= LIVE_WITH
    lots = _lots(groups, then_groups, to, moved=moved)
    spare = int((1.0 - LIVE_WITH) * n + 1e-9)
    carried = stuck if few else worth_carrying(lots, moved=moved, stuck=stuck, spare=spare)
    moves = moves_of(lies, goes, lots, carried=carried, stuck=stuck)
    left = int((moved & ~carried)[:n].sum())
    verdict = _verdict(moves, moving, len(to), left, whence=" out of the new pocket" if few else "")
    moves += moving
    return Shift(turn_deg, verdict, served, moves, CAUTIONS if moves else (), left)


def _motion(now: Floats, then: Floats, pocket: BaseGeometry) -> tuple[Move, ...]:
    """Return the motion decoys to be carried: no more than STAY_M is not worth it.

    One in the new pocket stays only where the new wind wants one in it.
    """
    n, m = len(now), len(then)
    inside, wanted = (_within(pocket, spots) for spots in (now, then))
    stays = (_way(now, then) <= STAY_M) & ~np.outer(inside, ~wanted)
    moves = []
    for i, j in enumerate(assign(now, [MOTION] * n, then, stays)):
        source, target = MOTION if i < n else BAG, MOTION if j >= 0 else BAG
        spot = (float(then[j, 0]), float(then[j, 1])) if j >= 0 else (0.0, 0.0)
        way = 0.0 if BAG in {source, target} else float(np.hypot(*(now[i] - then[j])))
        if BAG in {source, target} or not stays[i, j]:
            moves.append(MotionMove(1, source, target, "", spot, way, alone=max(n, m) == 1))
    return tuple(moves)


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


def _lots(
    groups: Sequence[str], then_groups: Sequence[str], to: Floats, *, moved: Flags
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
