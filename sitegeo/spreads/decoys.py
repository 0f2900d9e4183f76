"""Which decoys go where within the groups: counts, kinds and single spots."""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely

from sitegeo.core.inputs import WADE_M
from sitegeo.core.typing import FloatArray
from sitegeo.spreads.layouts import LayoutPart
from sitegeo.spreads.sketch import Polygonal

DecoyKind = Literal["dark", "white", "goose", "small"]
DECOY_KINDS: tuple[DecoyKind, ...] = ("dark", "white", "goose", "small")
"""Kinds of decoys, in the order in which they are counted."""

_DARK, _WHITE, _GOOSE, _SMALL = range(4)

_TRIED_SPOTS = 6000
"""Spots thrown into an area's bounds, a fifth at a time, until enough lie inside; judgement."""

_ENOUGH_SPOTS = (40, 8)
"""Enough are at least the first, and so many times as many as are wanted; judgement."""

_INSETS = (0.35, 0.25, 0.15, 0.0)
"""How wide an edge of a group is left bare, in mean distances between decoys; the first that leaves
room is taken; judgement."""

_BODY_SHARE = 0.9
"""A group with more than this share of the largest is of the body; judgement."""

_CANDIDATES = (3, 100)
"""Decoys are chosen from at most so many times as many spots, and so many more; judgement."""

DEEPEST_M = 4.0
"""Deepest water to set decoys in: longer lines are seldom carried; judgement."""


@dataclass(frozen=True)
class Gear:
    """What is carried. The kinds are in proportion; `decoys` says how many in all.

    Parameters
    ----------
    decoys
        Decoys in the bag, 0 to 120.
    dark, white, geese, small
        How many are dark, have much white, are geese, are small ones for the focus.
    motion
        Motion decoys beside the count; 0 for none or switched off.
    far_group
        Whether some are set far out to hold distant birds, which means long shots.
    wade_m
        Deepest water the party wades.
    party
        Guns.
    load
        What they shoot, such as ``"steel 2"``; None for the default of `law.shot_range`.
    """

    decoys: int = 36
    dark: int = 22
    white: int = 8
    geese: int = 4
    small: int = 2
    motion: int = 1
    far_group: bool = False
    wade_m: float = WADE_M
    party: int = 2
    load: str | None = None

    def kinds(self, decoys: int) -> tuple[int, int, int, int]:
        """Return how many of `decoys` are dark, white, geese and small."""
        weights = (self.dark, self.white, self.geese, self.small)
        dark, white, geese, small = apportion(decoys, weights if any(weights) else (1, 0, 0, 0))
        return dark, white, geese, small


def apportion(total: int, weights: Sequence[float]) -> list[int]:
    """Return whole numbers in proportion to `weights` that add up to `total`.

    Largest remainder; ties go to the earlier.

    Examples
    --------
    >>> apportion(12, [22, 8, 4, 2])
    [7, 3, 1, 1]
    """
    whole = sum(weights)
    if whole <= 0:
        return [0] * len(weights)
    exact = [total * w / whole for w in weights]
    counts = [math.floor(x + 1e-9) for x in exact]
    order = sorted(range(len(weights)), key=lambda i: (round(counts[i] - exact[i], 9), i))
    for i in order[: total - sum(counts)]:
        counts[i] += 1
    return counts


def fill_parts(total: int, weights: Sequence[float], room: Sequence[int]) -> list[int]:
    """Return counts in proportion to `weights`, none above its room; the overflow moves on.

    Parameters
    ----------
    total
        Decoys to share out.
    weights
        Share of each part, in any unit.
    room
        Most that each part takes.

    Returns
    -------
    list of int
        One count a part; they add up to less than `total` where there is no room.

    Examples
    --------
    >>> fill_parts(12, [3.0, 1.0], [6, 12])
    [6, 6]
    """
    counts = [0] * len(weights)
    while (left := total - sum(counts)) > 0:
        open_weights = [
            w if n < most else 0.0 for w, n, most in zip(weights, counts, room, strict=True)
        ]
        if not any(open_weights):
            break
        extra = apportion(left, open_weights)
        counts = [min(n + e, m) for n, e, m in zip(counts, extra, room, strict=True)]
    return counts


def scatter_spots(area: Polygonal, part: LayoutPart, wanted: int) -> FloatArray:
    """Return seeded spots inside an area, several times as many as wanted.

    Parameters
    ----------
    area
        Where they are to lie, metres.
    part
        The part they are for: its name is the seed.
    wanted
        How many decoys are to be chosen from them.

    Returns
    -------
    ndarray, shape (n, 2)
        The same area and part give the same spots.
    """
    rng = np.random.default_rng(zlib.crc32(part.name.encode()))
    # Rounded, so that a world turned or moved deals the very same spots.
    x0, y0, x1, y1 = np.round(area.bounds, 2)
    spots = np.array([x0, y0]) + rng.random((_TRIED_SPOTS, 2)) * (x1 - x0, y1 - y0)
    shapely.prepare(area)
    least, times = _ENOUGH_SPOTS
    enough = max(least, times * wanted)
    inside: FloatArray = spots[:0]
    for some in np.split(spots, 5):  # most areas fill their bounds and need the first alone
        inside = np.concatenate([inside, some[shapely.contains_xy(area, some)]])
        if len(inside) >= enough:
            break
    return inside[:enough]


def spots_apart(spots: FloatArray, least_m: float) -> FloatArray:
    """Return the spots, taken in their order, that lie at least so far from those before them."""
    free = np.ones(len(spots), dtype=bool)
    kept = []
    for n, spot in enumerate(spots):
        if free[n]:
            kept.append(n)
            # Rounded, so that a world turned or moved keeps the very same spots.
            free &= np.round(np.hypot(*(spots - spot).T), 6) >= least_m
    return spots[kept]


