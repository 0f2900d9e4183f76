"""Turn, mirror or move the world and the wind together, and the ranking goes with them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely
from helpers_terrain import NORTH, WEST, centres, cover_of, heights_of

from sitegeo.core.contracts import Cover
from sitegeo.core.wind import Wind
from sitegeo.exposure.field import exposure
from sitegeo.exposure.surface import obstacles
from sitegeo.places.config import Assume
from sitegeo.shore.positions import positions
from sitegeo.shore.shoreline import shoreline
from sitegeo.siting.candidates import assess_sites, candidates
from sitegeo.siting.score import blinds

SIZE = 500


def world() -> np.ndarray:
    """A lopsided lake, wooded to the east and south, brush to the west."""
    east, north = centres(SIZE, SIZE)
    angle = np.arctan2(north, east)
    reach = 140 + 25 * np.cos(2 * angle + 0.4) + 18 * np.cos(3 * angle - 1.0)
    classes = np.full((SIZE, SIZE), int(Cover.OPEN))
    classes[(east > 20) | (north < -60)] = Cover.TREE
    classes[east < -90] = Cover.LOW
    classes[np.hypot(east, north) < reach] = Cover.WATER
    return classes


def ranked(classes: np.ndarray, from_grid_deg: float, *, moved: tuple[float, float] = (0.0, 0.0)):
    """Return where blinds lie from the middle of a world, as complex numbers, and what they score.

    `moved` shifts the world east and north, metres.
    """
    cover = cover_of(classes)
    grid = replace(cover.grid, west=WEST + moved[0], north=NORTH + moved[1])
    cover = replace(cover, grid=grid)
    heights = replace(heights_of(cover, 15.0), grid=grid)
    water, _, stations = shoreline(cover=cover, canopy_height=heights)
    found = positions(stations=stations, cover=cover, canopy_height=heights, water=water)
    sites = candidates(positions=found, stations=stations, cover=cover, assume=Assume())
    return scored(sites, cover, from_grid_deg)


def scored(sites, cover, from_grid_deg: float):
    grid = cover.grid
    wind = Wind((from_grid_deg + grid.convergence_deg) % 360, 5.0)
    heights = replace(heights_of(cover, 15.0), grid=grid)
    met = obstacles(cover=cover, canopy_height=heights, assume=Assume())
    field = exposure(obstacles=met, wind=wind, assume=Assume())
    found = blinds(candidates=sites, cover=cover, exposure=field, obstacles=met, wind=wind)
    x = found.geometry.x.to_numpy() - grid.west - SIZE / 2
    y = found.geometry.y.to_numpy() - grid.north + SIZE / 2
    return x + 1j * y, found


@cache
def plain(from_grid_deg: float):
    return ranked(world(), from_grid_deg)


@pytest.mark.parametrize(("quarter", "from_deg"), [(1, 10.0), (2, 135.0), (3, 260.0), (3, 10.0)])
def test_ranking_turns(quarter: int, from_deg: float) -> None:
    at, one = plain(from_deg)
    # numpy turns an image anticlockwise, and bearings run clockwise.
    at_2, two = ranked(np.rot90(world(), quarter), from_deg - 90 * quarter)
    back = at_2 * np.exp(-0.5j * np.pi * quarter)
    assert len(one) == len(two) > 3
    partner = np.abs(at[:, None] - back[None, :]).argmin(axis=1)
    assert np.abs(at - back[partner]).max() < 4.0
    np.testing.assert_allclose(one["score"], two["score"].to_numpy()[partner], atol=0.05)
    np.testing.assert_allclose(one["phi_deg"], two["phi_deg"].to_numpy()[partner], atol=4.0)
    assert partner[one["score"].argmax()] in np.argsort(-two["score"].to_numpy())[:2]


@pytest.mark.parametrize("from_deg", [10.0, 260.0])
def test_ranking_mirrors(from_deg: float) -> None:
    """Of the same spots: where along a bank they are tried runs with the shore, on one hand."""
    _, one = plain(from_deg)
    mirrored = cover_of(world()[:, ::-1])
    sites = one[["id", "position_id", "kind", "facing_deg", "geometry"]]
    middle = 2 * WEST + SIZE
    sites = sites.set_geometry(
        shapely.transform(sites.geometry, lambda p: (middle, 0) + p * (-1, 1))
    )
    sites["facing_deg"] = (2 * mirrored.grid.convergence_deg - sites["facing_deg"]) % 360
    _, two = scored(assess_sites(sites, cover=mirrored, assume=Assume()), mirrored, -from_deg)
    assert two["layout"].tolist() == one["layout"].tolist()
    np.testing.assert_allclose(two["phi_deg"], -one["phi_deg"], atol=1e-6)
    parts = [c for c in one.columns if c.startswith("c_")]
    np.testing.assert_allclose(two[parts], one[parts], atol=0.1)  # samples fall on other pixels
    np.testing.assert_allclose(two["score"], one["score"], atol=0.02)


def test_a_moved_world_ranks_the_same() -> None:
    """Nothing hangs on coordinates: another easting and northing, another convergence."""
    at, scored = plain(135.0)
    at_2, other = ranked(world(), 135.0, moved=(-60_000.0, 25_000.0))
    np.testing.assert_allclose(at_2, at, atol=1e-6)
    np.testing.assert_allclose(other["score"], scored["score"], atol=1e-3)
    assert other["layout"].tolist() == scored["layout"].tolist()
