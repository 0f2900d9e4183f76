"""Turn the world and the wind together, and the ranking turns with them."""

from __future__ import annotations

import numpy as np
import pytest
from helpers_terrain import NORTH, WEST, centres, cover_of, heights_of

from sitegeo.exposure.morning import exposure
from sitegeo.exposure.obstacles import obstacles
from sitegeo.layers import Cover
from sitegeo.placefile import Assume
from sitegeo.siting.candidates import candidates
from sitegeo.siting.scoring import blinds
from sitegeo.terrain.positions import positions
from sitegeo.terrain.shoreline import shoreline
from sitegeo.wind import Wind

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


def ranked(classes: np.ndarray, from_deg: float):
    cover = cover_of(classes)
    heights = heights_of(cover, 15.0)
    water, _, stations = shoreline(cover=cover, canopy_height=heights)
    found = positions(stations=stations, cover=cover, canopy_height=heights, water=water)
    sites = candidates(positions=found, stations=stations, cover=cover, assume=Assume())
    wind = Wind(from_deg % 360, 5.0)
    met = obstacles(cover=cover, canopy_height=heights, assume=Assume())
    field = exposure(obstacles=met, wind=wind, assume=Assume())
    scored = blinds(candidates=sites, cover=cover, exposure=field, wind=wind)
    x = scored.geometry.x.to_numpy() - WEST - SIZE / 2
    y = scored.geometry.y.to_numpy() - NORTH + SIZE / 2
    return x + 1j * y, scored


@pytest.mark.parametrize("quarter", [1, 2, 3])
@pytest.mark.parametrize("from_deg", [10.0, 135.0, 260.0])
def test_ranking_turns(quarter: int, from_deg: float) -> None:
    at, scored = ranked(world(), from_deg)
    # numpy turns an image anticlockwise, and bearings run clockwise.
    at_2, scored_2 = ranked(np.rot90(world(), quarter), from_deg - 90 * quarter)
    back = at_2 * np.exp(-0.5j * np.pi * quarter)
    assert len(scored) == len(scored_2) > 3
    partner = np.abs(at[:, None] - back[None, :]).argmin(axis=1)
    assert np.abs(at - back[partner]).max() < 4.0
    np.testing.assert_allclose(scored["score"], scored_2["score"].to_numpy()[partner], atol=0.05)
    np.testing.assert_allclose(scored["phi_deg"], scored_2["phi_deg"].to_numpy()[partner], atol=4.0)
    assert partner[scored["score"].argmax()] in np.argsort(-scored_2["score"].to_numpy())[:2]
