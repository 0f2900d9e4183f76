"""The way birds come in, bent along a bank over water (common practice, no source)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from helpers_terrain import NORTH, WEST, cover_of
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Point

from sitegeo.angles import unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.wind import Wind
from sitegeo.exposure.sweep import encode_surface
from sitegeo.siting.approach import (
    ApproachParams,
    approach_lines,
    approach_offset,
    find_approach,
    find_touchdown,
    score_descent,
)
from sitegeo.units import yd

SIZE = 320
MIDDLE = np.array([WEST + SIZE / 2, NORTH - SIZE / 2])
OUT_M = 14.5
"""From the shore to the pocket's middle, on a bank a yard in front of the guns."""
ROW, COLUMN = np.indices((SIZE, SIZE))
UP, EAST = SIZE / 2 - ROW - 0.5, COLUMN + 0.5 - SIZE / 2
BANK = UP < -OUT_M
"""A straight bank of trees south of the pocket, which lies at the middle; the hide looks north."""


def wooded(land: np.ndarray) -> Raster:
    return cover_of(np.where(land, Cover.TREE, Cover.WATER).astype(np.uint8))


def way_in(land: np.ndarray, from_deg: float, facing: float = 0.0) -> tuple[float, float]:
    """Bend and room of the pocket at the middle for a wind on the grid."""
    found = find_approach(wooded(land), MIDDLE[None], from_deg + 180.0, np.array([facing]))
    return float(found.bend_deg[0]), float(found.water[0])


def test_over_open_water_they_come_straight_upwind() -> None:
    for wind in range(0, 360, 30):
        assert way_in(np.zeros_like(BANK), wind) == (0.0, 1.0)


@pytest.mark.parametrize("wind", [90, 100, 115, 150, 180])
def test_along_and_off_a_straight_bank_nothing_bends_the_way_in(wind: float) -> None:
    assert way_in(BANK, wind) == (0.0, 1.0)


@pytest.mark.parametrize("wind", [60, 65, 70, 75])
def test_a_little_onto_the_bank_they_come_along_it_over_water(wind: float) -> None:
    bend, water = way_in(BANK, wind)
    # The wind from the right: birds from the left, turned clockwise, out over the water.
    assert 0 < bend <= 45
    unbent = ApproachParams(easy_deg=0.0, most_deg=5.0)
    straight = find_approach(wooded(BANK), MIDDLE[None], wind + 180.0, np.zeros(1), params=unbent)
    assert straight.bend_deg[0] == 0
    assert water > max(0.8, float(straight.water[0]) + 0.02)
    (line,) = approach_lines(MIDDLE[None], wind + 180.0, np.array([bend]), length_m=80.0)
    assert (line[:, 1] - MIDDLE[1] > -OUT_M).all()


def test_the_more_it_blows_onto_the_bank_the_less_room_they_have() -> None:
    rooms = [way_in(BANK, wind)[1] for wind in range(90, 0, -5)]
    assert (np.diff(rooms) <= 0.01).all()  # as fine as the lanes are sampled
    assert rooms[0] == 1.0
    assert rooms[-1] < 0.5


def test_a_bank_that_curves_into_the_way_turns_it_out() -> None:
    cove = BANK | ((EAST < -45) & (UP < -10 + 0.6 * (-45 - EAST)))
    bend, water = way_in(cove, 90.0)
    assert bend > 0
    assert water > 0.9
    headland = -OUT_M - np.clip(-EAST, 0, None) > UP  # the bank draws back: nothing is in the way
    assert way_in(headland, 80.0) == (0.0, 1.0)


def test_over_tall_trees_there_is_no_coming_down_and_over_a_low_bank_there_is() -> None:
    cover = wooded(BANK)

    def room(height_m: float, from_deg: float = 0.0) -> float:
        packed = encode_surface(~BANK, np.where(BANK, height_m, 0.0))
        return float(score_descent(Raster(packed, cover.grid), MIDDLE[None], from_deg + 180)[0])

    assert room(2.0) == 1.0
    assert 0 < room(14.0) < 1  # about 44°
    assert room(25.0) == 0.0
    assert room(25.0, from_deg=180.0) == 1.0


def test_water_that_ends_all_round_leaves_no_room_and_no_bend() -> None:
    assert way_in(np.hypot(UP, EAST) > 0, 45.0) == (0.0, 0.0)


@given(wind=st.integers(-180, 180), seed=st.integers(0, 50))
def test_a_mirrored_world_bends_the_other_way(wind: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    land = BANK | (np.hypot(UP - rng.uniform(-60, 60), EAST - rng.uniform(-60, 60)) < 20)
    here, there = way_in(land, wind), way_in(land[:, ::-1], -wind)
    # A spot on a pixel's edge falls to the east of it, in the mirror to the west.
    assert there[1] == pytest.approx(here[1], abs=0.03)
    if abs(here[1] - there[1]) < 1e-9:
        assert abs(there[0] + here[0]) <= 5 or abs(wind) in (0, 180)


@pytest.mark.parametrize("turn", [90, 180, 270])
@pytest.mark.parametrize("wind", [40, 70, 95, 130])
def test_turning_world_and_wind_turns_it(wind: int, turn: int) -> None:
    land = BANK | (np.hypot(UP - 20, EAST + 50) < 18)
    bend, water = way_in(land, wind)
    turned = way_in(np.rot90(land, -turn // 90), wind + turn, facing=turn)
    assert turned[1] == pytest.approx(water, abs=0.03)
    assert turned[0] == pytest.approx(bend, abs=5)


def test_the_line_leaves_downwind_and_ends_along_the_bend() -> None:
    (line,) = approach_lines(MIDDLE[None], 250.0, np.array([30.0]), length_m=60.0)
    steps = np.diff(line, axis=0)
    assert np.hypot(*steps.T) == pytest.approx(1.0)
    assert line[0] == pytest.approx(MIDDLE)
    for step, bearing in ((steps[0], 250.0), (steps[-1], 280.0)):
        assert step == pytest.approx(unit_from_bearing(bearing), abs=1e-6)
    along = (line - MIDDLE) @ unit_from_bearing(250.0)
    right = (line - MIDDLE) @ unit_from_bearing(340.0)
    assert approach_offset(along, 30.0) == pytest.approx(right, abs=1e-6)


def test_birds_that_come_along_tall_trees_still_come_down_in_the_pocket() -> None:
    """Straight downwind lie 25 m trees too near to come down over; along the bank is water."""
    cover = wooded(BANK)
    heights = Raster(np.where(BANK, 25.0, 0.0), cover.grid)
    pocket = Point(MIDDLE).buffer(yd(8))
    wind = Wind(70.0 - cover.grid.convergence_deg, 5.0)
    bend, _ = way_in(BANK, 70.0)

    def likely(bend_deg: float) -> tuple[float, shapely.Geometry]:
        found = find_touchdown(
            cover=cover, canopy_height=heights, pocket=pocket, wind=wind, bend_deg=bend_deg
        )
        area = found.union_all()
        return float(area.intersection(pocket).area), area

    straight, _ = likely(0.0)
    bent, where = likely(bend)
    assert bent > straight
    assert bent > 0.9 * pocket.area
    east, north = np.array(where.centroid.coords[0]) - MIDDLE
    assert east < 0, "short of the pocket, downwind"
    assert abs(north) < yd(4)
