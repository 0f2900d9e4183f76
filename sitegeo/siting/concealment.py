"""How well the ground about a hide hides people: beside, behind and overhead, by leaf and date."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sitegeo.angles import smoothstep
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.typing import AnyArray, BoolArray, FloatArray
from sitegeo.siting.sampling import classes, disc, fan, sample, turned
from sitegeo.units import yd

BESIDE_M = 6.0
"""Cover this close beside and in front of a hide counts as hiding it; judgement."""

BEHIND_M = 12.0
"""A backdrop this deep breaks the outline of people against the sky or the water; judgement."""

GUN_M = yd(4.0)
"""Room a gun wants along the bank, so that the lanes do not cross; judgement."""

# How well a person who sits in each class is hidden, in leaf as on a summer photo, and when
# leaves are down, reeds bent and grass and crops cut or flattened; judgement.
_IN_LEAF = {Cover.TREE: 1.0, Cover.LOW: 0.85, Cover.OPEN: 0.15}
_BARE = {Cover.TREE: 0.75, Cover.LOW: 0.65, Cover.OPEN: 0.1}
_OVERHEAD = {False: {Cover.TREE: 1.0, Cover.LOW: 0.2}, True: {Cover.TREE: 0.45, Cover.LOW: 0.1}}


@dataclass(frozen=True)
class Hiding:
    """Cover of each blind, 0 to 1; (blinds,) each.

    Parameters
    ----------
    beside
        Within a few steps beside and in front, water left out.
    behind
        The backdrop; water counts as none.
    overhead
        What hides from birds that pass over.
    """

    beside: FloatArray
    behind: FloatArray
    overhead: FloatArray


def hiding(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    *,
    alone: BoolArray,
    leaf_off: bool | None = None,
) -> Hiding:
    """Return how well blinds hide people.

    Parameters
    ----------
    alone
        Blinds in cover that stands alone in water: seen from all sides, so that water counts half.
    leaf_off
        Whether leaves are down at the hour hunted; None takes the cover as it is on the photo.
    """
    worth = _BARE if leaf_off else _IN_LEAF
    about = disc(BESIDE_M, 1.0)
    beside = about[np.degrees(np.arctan2(np.abs(about[:, 0]), about[:, 1])) <= 120.0]
    backdrop = fan(BEHIND_M, 60.0, 1.5)
    near = classes(cover, at, turned(beside, facing_grid))
    land = (near != Cover.WATER) & (near != Cover.NONE) & np.isfinite(near)
    counted = land.sum(axis=1)
    among = np.where(alone, (counted + near.shape[1]) / 2, counted)
    hidden = (_worth(near, worth) * land).sum(axis=1) / np.maximum(among, 1)
    behind = _worth(classes(cover, at, turned(backdrop, facing_grid + 180.0)), worth).mean(axis=1)
    overhead = _worth(classes(cover, at, disc(4.0, 1.0)), _OVERHEAD[bool(leaf_off)]).mean(axis=1)
    return Hiding(np.asarray(hidden, float), behind, overhead)


def overhead_score(
    overhead: FloatArray, theta: FloatArray, *, timber: BoolArray, still: BoolArray
) -> FloatArray:
    """Return what the cover overhead is worth: most where birds come over.

    Wind onto the bank brings them over or round the hide, and in timber they circle above it
    (common practice, no source); how much it then counts is judgement.
    """
    passed_over = np.where(still, 0.0, 1.0 - smoothstep(theta, 25.0, 65.0))
    counts = np.where(timber, 0.6, 0.25 + 0.5 * passed_over)
    return np.asarray(1.0 - counts * (1.0 - overhead), float)


def party_score(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    *,
    party: int,
    depth: Raster | None = None,
    wade_m: float = np.inf,
) -> FloatArray:
    """Return the share of the party that finds its own covered stand along the bank.

    Guns stand in a row, `GUN_M` apart, each up to 4 m out of line to find cover; one gun alone
    always has room.
    """
    if party <= 1:
        return np.ones(len(at))
    row = (np.arange(party) - (party - 1) / 2) * GUN_M
    inout = np.arange(-4.0, 4.5, 1.0)
    x, y = np.meshgrid(row, inout, indexing="ij")
    spots = turned(np.column_stack([x.ravel(), y.ravel()]), facing_grid)
    stands = np.isin(classes(cover, at, spots), (Cover.TREE, Cover.LOW))
    if depth is not None:
        stands &= ~(sample(depth, at, spots) > wade_m)
    found = stands.reshape(len(at), party, len(inout)).any(axis=2)
    return np.asarray(found.mean(axis=1), float)


def _worth(found: AnyArray, worth: dict[Cover, float]) -> FloatArray:
    out = np.zeros(found.shape)
    for code, value in worth.items():
        out[found == code] = value
    return out
