"""Turning the world turns what is seen in it, and nothing else."""

from __future__ import annotations

import numpy as np
from helpers_terrain import NORTH, WEST, centres, cover_of, heights_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from sitegeo.angles import circular_mean_deg, signed_diff_deg
from sitegeo.core import contracts
from sitegeo.core.contracts import Cover
from sitegeo.shore.positions import positions
from sitegeo.shore.shoreline import shoreline

SIZE = 420


def world(phase: float, lobes: int, swing: float) -> np.ndarray:
    """A lobed lake with trees to the east of it."""
    east, north = centres(SIZE, SIZE)
    angle = np.arctan2(north, east)
    reach = 120 + swing * np.cos(lobes * angle + phase)
    classes = np.full((SIZE, SIZE), int(Cover.OPEN))
    classes[east > 40] = Cover.TREE
    classes[np.hypot(east, north) < reach] = Cover.WATER
    return classes


def survey(classes: np.ndarray):
    cover = cover_of(classes)
    heights = heights_of(cover, 11.0)
    water, _, stations = shoreline(cover=cover, canopy_height=heights)
    found = positions(stations=stations, cover=cover, canopy_height=heights, water=water)
    return water, stations, found


def turned_back(geometry, quarter: int) -> np.ndarray:
    """Coordinates from the middle, turned back by quarters of a circle."""
    x = np.asarray(geometry.x) - WEST - SIZE / 2
    y = np.asarray(geometry.y) - NORTH + SIZE / 2
    turn = np.exp(-0.5j * np.pi * quarter)
    z = (x + 1j * y) * turn
    return np.column_stack([z.real, z.imag])


@settings(max_examples=12, deadline=None)
@given(
    phase=st.floats(0, 6.28),
    lobes=st.integers(2, 4),
    swing=st.floats(5, 30),
    quarter=st.integers(1, 3),
)
def test_facings_turn_with_the_world(phase: float, lobes: int, swing: float, quarter: int) -> None:
    classes = world(phase, lobes, swing)
    water, stations, found = survey(classes)
    # numpy turns an image anticlockwise.
    water_2, stations_2, found_2 = survey(np.rot90(classes, quarter))
    assert np.allclose(water["area_m2"], water_2["area_m2"], rtol=1e-3)

    here, there = turned_back(stations.geometry, 0), turned_back(stations_2.geometry, quarter)
    facing, facing_2 = stations["facing_deg"].to_numpy(), stations_2["facing_deg"].to_numpy()
    shares = stations["land_fraction_75"].to_numpy()
    for xy, bearing, share in zip(
        there, facing_2 + 90.0 * quarter, stations_2["land_fraction_75"], strict=True
    ):
        distance = np.hypot(*(here - xy).T)
        near = np.argsort(distance)[:2]
        # Stations fall elsewhere on the turned ring: compare with the two about the place.
        weight = 1 / (distance[near] + 1e-9)
        between = circular_mean_deg(facing[near], weight / weight.sum())
        assert abs(signed_diff_deg(bearing, between)) < 4.0
        assert abs(share - np.average(shares[near], weights=weight)) < 0.02

    trees = [f[f["kind"] == "tree line"]["length_m"].sum() for f in (found, found_2)]
    # Runs begin and end at stations, 10 m apart; each may gain or lose one at either end.
    assert abs(trees[0] - trees[1]) <= 20.0 * (found["kind"] == "tree line").sum() + 20.0


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10_000), level=st.floats(-0.3, 0.3))
def test_any_mask_gives_layers_that_keep_their_contract(seed: int, level: float) -> None:
    noise = np.random.default_rng(seed).normal(size=(160, 200))
    smooth = ndimage.gaussian_filter(noise, 6)
    smooth /= smooth.std()
    other = np.random.default_rng(seed + 1).integers(2, 6, noise.shape)
    cover = cover_of(np.where(smooth > level, int(Cover.WATER), other))
    heights = heights_of(cover, 9.0)
    water, land, stations = shoreline(cover=cover, canopy_height=heights)
    found = positions(stations=stations, cover=cover, canopy_height=heights, water=water)
    for name, layer in (
        ("water", water),
        ("land", land),
        ("stations", stations),
        ("positions", found),
    ):
        contracts.check(layer, contracts.contract(name))
    # Smoothing may round corners, not make or lose water.
    wet = float((smooth > level).sum())
    assert abs(water["area_m2"].sum() - wet) < 0.1 * wet + 600.0
