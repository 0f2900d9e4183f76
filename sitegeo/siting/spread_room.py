"""How much of a spread would lie on fit water, for many blinds at once.

A quick look before any spread is really placed: the drawn pocket and body are sampled on the cover
and depth rasters, and find their water as `spreads.fit` lets them. `spreads.place` places the
spread itself and has the last word.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.typing import BoolArray, FloatArray, ObjectArray
from sitegeo.siting.curves import UNKNOWN_SCORE
from sitegeo.siting.sampling import cover_classes, rotate_offsets, sample_around
from sitegeo.siting.stage import FLOATS_DECOY_M
from sitegeo.spreads.decoys import DEEPEST_M
from sitegeo.spreads.dimensions import TIMBER_LAYOUT
from sitegeo.spreads.fit import (
    LEAST_PART_WATER,
    NUDGE_DEFAULT_M,
    PART_NUDGE_M,
    POCKET_AIM_M,
    POCKET_PULLS,
    SEEN_OVER_M,
)
from sitegeo.spreads.frame import POCKET_M, POCKET_RANGE_M
from sitegeo.spreads.layouts import LAYOUTS
from sitegeo.spreads.sketch import WindInFrame
from sitegeo.spreads.timber import STACK_FROM_GUNS_M, STACK_REACH_M, TIMBER_FLANK_DEG
from sitegeo.units import YARD_M, yd

DRAWN_EVERY_DEG = 5.0
"""Layouts are drawn for winds so far apart; judgement."""

ENOUGH_STACK = 0.8
"""So much of what a stack needs is enough for a quick look, on pixels; judgement."""

_SPOTS = 64  # spots that stand for a drawn area
_SETTLES = 3  # times its spots are moved toward the water
_LOOKS = (np.arange(10) + 0.5) / 10  # along the way from the pocket to a spot
_SPREAD_EVENLY = (0.7548776662466927, 0.5698402909980532)  # a Kronecker sequence of two dimensions


def spread_water_shares(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    phi_deg: FloatArray,
    layouts: ObjectArray,
    *,
    decoys: int,
    depth: Raster | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the shares of each blind's pocket and of its body that would lie on fit water.

    Fit for the body is water no deeper than lines reach, where the depth is known.

    In timber the body stands among the trees: it counts as whole where they stand in water, as
    `UNKNOWN_SCORE` where no depth tells, and as none where too few stand there or they stand dry,
    the guns sit at the downwind end or the water runs on too far.

    Parameters
    ----------
    cover
        The `cover` layer.
    at
        (blinds, 2) hides, in its CRS.
    facing_grid
        (blinds,) grid bearings they look out on.
    phi_deg
        (blinds,) wind against the facing, positive from the right.
    layouts
        (blinds,) names of `spreads.layouts`.
    decoys
        How many are set.
    depth
        Metres of water, where known.

    Returns
    -------
    pocket, body
        (blinds,) each, 0 to 1.
    """
    pockets = np.empty((len(at), _SPOTS, 2))
    bodies = np.empty((len(at), _SPOTS, 2))
    for n, (layout, phi) in enumerate(zip(layouts, phi_deg, strict=True)):
        pocket, body = _drawn(str(layout), round(abs(float(phi)) / DRAWN_EVERY_DEG), decoys)
        hand = (-1.0 if phi < 0 else 1.0, 1.0)
        pockets[n], bodies[n] = pocket * hand, body * hand

    def wet(spots: FloatArray) -> BoolArray:
        return _wet(cover, at, facing_grid, spots)

    moved = _pocket_moves(pockets, wet)[:, None]
    pocket_share = _in_range(pockets + moved, wet)
    bodies = bodies + moved
    bodies = bodies + _settled(bodies, wet, NUDGE_DEFAULT_M)[:, None]
    afloat = wet(bodies) & _in_sight((pockets + moved).mean(axis=1), bodies, wet)
    if depth is not None:
        afloat &= ~(sample_around(depth, at, rotate_offsets(bodies, facing_grid)) > DEEPEST_M)
    body_share = afloat.mean(axis=1)
    timber = layouts == "timber"
    if timber.any():
        hides = at[timber], facing_grid[timber], phi_deg[timber]
        body_share[timber] = _stack(cover, depth, *hides, stacks=bodies[timber])
    return pocket_share, body_share


_Wet = Callable[[FloatArray], BoolArray]


def _settled(spots: FloatArray, wet: _Wet, most_m: float) -> FloatArray:
    """Return how far each blind's spots move toward the water, (blinds, 2): as in `fit`."""
    nudge = np.zeros((len(spots), 2))
    for _ in range(_SETTLES):
        now = spots + nudge[:, None]
        middle, found = _middle(now, wet(now))
        after = nudge + np.where(found[:, None], 2 * (middle - now.mean(axis=1)), 0.0)
        nudge = after * np.minimum(1.0, most_m / np.maximum(np.hypot(*after.T), 1e-9))[:, None]
    return nudge


def _pocket_moves(pockets: FloatArray, wet: _Wet) -> FloatArray:
    """Return how far each pocket moves to lie on water and in range, (blinds, 2)."""
    start = pockets.mean(axis=1)
    centre = start + _settled(pockets, wet, PART_NUDGE_M["pocket"])
    centre *= _factor(centre)[:, None]
    for _ in range(POCKET_PULLS):
        now = pockets + (centre - start)[:, None]
        middle, found = _middle(now, wet(now))
        beyond = middle * (1 - _factor(middle))[:, None]
        centre = centre - np.where(found[:, None], beyond, 0.0)
    return np.asarray(centre - start, float)


