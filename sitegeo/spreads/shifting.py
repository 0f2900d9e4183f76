"""What to move when the wind turns: fewest groups touched, then fewest decoys, then least way."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from shapely.geometry.base import BaseGeometry

from sitegeo.spreads.frame import Floats
from sitegeo.units import LengthUnit, length_text, yd

LEAST_TURN_DEG = 20.0
"""A smaller turn asks for nothing (common practice, no source)."""

STAY_M = yd(5.0)
"""A decoy this close to where one is wanted may stay (judgement)."""

LIVE_WITH = 0.8
"""Where this share of the spread serves the new wind as it lies, live with it (judgement)."""

CAUTIONS = (
    "Unload every gun before anyone steps out, and agree who calls the birds off",
    "Probe the depth before each step: where decoys are to go may be deeper than where they are",
)

Flags = NDArray[np.bool_]

BAG = "bag"
_NOWHERE = shapely.Polygon()
_MOVE = 1e5  # more metres than any spread could be carried in all
_NEVER = 1e9
_NUMBERS = (
    *("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine"),
    *("ten", "eleven", "twelve"),
)
_FLANKS = ("mass", "second", "near", "guard")


def _noun(name: str) -> str:
    return f"{name} group" if name in {"second", "near", "front"} else name


def number_word(count: int) -> str:
    """Return a small number as a word, a larger one in figures."""
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


@dataclass(frozen=True)
class Move:
    """A handful carried from one group to another; local metres, +x right of the hide."""

    count: int
    source: str
    target: str
    edge: str
    to: tuple[float, float]
    carried_m: float

    def words(self, units: LengthUnit = "yd") -> str:
        """Return the move as a person says it."""
        x, y = self.to
        hand = "left" if x < 0 else "right"
        where = "its new place" if self.source == self.target else f"the {_noun(self.target)}"
        if abs(x) >= yd(6) and y <= yd(12) and self.target in _FLANKS:
            where = f"the {hand} flank"
        across = f"{length_text(abs(x), units)} {hand}, " if abs(x) >= yd(2) else ""
        source = "the bag" if self.source == BAG else f"{self.edge} the {_noun(self.source)}"
        where = "the bag" if self.target == BAG else f"{where}, {across}{length_text(y, units)} out"
        return f"{number_word(self.count)} from {source} to {where}"


@dataclass(frozen=True)
class Shift:
    """What a turn of the wind asks for; `served` is the share that may stay as it lies."""

    turn_deg: float
    verdict: str
    served: float
    moves: tuple[Move, ...] = ()
    cautions: tuple[str, ...] = ()


def barred_from(now: Floats, then_groups: Sequence[str], pocket: BaseGeometry) -> Flags:
    """Return which decoys may not stay for which new spots, (n, m).

    The pocket is empty but for the focus (common practice, no source): a decoy inside it stays
    there for the focus alone.
    """
    inside = shapely.contains_xy(pocket, *now.T)
    return np.outer(inside, [name != "focus" for name in then_groups]).astype(bool)


def assign(
    now: Floats,
    groups: Sequence[str],
    then: Floats,
    *,
    stay_m: float = STAY_M,
    barred: Flags | None = None,
) -> Floats:
    """Return for each decoy of `now` the index in `then` it serves, -1 for the bag.

    Minimises the number of groups touched, then of decoys moved, then the metres they are
    carried; a decoy within `stay_m` of its new place is not moved, unless it is barred from
    staying. The bag counts as a group.

    Parameters
    ----------
    now, then
        (n, 2) and (m, 2) spots in metres. Where m exceeds n the last entries of the result, beyond
        n, are the spots filled from the bag.
    barred
        (n, m): decoys that may not stay where they lie to serve a spot.
    """
    n, m = len(now), len(then)
    size = max(n, m)
    way = np.zeros((size, size))
    if n and m:
        way[:n, :m] = np.hypot(*(now[:, None] - then[None]).transpose(2, 0, 1))
    moved = way > stay_m
    if barred is not None:
        moved[:n, :m] |= barred
    moved[n:, :] = moved[:, m:] = True
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
    refused: str | None = None,
) -> Shift:
    """Return what to move, in the hide's local metres, when the wind has turned.

    First the new pocket is emptied, but for what serves its focus; the rest is moved only where
    too little of the spread serves as it lies.

    Parameters
    ----------
    now, then
        Decoys as they lie and as the new wind wants them, (n, 2) each, with the group of each.
    turn_deg
        How far the wind has turned.
    pocket
        Where the new wind's pocket is, in the same metres.
    refused
        Why the new wind has no spread here.
    """
    if abs(turn_deg) < LEAST_TURN_DEG:
        return Shift(turn_deg, "A turn this small asks for nothing: leave it as it lies.", 1.0)
    if refused:
        words = f"No spread works here for that wind ({refused}): hunt another blind."
        return Shift(turn_deg, words, 0.0)
    if not len(now):
        return Shift(turn_deg, "There are no decoys to move.", 1.0)
    n = len(now)
    barred = barred_from(now, [*then_groups, BAG], pocket)
    to = assign(now, groups, then, barred=barred[:, :-1])
    spot = np.vstack([then, [np.inf, np.inf]])[to[:n]]  # the last for the bag
    stuck = barred[range(n), to[:n]]
    moved = stuck | (np.hypot(*(now - spot).T) > STAY_M)
    served = 1.0 - float(moved.mean())
    few = served >= LIVE_WITH
    if few and not stuck.any():
        return Shift(turn_deg, "Live with it: moving would gain little.", served)
    moves = _handfuls(
        now,
        groups,
        then,
        then_groups,
        to=to[:n] if few else to,
        moved=moved,
        only=stuck | (not few),
    )
    count = number_word(sum(m.count for m in moves))
    handfuls = "one handful" if len(moves) == 1 else f"{number_word(len(moves))} handfuls"
    whence = " out of the new pocket" if few else ""
    rest = "; live with the others as they lie" if few else ""
    verdict = (
        f"Move {count} of {n} decoys{whence}, in {handfuls}{rest}; left, right and out as seen "
        "from the hide."
    )
    return Shift(turn_deg, verdict, served, moves, CAUTIONS)


def _handfuls(
    now: Floats,
    groups: Sequence[str],
    then: Floats,
    then_groups: Sequence[str],
    *,
    to: Floats,
    moved: Flags,
    only: Flags,
) -> tuple[Move, ...]:
    n = len(now)
    stays = [(then_groups[j], groups[i]) for i, j in enumerate(to[:n]) if not moved[i]]
    called = _called(stays, then_groups)
    pairs = [
        (groups[i], BAG if j < 0 else called[then_groups[j]], i, int(j))
        for i, j in enumerate(to[:n])
        if moved[i] and only[i]
    ]
    pairs += [(BAG, called[then_groups[j]], -1, int(j)) for j in to[n:] if j >= 0]
    moves = []
    for source, target in sorted({(s, t) for s, t, _, _ in pairs}):
        here = [(i, j) for s, t, i, j in pairs if (s, t) == (source, target)]
        goes = then[[j for _, j in here if j >= 0]].reshape(-1, 2)
        spot = goes.mean(axis=0) if len(goes) else np.zeros(2)
        ways = [np.hypot(*(now[i] - then[j])) for i, j in here if i >= 0 <= j]
        own = now[[k for k, g in enumerate(groups) if g == source]].reshape(-1, 2)
        taken = now[[i for i, _ in here if i >= 0]].reshape(-1, 2)
        moves.append(
            Move(
                len(here), source, target, _edge(own, taken),
                (float(spot[0]), float(spot[1])), float(sum(ways)),
            )
        )  # fmt: skip
    return tuple(sorted(moves, key=lambda m: (-m.count, m.source, m.target)))


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


def _edge(own: Floats, taken: Floats) -> str:
    """Return which edge of a group a handful comes off, or that it is all of it."""
    if not len(own) or len(taken) == len(own):
        return "all of"
    off = taken.mean(axis=0) - own.mean(axis=0)
    if np.hypot(*off) < yd(1.0):
        return "the middle of"
    if abs(off[0]) > abs(off[1]):
        return f"the {'right' if off[0] > 0 else 'left'} end of"
    return f"the {'outer' if off[1] > 0 else 'near'} edge of"
