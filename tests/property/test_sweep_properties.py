"""What must hold of any sweep, whatever the water."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from sitegeo.exposure.local_wind import wind_over_water
from sitegeo.exposure.sweep import NO_FETCH, encode_surface, sweep

shapes = hnp.array_shapes(min_dims=2, max_dims=2, min_side=2, max_side=45)
waters = hnp.arrays(bool, shapes, elements=st.sampled_from([True, True, True, False]))
# Any bearing, but not so near a multiple of 45° that a rounding turns a tie.
bearings = st.one_of(st.integers(0, 359).map(float), st.floats(0, 359.9).map(lambda d: round(d, 3)))
seeds = st.integers(0, 2**16)


def surface_of(water, seed):
    rng = np.random.default_rng(seed)
    heights = rng.integers(0, 250, water.shape) / 10
    return encode_surface(water, heights, density=rng.integers(0, 4, water.shape).astype(np.uint8))


def swept(surface, bearing, pixel_m=3.0):
    return sweep(surface, from_grid_deg=bearing, pixel_m=pixel_m, bands=4)


def same(a, b, change):
    assert np.array_equal(change(a.fetch_m), b.fetch_m)
    assert np.array_equal(change(a.at_least), b.at_least)
    for band in range(4):
        assert np.array_equal(change(a.horizon_code[band]), b.horizon_code[band])


@given(waters, bearings, seeds, st.integers(1, 3))
def test_turning_raster_and_wind_together_turns_the_answer(water, bearing, seed, quarters):
    surface = surface_of(water, seed)
    turned = np.rot90(surface, -quarters)  # clockwise
    same(
        swept(surface, bearing),
        swept(turned, bearing + 90 * quarters),
        lambda a: np.rot90(a, -quarters),
    )


@given(waters, bearings, seeds)
def test_mirroring_raster_and_wind_mirrors_the_answer(water, bearing, seed):
    surface = surface_of(water, seed)
    same(swept(surface, bearing), swept(surface[:, ::-1], 360 - bearing), np.fliplr)


@given(waters, bearings, seeds)
def test_more_land_never_lengthens_a_fetch(water, bearing, seed):
    more = water & (np.random.default_rng(seed).random(water.shape) > 0.1)
    before = swept(encode_surface(water), bearing)
    after = swept(encode_surface(more), bearing)
    assert (after.fetch_m[more] <= before.fetch_m[more]).all()
    assert not (after.at_least & ~before.at_least).any()


@given(waters, bearings, seeds)
def test_taller_never_lowers_the_horizon(water, bearing, seed):
    rng = np.random.default_rng(seed)
    heights = rng.integers(0, 250, water.shape) / 10
    taller = heights + rng.integers(0, 2, water.shape) * 7.0
    before = sweep(encode_surface(water, heights), from_grid_deg=bearing, pixel_m=3.0)
    after = sweep(encode_surface(water, taller), from_grid_deg=bearing, pixel_m=3.0)
    assert (after.horizon_code >= before.horizon_code).all()


@settings(max_examples=40)
@given(waters, bearings, seeds, st.floats(0, 25))
def test_taller_or_denser_trees_never_raise_the_wind(water, bearing, seed, spread):
    never_raised(water, bearing, seed, spread)


def test_nor_do_they_where_land_and_water_lie_mixed():
    rng = np.random.default_rng(5)
    for seed in range(60):
        water = rng.random((12, 12)) < rng.uniform(0.02, 0.6)
        never_raised(water, rng.uniform(0, 360), seed, rng.uniform(0, 25))


def never_raised(water, bearing, seed, spread):
    rng = np.random.default_rng(seed)
    heights = rng.integers(0, 250, water.shape) / 10
    kinds = rng.integers(1, 4, water.shape).astype(np.uint8)  # dense, open or bare trees

    def ratio(height_m, density):
        return wind_over_water(
            water, height_m, density, from_grid_deg=bearing, speed_mps=5.0, pixel_m=3.0,
            spread_deg=spread,
        ).local_ratio[water]  # fmt: skip

    before = ratio(heights, kinds)
    taller = heights + rng.integers(0, 2, water.shape) * 7.0
    denser = np.maximum(kinds - rng.integers(0, 3, water.shape), 1).astype(np.uint8)
    assert (ratio(taller, kinds) <= before + 1e-6).all()
    assert (ratio(heights, denser) <= before + 1e-6).all()


@given(waters, bearings, seeds)
def test_scaling_the_world_scales_fetch_and_keeps_the_horizon(water, bearing, seed):
    rng = np.random.default_rng(seed)
    heights = rng.integers(2, 100, water.shape).astype(float)
    small = sweep(encode_surface(water, heights), from_grid_deg=bearing, pixel_m=50.0)
    large = sweep(encode_surface(water, 2 * heights), from_grid_deg=bearing, pixel_m=100.0)
    assert np.array_equal(small.horizon_code, large.horizon_code)
    wet = small.fetch_m != NO_FETCH
    assert (
        np.abs(large.fetch_m[wet].astype(int) - 2 * small.fetch_m[wet].astype(int)).max(initial=0)
        <= 1
    )


@settings(max_examples=30)
@given(waters, bearings)
def test_the_input_is_left_alone_and_the_answer_is_repeatable(water, bearing):
    surface = encode_surface(water, 5.0)
    copy = surface.copy()
    first, second = swept(surface, bearing), swept(surface, bearing)
    assert np.array_equal(surface, copy)
    same(first, second, lambda a: a)


def test_one_tile_more_changes_nothing_upwind_of_it():
    # Rasters wider and longer than a tile and a strip, against the same one cut smaller.
    rng = np.random.default_rng(9)
    surface = surface_of(rng.random((700, 1300)) > 0.02, 4)
    for bearing in (12.0, 45.0, 80.5):
        whole = swept(surface, bearing)
        # Cut the downwind side away: nothing upwind of the cut may notice.
        part = swept(surface[:333, 561:], bearing)
        same(
            type(whole)(whole.fetch_m[:333, 561:], whole.horizon_code[:, :333, 561:],
                        whole.at_least[:333, 561:]),
            part,
            lambda a: a,
        )  # fmt: skip