def _in_range(pockets: FloatArray, wet: _Wet) -> FloatArray:
    """Return the share of each pocket on water, 0 where its middle is out of the wanted shot."""
    afloat = wet(pockets)
    middle, found = _middle(pockets, afloat)
    reach = np.hypot(*middle.T)
    good = found & (reach >= POCKET_RANGE_M[0]) & (reach <= POCKET_RANGE_M[1])
    return np.where(good, afloat.mean(axis=1), 0.0)


def _in_sight(middle: FloatArray, spots: FloatArray, wet: _Wet) -> BoolArray:
    """Return which spots are seen from the middle of the pocket over little land."""
    way = spots - middle[:, None]
    dry = [~wet(middle[:, None] + t * way) for t in _LOOKS]
    return np.asarray(
        np.mean(dry, axis=0) * np.hypot(way[..., 0], way[..., 1]) <= SEEN_OVER_M, bool
    )


def _middle(spots: FloatArray, afloat: BoolArray) -> tuple[FloatArray, BoolArray]:
    """Return the middle of each blind's spots on water, and whether there are any."""
    count = afloat.sum(axis=1)
    total = (spots * afloat[..., None]).sum(axis=1)
    return total / np.maximum(count, 1)[:, None], count > 0


def _factor(centre: FloatArray) -> FloatArray:
    """Return what brings each centre into range of the hide."""
    reach = np.maximum(np.hypot(*centre.T), 1e-9)
    return np.asarray(np.clip(reach, *POCKET_AIM_M) / reach, float)


@lru_cache(maxsize=512)
def _drawn(layout: str, turn: int, decoys: int) -> tuple[FloatArray, FloatArray]:
    """Return spots in the pocket and in the body of a drawn layout, windward hand to +x, metres."""
    parts = {
        part.name: part.geometry
        for part in LAYOUTS[layout](WindInFrame(turn * DRAWN_EVERY_DEG), decoys)
    }
    pocket = parts["pocket"]
    return _spots(pocket) * YARD_M, _spots(parts.get("mass", pocket)) * YARD_M


def _spots(area: BaseGeometry) -> FloatArray:
    """Return a fixed number of spots spread evenly over an area, whatever its size."""
    west, south, east, north = area.bounds
    # Even cover without a seed.
    n = np.arange(1, 12 * _SPOTS)
    x = west + (east - west) * ((n * _SPREAD_EVENLY[0]) % 1.0)
    y = south + (north - south) * ((n * _SPREAD_EVENLY[1]) % 1.0)
    inside = np.flatnonzero(shapely.contains_xy(area, x, y))
    held = np.resize(inside, _SPOTS) if len(inside) else np.zeros(_SPOTS, int)
    return np.column_stack([x[held], y[held]])


def _stack(
    cover: Raster,
    depth: Raster | None,
    at: FloatArray,
    facing_grid: FloatArray,
    phi_deg: FloatArray,
    *,
    stacks: FloatArray,
) -> FloatArray:
    """Return how surely a timber stack, (blinds, spots, 2), stands in flooded trees downwind."""
    rad = np.deg2rad(phi_deg)
    downwind = -np.column_stack([np.sin(rad), np.cos(rad)])
    steps = np.arange(1.0, STACK_REACH_M + 1.0)
    ray = np.array([0.0, POCKET_M]) + steps[None, :, None] * downwind[:, None]
    afloat = np.logical_and.accumulate(_wet(cover, at, facing_grid, ray), axis=1).sum(axis=1)
    centre = np.array([0.0, POCKET_M]) + (afloat + yd(TIMBER_LAYOUT.stack_in))[:, None] * downwind
    local = stacks + (centre - stacks.mean(axis=1))[:, None]
    spots = rotate_offsets(local, facing_grid)
    stands = cover_classes(cover, at, spots)
    water_m = np.full(stands.shape, np.nan) if depth is None else sample_around(depth, at, spots)
    wooded = (stands == Cover.TREE) & ~(water_m < FLOATS_DECOY_M)
    from_guns_m = np.where(wooded, np.hypot(local[..., 0], local[..., 1]), np.inf).min(axis=1)
    fits = (
        (np.abs(phi_deg) >= TIMBER_FLANK_DEG)
        & (from_guns_m >= STACK_FROM_GUNS_M)
        & (afloat < len(steps))
    )
    fits &= wooded.mean(axis=1) >= ENOUGH_STACK * LEAST_PART_WATER
    sure = (wooded * np.where(np.isnan(water_m), UNKNOWN_SCORE, 1.0)).sum(axis=1)
    return np.where(fits, sure / np.maximum(wooded.sum(axis=1), 1), 0.0)


def _wet(cover: Raster, at: FloatArray, facing_grid: FloatArray, local: FloatArray) -> BoolArray:
    """Return which spots, given in each hide's own frame, are water."""
    wet: BoolArray = cover_classes(cover, at, rotate_offsets(local, facing_grid)) == Cover.WATER
    return wet
