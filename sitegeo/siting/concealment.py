"""How well the ground about a hide conceals people: beside, behind and overhead, by leaf."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sitegeo.angles import smoothstep
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.typing import AnyArray, BoolArray, FloatArray
from sitegeo.siting.sampling import (
    PATCH_STEP_M,
    cover_classes,
    disc_offsets,
    fan_offsets,
    rotate_offsets,
    sample_around,
)
from sitegeo.units import yd

IN_LEAF: Mapping[Cover, float] = {Cover.TREE: 1.0, Cover.LOW: 0.85, Cover.OPEN: 0.15}
"""How well each class conceals a person who sits in it, in leaf as on a summer photo; judgement."""

LEAVES_DOWN: Mapping[Cover, float] = {Cover.TREE: 0.75, Cover.LOW: 0.65, Cover.OPEN: 0.1}
"""The same when leaves are down, reeds bent and grass and crops cut or flattened; judgement."""

OVERHEAD_IN_LEAF: Mapping[Cover, float] = {Cover.TREE: 1.0, Cover.LOW: 0.2}
"""How well each class conceals from birds that pass over, in leaf; judgement."""

OVERHEAD_LEAVES_DOWN: Mapping[Cover, float] = {Cover.TREE: 0.45, Cover.LOW: 0.1}
"""The same when leaves are down; judgement."""


@dataclass(frozen=True)
class ConcealmentParams:
    """Where cover is looked for; judgement throughout.

    Parameters
    ----------
    beside_m, beside_deg
        Cover so close to the hide, and no farther than this from straight ahead, counts as beside
        and in front of it.
    backdrop_m, backdrop_deg
        A backdrop so deep, and so far to either side of straight behind, breaks the outline of
        people against the sky or the water.
    backdrop_step_m
        The backdrop is looked at in steps of this.
    overhead_m
        Cover so close conceals from above.
    gun_m
        Room a gun wants along the bank, so that the lanes do not cross.
    out_of_line_m
        A gun stands so far out of the row to find cover.
    """

    beside_m: float = 6.0
    beside_deg: float = 120.0
    backdrop_m: float = 12.0
    backdrop_deg: float = 60.0
    backdrop_step_m: float = 1.5
    overhead_m: float = 4.0
    gun_m: float = yd(4.0)
    out_of_line_m: float = 4.0


@dataclass(frozen=True)
class OverheadParams:
    """How much cover overhead counts; judgement throughout.

    Parameters
    ----------
    over_deg, aside_deg
        With the wind up to the first against the facing birds pass over the hide, from the second
        on beside it.
    least, over
        What it counts in any wind, and what it counts more where birds pass over.
    timber
        What it counts in timber, whatever the wind.
    """

    over_deg: float = 25.0
    aside_deg: float = 65.0
    least: float = 0.25
    over: float = 0.5
    timber: float = 0.6


@dataclass(frozen=True)
class Concealment:
    """Cover of each blind, 0 to 1; (blinds,) each.

    Parameters
    ----------
    beside
        Within a few steps beside and in front, water left out.
    behind
        The backdrop; water counts as none.
    overhead
        What conceals from birds that pass over.
    """

    beside: FloatArray
    behind: FloatArray
    overhead: FloatArray


def rate_concealment(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    *,
    alone: BoolArray,
    leaf_off: bool | None = None,
    params: ConcealmentParams = ConcealmentParams(),
) -> Concealment:
    """Return how well blinds conceal people.

    Parameters
    ----------
    cover
        The `cover` layer.
    at
        (blinds, 2) hides, in its CRS.
    facing_grid
        (blinds,) grid bearings they look out on.
    alone
        (blinds,) those in cover that stands alone in water.
    leaf_off
        Whether leaves are down at the hour hunted; None takes the cover as it is on the photo.
    params
        Where cover is looked for.

    Returns
    -------
    Concealment
        In the order of `at`.
    """
    scores, above = (LEAVES_DOWN, OVERHEAD_LEAVES_DOWN) if leaf_off else (IN_LEAF, OVERHEAD_IN_LEAF)
    about = disc_offsets(params.beside_m, PATCH_STEP_M)
    off_front = np.degrees(np.arctan2(np.abs(about[:, 0]), about[:, 1]))
    beside = rotate_offsets(about[off_front <= params.beside_deg], facing_grid)
    fan = fan_offsets(params.backdrop_m, params.backdrop_deg, params.backdrop_step_m)
    backdrop = rotate_offsets(fan, facing_grid + 180.0)
    over = disc_offsets(params.overhead_m, PATCH_STEP_M)
    return Concealment(
        concealed_share(cover_classes(cover, at, beside), alone=alone, scores=scores),
        _scores_of(cover_classes(cover, at, backdrop), scores).mean(axis=1),
        _scores_of(cover_classes(cover, at, over), above).mean(axis=1),
    )


def concealed_share(
    classes: AnyArray, *, alone: BoolArray, scores: Mapping[Cover, float] = IN_LEAF
) -> FloatArray:
    """Return how well the ground around each blind conceals a person, water left out.

    Cover that stands alone in water is seen from all sides, so there the water counts half.

    Parameters
    ----------
    classes
        (blinds, spots) cover classes around each.
    alone
        (blinds,) those in cover that stands alone in water.
    scores
        How well each class conceals.

    Returns
    -------
    ndarray
        (blinds,), 0 to 1.

    Examples
    --------
    >>> around = np.array([[Cover.LOW, Cover.LOW, Cover.WATER, Cover.WATER]], float)
    >>> concealed_share(around, alone=np.array([False])).tolist()
    [0.85]
    """
    land = (classes != Cover.WATER) & (classes != Cover.NONE) & np.isfinite(classes)
    counted = land.sum(axis=1)
    among = np.where(alone, (counted + classes.shape[1]) / 2, counted)
    found = (_scores_of(classes, scores) * land).sum(axis=1)
    return np.asarray(found / np.maximum(among, 1), float)


def overhead_score(
    overhead: FloatArray,
    theta: FloatArray,
    *,
    timber: BoolArray,
    still: BoolArray,
    params: OverheadParams = OverheadParams(),
) -> FloatArray:
    """Return what the cover overhead scores: it counts most where birds come over.

    Wind onto the bank brings them over or round the hide, and in timber they circle above it
    (common practice, no source); how much it then counts is judgement.

    Parameters
    ----------
    overhead
        (blinds,) of `rate_concealment`.
    theta
        (blinds,) wind against the facing, 0 to 180 degrees.
    timber, still
        (blinds,) whether it is a timber opening, and whether the wind is too weak to tell.
    params
        How much it counts.

    Returns
    -------
    ndarray
        (blinds,), 0 to 1.
    """
    over = np.where(still, 0.0, 1.0 - smoothstep(theta, params.over_deg, params.aside_deg))
    counts = np.where(timber, params.timber, params.least + params.over * over)
    return np.asarray(1.0 - counts * (1.0 - overhead), float)


def party_score(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    *,
    party: int,
    depth: Raster | None = None,
    wade_m: float = np.inf,
    params: ConcealmentParams = ConcealmentParams(),
) -> FloatArray:
    """Return the share of the party that finds its own covered stand along the bank.

    Guns stand in a row, each a little out of line to find cover; one gun alone always has room.

    Parameters
    ----------
    cover
        The `cover` layer.
    at
        (blinds, 2) hides, in its CRS.
    facing_grid
        (blinds,) grid bearings they look out on.
    party
        How many guns.
    depth
        Metres of water, None where it is not known.
    wade_m
        Deepest water a person stands in.
    params
        Room a gun wants.

    Returns
    -------
    ndarray
        (blinds,), 0 to 1.
    """
    if party <= 1:
        return np.ones(len(at))
    row = (np.arange(party) - (party - 1) / 2) * params.gun_m
    in_and_out = np.arange(-params.out_of_line_m, params.out_of_line_m + PATCH_STEP_M / 2)
    x, y = np.meshgrid(row, in_and_out, indexing="ij")
    spots = rotate_offsets(np.column_stack([x.ravel(), y.ravel()]), facing_grid)
    stands = np.isin(cover_classes(cover, at, spots), (Cover.TREE, Cover.LOW))
    if depth is not None:
        stands &= ~(sample_around(depth, at, spots) > wade_m)
    found = stands.reshape(len(at), party, len(in_and_out)).any(axis=2)
    return np.asarray(found.mean(axis=1), float)


def _scores_of(classes: AnyArray, scores: Mapping[Cover, float]) -> FloatArray:
    """Return the score of each class, 0 for those without one."""
    out = np.zeros(classes.shape)
    for code, value in scores.items():
        out[classes == code] = value
    return out
