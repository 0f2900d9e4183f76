"""The upwind horizon against single walls and against a search of every pixel of the line."""

from __future__ import annotations

import numpy as np
import pytest

from sitegeo.errors import RasterError
from sitegeo.exposure import sweep as module
from sitegeo.exposure.sweep import HORIZON_STEPS, encode_surface, sweep, water_levels

CODE_ERROR = 0.0157  # half of one of 32 steps to a doubling, at the coarse end of each doubling
UNKNOWN = -32768


def line_by_line(surface, azimuth, pixel_m):
    """Horizon of each class by looking at every pixel upwind: slow, no hull, no tiles."""
    shift, (backward, by_column), step_px = module._shear(azimuth, surface.shape)
    turned = surface.T if by_column else surface
    turned = turned[::-1] if backward else turned
    n, width = turned.shape
    found = np.zeros((4, n, width))

    def pixel(k, column):
        return int(turned[k, column]) if 0 <= column < width else UNKNOWN

    for k in range(n):
        for column in range(width):
            v = pixel(k, column)
            if v >= 0 or v == UNKNOWN:
                continue
            line = column - shift[k]
            for q in range(k, -1, -1):
                own = pixel(q, line + shift[q])
                obstacles = [(own, q)] if q < k and own >= 0 else []
                turn = int(shift[q] - shift[q - 1]) if q else 0
                if turn:
                    sides = [
                        pixel(q - 1, line + shift[q - 1] + turn), pixel(q, line + shift[q] - turn)
                    ]  # fmt: skip
                    # As tall as the lower of the two, as thin as the thinner.
                    gate = min(sides) & ~3 | max(s & 3 for s in sides)
                    hidden = own >= gate and own & 3 == gate & 3
                    if min(sides) >= 0 and not hidden and own != UNKNOWN:
                        obstacles.append((gate, q if own >= 0 else q - 1))
                for z, at in obstacles:
                    height = (z >> 2) - ~v
                    if height >= 10 and at < k:
                        slope = height / 10 / ((k - at) * step_px * pixel_m)
                        found[z & 3, k, column] = max(found[z & 3, k, column], slope)
    found = found[:, ::-1] if backward else found
    return found.transpose(0, 2, 1) if by_column else found


def agrees(swept, exact):
    shown = (exact > 1 / 63) & (exact < 3.7)
    assert shown.any()
    assert np.abs(swept[shown] / exact[shown] - 1).max() < CODE_ERROR
    assert (swept[exact < 1 / 65.1] == 0).all()
    assert (swept[exact >= 3.7] > 3.6).all()