def choose_spots(
    spots: FloatArray, count: int, area: Polygonal, least_m: float = 0.0
) -> FloatArray:
    """Return `count` of the spots in an area, irregular and at least so far apart.

    For no more of them than `spots_apart` finds. The edge is left bare as far as there is room,
    or every group would be a ring.

    Parameters
    ----------
    spots
        Spots to choose from, (n, 2), metres.
    count
        How many to choose.
    area
        The group's area.
    least_m
        Least distance between two.

    Returns
    -------
    ndarray, shape (count, 2)
        The chosen spots.
    """
    if count == 0:
        return spots[:0]
    each = math.sqrt(area.area / count)
    for inset in _INSETS:
        inner = spots[shapely.contains_xy(area.buffer(-inset * each, quad_segs=2), spots)]
        if len(inner) >= 3 * count:
            loose = _spread_out(inner, count, area)
            if len(spots_apart(loose, least_m)) == count:
                return loose
        close = spots_apart(inner, least_m)
        if len(close) >= count:
            return _spread_out(close, count, area)
    return _spread_out(spots_apart(spots, least_m), count, area)


def _spread_out(spots: FloatArray, count: int, area: Polygonal) -> FloatArray:
    """Return `count` of the spots, the most crowded of the others dropped one by one.

    Weighted sample elimination (Yuksel 2015, "Sample elimination for generating Poisson disk sample
    sets", with alpha 8).
    """
    times, more = _CANDIDATES
    spots = spots[: times * count + more]
    reach = 2 * math.sqrt(area.area / (2 * math.sqrt(3) * count))
    x, y = spots.T
    gap = np.hypot(x[:, None] - x, y[:, None] - y)
    crowd = np.clip(1 - gap / (2 * reach), 0, None)
    for _ in range(3):
        crowd *= crowd
    np.fill_diagonal(crowd, 0.0)
    total = crowd.sum(axis=0)
    alive = np.ones(len(spots), dtype=bool)
    for _ in range(len(spots) - count):
        # Two spots crowd each other alike: rounded, so that the first goes on either hand.
        worst = int(total.round(9).argmax())
        alive[worst] = False
        total -= crowd[worst]
        total[worst] = -np.inf
    return spots[alive]


def deal_kinds(
    parts: Sequence[LayoutPart], counts: Sequence[int], *, gear: Gear, left: int
) -> list[list[int]]:
    """Return how many dark, white, geese and small go to each group.

    Small ones first to the focus; geese and white to the body, where birds from downwind see
    them; dark throughout. What stays in the bag is dark first.

    Parameters
    ----------
    parts
        The groups.
    counts
        How many decoys each takes.
    gear
        Proportions of the kinds.
    left
        Decoys that stay in the bag.

    Returns
    -------
    list of list of int
        Four numbers for each group, as `DECOY_KINDS` orders them.
    """
    pool = list(gear.kinds(sum(counts) + left))
    for kind in (_DARK, _SMALL, _GOOSE, _WHITE):
        kept_back = min(pool[kind], left)
        pool[kind] -= kept_back
        left -= kept_back
    most = max((p.share for p in parts), default=0.0)
    focus = [float(p.name == "focus") for p in parts]
    body = [p.share * (p.name == "mass" or p.share > _BODY_SHARE * most) for p in parts]
    rest = [1.0 - f for f in focus]
    free = list(counts)
    dealt = [[0, 0, 0, 0] for _ in parts]
    for kind, wishes in ((_SMALL, (focus, rest)), (_GOOSE, (body, rest)), (_WHITE, (body, rest))):
        for wish in wishes:
            weights = [w * f for w, f in zip(wish, free, strict=True)]
            for i, n in enumerate(fill_parts(pool[kind], weights, free)):
                dealt[i][kind] += n
                free[i] -= n
                pool[kind] -= n
    for i, n in enumerate(free):
        short = n
        for kind in (_DARK, _SMALL, _WHITE, _GOOSE):
            give = min(short, pool[kind])
            dealt[i][kind] += give
            pool[kind] -= give
            short -= give
    return dealt


def assign_kinds(xy: FloatArray, dealt: Sequence[int], *, upwind: FloatArray) -> list[DecoyKind]:
    """Return the kind of each decoy of a group: geese together upwind, white strung through.

    Parameters
    ----------
    xy
        The group's decoys, (n, 2).
    dealt
        How many of each kind, as `DECOY_KINDS` orders them.
    upwind
        Unit vector toward the wind's source.

    Returns
    -------
    list of str
        One kind a decoy.
    """
    kinds = np.zeros(len(xy), dtype=int)
    free = np.arange(len(xy))
    if dealt[_GOOSE]:
        first = xy[np.argmax(xy @ upwind)]
        flock = free[np.argsort(np.hypot(*(xy - first).T), kind="stable")][: dealt[_GOOSE]]
        kinds[flock] = _GOOSE
        free = np.setdiff1d(free, flock)
    for kind in (_WHITE, _SMALL):
        if dealt[kind]:
            across = free[np.argsort(xy[free] @ (upwind[1], -upwind[0]), kind="stable")]
            step = (np.arange(dealt[kind]) + 0.5) * len(across) / dealt[kind]
            chosen = across[step.astype(int)]
            kinds[chosen] = kind
            free = np.setdiff1d(free, chosen)
    return [DECOY_KINDS[k] for k in kinds]
