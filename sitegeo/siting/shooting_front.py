"""How much of a blind's front is open to fire: a quick look at what the load could fall on.

A plan works the fall of shot out all round the hide and has the last word; this tells blinds apart
that have a road, houses or their own way in before them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely

from sitegeo.angles import unit_from_bearing
from sitegeo.core.grid import Grid
from sitegeo.core.typing import BoolArray, FloatArray, ObjectArray
from sitegeo.core.wind import Wind
from sitegeo.law.context import PositionErrors
from sitegeo.law.shot_range import SCATTER_DEG, Load, fall_range_m, feature_extent_m
from sitegeo.siting.curves import UNKNOWN_SCORE

FIRE_TARGETS = ("dwellings", "roads")
"""Layers that must not lie under the fall of shot."""

WALK_IN_FROM_M = 50.0
"""The walk-in counts from here on: nearer, whoever comes is at the hide; judgement."""

_LEAST_M = 0.01  # GEOS loses a point to a radius of nothing


@dataclass(frozen=True)
class FrontParams:
    """How fronts are told apart; judgement throughout.

    Parameters
    ----------
    half_deg, step_deg
        Shots are looked at so far to either side of straight ahead, and so far apart.
    falls_to_nothing_deg
        The middle, where the pocket lies, counts most; so far to its side nothing would count.
    half_shot_deg
        Half of what a shot is taken to cover, besides its scatter.
    pocket_closed
        What a front scores less where no shot may be fired over the pocket, as a factor.
    usual_gust_mps
        The gust from behind a shot that fronts are told apart by.
    """

    half_deg: float = 60.0
    step_deg: float = 10.0
    falls_to_nothing_deg: float = 80.0
    half_shot_deg: float = 0.5
    pocket_closed: float = 0.5
    usual_gust_mps: float = 8.0


@dataclass(frozen=True)
class ShootingFront:
    """What may be fired at before each blind.

    Parameters
    ----------
    score
        (blinds,) 0 to 1: how much of the front is open in a usual morning's gust, least where the
        pocket itself is not. It is the same in every wind, so that no hour is judged by another's.
    shut
        (blinds,) whether what is mapped leaves no direction to the front that may be fired in.
    facing_deg
        (blinds,) true bearings.
    load
        What is shot.
    """

    score: FloatArray
    shut: BoolArray
    facing_deg: FloatArray
    load: Load
    _around: _Around

    def pocket_closed(self, wind: Wind) -> BoolArray:
        """Return where in a wind a shot straight over the pocket could fall on something mapped."""
        ahead = self.facing_deg[:, None]
        range_m = fall_range_m(
            self.load,
            ahead,
            wind_from_deg=wind.from_deg,
            gust_mps=wind.strongest_mps,
            spread_deg=wind.spread_deg,
        )
        return self._around.closes(ahead, range_m)[:, 0]


def rate_front(
    at: FloatArray,
    facing_deg: FloatArray,
    *,
    grid: Grid,
    load: Load,
    error_m: float,
    layers: Mapping[str, gpd.GeoDataFrame | None],
    access: gpd.GeoDataFrame | None = None,
    params: FrontParams = FrontParams(),
) -> ShootingFront:
    """Return how much of each blind's front the load may be fired into.

    Where a layer is missing its score is at most `UNKNOWN_SCORE`: missing is not clear.

    Parameters
    ----------
    at
        (blinds, 2) hides, in the grid's CRS.
    facing_deg
        (blinds,) true bearings they look out on.
    grid
        Of the place, for its convergence.
    load
        What is shot, from `law.shot_range.read_load`.
    error_m
        How far off the guns and the mapped features may be.
    layers
        What must not be under the fall of shot, by name.
    access
        Ways in; people come by the nearest.
    params
        How fronts are told apart.

    Returns
    -------
    ShootingFront
        In the order of `at`.
    """
    facing = np.asarray(facing_deg, float)
    around = _Around.of(
        at, grid, layers, access=access, error_m=error_m, half_deg=params.half_shot_deg
    )
    turns = np.arange(-params.half_deg, params.half_deg + 1.0, params.step_deg)
    weights = 1.0 - np.abs(turns) / params.falls_to_nothing_deg
    directions = facing[:, None] + turns
    reach_m = fall_range_m(load, directions, wind_from_deg=None, gust_mps=params.usual_gust_mps)
    closed = around.closes(directions, reach_m)
    middle = np.where(closed[:, len(turns) // 2], params.pocket_closed, 1.0)
    score = (~closed @ weights) / weights.sum() * middle
    if any(layer is None for layer in layers.values()):
        score = np.minimum(score, UNKNOWN_SCORE)
    return ShootingFront(np.asarray(score, float), np.all(closed, axis=1), facing, load, around)


@dataclass(frozen=True)
class _Around:
    """What lies around the blinds, grown by how far off it may be: the mapped, and ways in."""

    at: FloatArray
    grid: Grid
    mapped: shapely.STRtree
    walks_in: ObjectArray | None
    half_deg: float

    @classmethod
    def of(
        cls,
        at: FloatArray,
        grid: Grid,
        layers: Mapping[str, gpd.GeoDataFrame | None],
        *,
        access: gpd.GeoDataFrame | None,
        error_m: float,
        half_deg: float,
    ) -> _Around:
        shapes = [_grown(layer, error_m) for layer in layers.values() if layer is not None]
        walks = None
        if access is not None and not access.empty:
            shapes.append(shapely.buffer(access.geometry.to_numpy(), error_m))
            walks = shapely.buffer(_walks_in(at, access), error_m, quad_segs=4)
        every = np.concatenate(shapes) if shapes else np.empty(0, object)
        return cls(at, grid, shapely.STRtree(every), walks, half_deg + SCATTER_DEG)

    def closes(self, bearing_deg: FloatArray, range_m: FloatArray) -> BoolArray:
        """Return which shots, (blinds, directions), could fall on any of it."""
        bearing = np.asarray(self.grid.to_grid_bearing(bearing_deg))
        shots = _shots(self.at, bearing, range_m, half_deg=self.half_deg)
        hit = np.zeros(shots.size, dtype=bool)
        hit[self.mapped.query(shots.ravel(), predicate="intersects")[0]] = True
        closed = hit.reshape(shots.shape)
        if self.walks_in is not None:
            closed |= shapely.intersects(shots, self.walks_in[:, None])
        return closed


def guns_error_m(errors: PositionErrors) -> float:
    """Return how far off guns and mapped features may be."""
    return max(errors.total_m(name) for name in FIRE_TARGETS)


def _shots(
    at: FloatArray, bearing_grid: FloatArray, range_m: FloatArray, *, half_deg: float
) -> ObjectArray:
    """Return the ground each shot can reach, (blinds, directions)."""
    reach = range_m / np.cos(np.deg2rad(half_deg))
    guns = np.broadcast_to(at[:, None], (*reach.shape, 2))
    edges = (
        guns + reach[..., None] * np.stack(unit_from_bearing(bearing_grid + side), axis=-1)
        for side in (-half_deg, half_deg)
    )
    return np.asarray(shapely.polygons(np.stack([guns, *edges], axis=-2)), dtype=object)


def _grown(layer: gpd.GeoDataFrame, error_m: float) -> ObjectArray:
    """Return what is mapped, as large as it may really be."""
    beyond_m = np.maximum(feature_extent_m(layer) + error_m, _LEAST_M)
    return np.asarray(shapely.buffer(layer.geometry.to_numpy(), beyond_m, quad_segs=4), object)


def _walks_in(at: FloatArray, access: gpd.GeoDataFrame) -> ObjectArray:
    """Return the line from the nearest way in to each blind, as far as others may be met on it."""
    hides = shapely.points(at)
    nearest = shapely.STRtree(access.geometry.to_numpy()).nearest(hides)
    starts = shapely.get_coordinates(access.geometry.to_numpy()[nearest])
    way = starts - at
    length = np.maximum(np.hypot(*way.T), 1e-9)
    ends = at + way * np.minimum(WALK_IN_FROM_M / length, 1.0)[:, None]
    return np.asarray(shapely.linestrings(np.stack([starts, ends], axis=1)), dtype=object)