@pytest.mark.parametrize("seed", range(24))
def test_horizon_equals_a_search_of_every_pixel(seed):
    rng = np.random.default_rng(seed)
    shape = rng.integers(3, 60, 2)
    water = rng.random(shape) > rng.choice([0.05, 0.3, 0.7])
    water.flat[0] = False
    heights = rng.integers(0, 300, shape) / 10
    azimuth = float(rng.uniform(0, 360)) if seed % 4 else 45.0 * (seed // 4)
    known = rng.random(shape) > (0.03 if seed % 3 == 2 else -1)
    level = rng.integers(0, 40, shape) / 10 if seed % 3 == 1 else 0.0
    density = rng.integers(0, 4, shape).astype(np.uint8)
    surface = encode_surface(water, heights, density=density, level_m=level, known=known)
    agrees(
        sweep(surface, from_grid_deg=azimuth, pixel_m=7.3, bands=4).horizon,
        line_by_line(surface, azimuth, 7.3),
    )


def test_one_band_is_the_highest_of_the_classes():
    rng = np.random.default_rng(5)
    water = rng.random((300, 280)) > 0.1
    density = rng.integers(0, 4, water.shape).astype(np.uint8)
    surface = encode_surface(water, 15 * rng.random(water.shape), density=density)
    for azimuth in (3.0, 45.0, 101.5):
        apart = sweep(surface, from_grid_deg=azimuth, pixel_m=2.0, bands=4)
        together = sweep(surface, from_grid_deg=azimuth, pixel_m=2.0)
        assert np.array_equal(apart.horizon_code.max(axis=0), together.horizon_code[0])
        assert np.array_equal(apart.fetch_m, together.fetch_m)


@pytest.mark.parametrize("azimuth", [0.0, 15.0, 45.0, 60.0])
def test_wall_across_the_wind_is_height_over_distance(azimuth):
    water = np.ones((260, 1200), bool)
    water[:3] = False
    surface = encode_surface(water, np.where(water, 0.0, 12.0))
    swept = sweep(surface, from_grid_deg=azimuth, pixel_m=2.0)
    for row in (20, 60, 180):
        distance = (row - 2) * 2.0 / np.cos(np.deg2rad(azimuth))
        # The coarseness of the code, and a ray displaced by a pixel along and one sideways.
        error = CODE_ERROR + 2.0 * (1 + np.tan(np.deg2rad(azimuth))) / distance
        assert swept.horizon[0, row, 600] == pytest.approx(12.0 / distance, rel=error)


def test_far_tall_trees_come_out_from_behind_near_low_ones():
    # 10 m at 20 pixels behind 2 m: the low one rules up to 5 pixels out, the tall one beyond.
    water = np.ones((1, 200), bool)
    water[0, :21] = False
    heights = np.zeros((1, 200))
    heights[0, 0], heights[0, 20] = 10, 2
    horizon = sweep(encode_surface(water, heights), from_grid_deg=270, pixel_m=1.0).horizon[0, 0]
    x = np.arange(21, 200)
    agrees(horizon[21:], np.maximum(10 / x, 2 / (x - 20)))


def test_a_deep_hull_is_exact():
    # Heights falling along a hollow curve keep every point on the hull.
    water = np.ones((1, 900), bool)
    water[0, :60] = False
    heights = np.zeros((1, 900))
    heights[0, :60] = 200 * np.exp(-np.arange(60) / 12.0) + 1
    surface = encode_surface(water, heights)
    agrees(
        sweep(surface, from_grid_deg=270, pixel_m=3.0).horizon,
        line_by_line(surface, 270, 3.0).max(axis=0)[None],
    )


def test_obstacles_under_a_metre_are_shore_but_no_horizon():
    water = np.ones((1, 40), bool)
    water[0, :5] = False
    low = sweep(encode_surface(water, np.where(water, 0, 0.9)), from_grid_deg=270, pixel_m=1.0)
    assert (low.horizon_code == 0).all()
    assert low.fetch_m[0, 10] == 6  # 5.5 m, halves to even
    tall = sweep(encode_surface(water, np.where(water, 0, 1.1)), from_grid_deg=270, pixel_m=1.0)
    assert (tall.horizon_code[0, 0, 5:] > 0).all()


def test_each_water_looks_from_its_own_level():
    # A pond 5 m up on a bank, and a lake below it: the same 8 m top, two heights of tree.
    level = np.zeros((1, 60))
    water = np.zeros((1, 60), bool)
    water[0, 5:20], water[0, 25:] = True, True
    level[0, 5:20] = 5.0
    heights = np.full((1, 60), 5.5)
    heights[0, :5] = 8.0
    swept = sweep(
        encode_surface(water, heights, level_m=level), from_grid_deg=270, pixel_m=1.0
    ).horizon[0, 0]
    assert swept[15] == pytest.approx(3.0 / 11, rel=CODE_ERROR)
    assert swept[55] == pytest.approx(max(8 / 51, 5.5 / 31), rel=CODE_ERROR)


def test_water_levels_are_one_a_body_and_bridge_the_voids():
    water = np.zeros((20, 30), bool)
    water[2:8, 2:12], water[2:8, 20:28], water[14:18, 3:9] = True, True, True
    ground = np.full((20, 30), 50.0)
    ground[2:8, 2:12] = 41.0
    ground[3, 3] = 47.0
    ground[2:8, 20:28] = 44.0
    ground[14:18, 3:9] = np.nan
    level = water_levels(water, ground)
    assert np.isnan(level[~water]).all()
    assert set(level[2:8, 2:12].ravel()) == {41.0}
    assert set(level[2:8, 20:28].ravel()) == {44.0}
    assert set(level[14:18, 3:9].ravel()) == {41.0}


def test_codes_are_32_to_a_doubling():
    ratio = HORIZON_STEPS[2:] / HORIZON_STEPS[1:-1]
    assert HORIZON_STEPS[0] == 0
    assert HORIZON_STEPS[1] == pytest.approx(1 / 64)
    assert ratio.min() > 2 ** (1 / 48)
    assert ratio.max() < 2 ** (1 / 21)
    assert HORIZON_STEPS[33] / HORIZON_STEPS[1] == pytest.approx(2)


def test_two_bands_are_the_first_two_of_four():
    rng = np.random.default_rng(6)
    water = rng.random((120, 90)) > 0.1
    density = rng.integers(0, 2, water.shape).astype(np.uint8)
    surface = encode_surface(water, 15 * rng.random(water.shape), density=density)
    two = sweep(surface, from_grid_deg=77.0, pixel_m=2.0, bands=2)
    four = sweep(surface, from_grid_deg=77.0, pixel_m=2.0, bands=4)
    assert np.array_equal(two.horizon_code, four.horizon_code[:2])


def test_heights_levels_and_classes_out_of_range_are_refused():
    water = np.array([[True, False, True]])
    with pytest.raises(RasterError, match="shape"):
        encode_surface(water, np.zeros((2, 2)))
    with pytest.raises(RasterError, match="levels"):
        encode_surface(water, level_m=np.array([[0.0, 0.0, 900.0]]))
    with pytest.raises(RasterError, match="levels"):
        encode_surface(water, level_m=np.array([[0.0, 0.0, np.nan]]))
    with pytest.raises(RasterError, match="class"):
        encode_surface(water, 5.0, density=np.full((1, 3), 4, np.uint8))
    with pytest.raises(RasterError, match="void"):
        water_levels(water, np.full((1, 3), np.nan))
