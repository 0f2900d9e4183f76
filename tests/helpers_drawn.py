"""Drawn worlds in which two hides differ in one thing: what must beat what, all else equal.

A world is 500 m square at 1 m, its middle at (0, 0), water where it is drawn. Hides look north on
the grid unless told, so that a wind `theta` from the facing comes `theta` from the right for a hand
of +1, from the left for -1.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import geopandas as gpd
import numpy as np
import shapely
from helpers_terrain import NORTH, WEST, centres, cover_of
from numpy.typing import NDArray

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.wind import CALM_MPS, Wind
from sitegeo.exposure.field import exposure
from sitegeo.exposure.surface import obstacles
from sitegeo.places.config import Assume
from sitegeo.siting.candidates import assess_sites
from sitegeo.siting.score import blinds
from sitegeo.units import metres_per_second

SIZE = 500
EAST, NORTHING = centres(SIZE, SIZE)


@dataclass(frozen=True)
class World:
    """Cover classes, heights above ground, and what a map would add."""

    classes: NDArray[Any]
    heights_m: NDArray[Any]
    layers: dict[str, Any] = field(default_factory=dict)

    @property
    def cover(self) -> Raster:
        return cover_of(self.classes)

    def with_layers(self, **layers: Any) -> World:
        return World(self.classes, self.heights_m, {**self.layers, **layers})


def bank(land: Cover, tree_m: float = 0.0, *, deep_m: float = 60.0) -> World:
    """Water to the north of a straight bank; a belt of one class on it, open ground behind."""
    classes = np.full((SIZE, SIZE), int(Cover.OPEN))
    classes[-deep_m < NORTHING] = land
    classes[NORTHING > 0] = Cover.WATER
    return World(classes, np.where(classes == Cover.TREE, tree_m, 0.0))


def headland(land: Cover = Cover.LOW, tree_m: float = 0.0, *, half_m: float = 18.0) -> World:
    """A spit of land that runs north into water, its tip rounded at the middle."""
    on = (np.abs(EAST) < half_m) & (-half_m > NORTHING)
    on |= np.hypot(EAST, NORTHING + half_m) < half_m
    on |= NORTHING < -180
    classes = np.where(on, int(land), int(Cover.WATER))
    return World(classes, np.where(classes == Cover.TREE, tree_m, 0.0))


def clump(land: Cover = Cover.LOW, *, half_m: float = 6.0) -> World:
    """A clump of cover alone in the water."""
    classes = np.where(np.hypot(EAST, NORTHING + half_m) < half_m, int(land), int(Cover.WATER))
    return World(classes, np.zeros(classes.shape))


def timber(width_m: float, tree_m: float = 15.0, *, long_m: float = 60.0) -> World:
    """An opening in flooded trees, longest from north to south, its middle before the hide."""
    classes = np.full((SIZE, SIZE), int(Cover.TREE))
    open_ = (np.abs(EAST) < width_m / 2) & (np.abs(NORTHING - long_m / 2) < long_m / 2)
    classes[open_] = Cover.WATER
    return World(classes, np.where(classes == Cover.TREE, tree_m, 0.0))


def wind_at(theta_deg: float, mph: float, *, hand: int = 1, facing_deg: float = 0.0) -> Wind:
    """A wind so far from a facing on the grid, from the right (+1) or the left (-1)."""
    grid = cover_of(np.zeros((2, 2), int)).grid
    speed = metres_per_second(mph, "mph")
    return Wind((facing_deg + hand * theta_deg + grid.convergence_deg) % 360.0, speed)


def score(
    world: World,
    wind: Wind,
    *,
    kind: str = "tree line",
    at: tuple[float, float] = (0.0, -4.0),
    facing_deg: float = 0.0,
    site: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """One hide of a world under one wind, as its row of the `blinds` layer.

    `site` puts other values into its row of the `candidates` layer.
    """
    cover = world.cover
    grid = cover.grid
    point = shapely.Point(WEST + SIZE / 2 + at[0], NORTH - SIZE / 2 + at[1])
    sites = gpd.GeoDataFrame(
        {
            "id": ["A001a"],
            "position_id": ["A001"],
            "kind": [kind],
            "facing_deg": [(facing_deg + grid.convergence_deg) % 360.0],
        },
        geometry=[point],
        crs=grid.crs,
    )
    heights = Raster(world.heights_m.astype(np.float32), grid)
    met = obstacles(cover=cover, canopy_height=heights, assume=Assume(leaf_off=False))
    of_site = {
        name: world.layers[name]
        for name in ("depth", "public_land", "closed_areas", "access")
        if name in world.layers
    }
    found = assess_sites(sites, cover=cover, assume=Assume(), **of_site)
    found = found.assign(**(site or {}))
    under = exposure(obstacles=met, wind=wind, assume=Assume(leaf_off=False))
    of_score = {
        name: world.layers[name]
        for name in ("depth", "public_land", "dwellings", "roads", "access", "observations", "gear")
        if name in world.layers
    }
    scored = blinds(
        candidates=found, cover=cover, exposure=under, obstacles=met, wind=wind, **of_score
    )
    return dict(scored.iloc[0])


CALM = Wind(0.0, CALM_MPS / 2)
