"""What must beat what, all else equal: the order of preference a hunter acts on.

Each pair is common practice, no source, unless marked judgement. The worlds are drawn so that the
two hides, or the two winds at one hide, differ in the one thing named. No number is asserted, only
which of two is preferred, by more than `APART`.
"""

from __future__ import annotations

from functools import cache

import geopandas as gpd
import numpy as np
import pytest
import shapely
from helpers_drawn import (
    CALM,
    EAST,
    NORTHING,
    SIZE,
    World,
    bank,
    clump,
    headland,
    score,
    timber,
    wind_at,
)
from helpers_terrain import NORTH, WEST, ground

from sitegeo.core.contracts import Cover
from sitegeo.siting.score import ScoreParams
from sitegeo.units import yd

APART = 0.004
"""Two scores nearer than this are not told apart."""

TALL_M = (8.0, 20.0)
MPH = (6, 12, 20)
HANDS = (1, -1)


@cache
def wooded(tree_m: float) -> World:
    return bank(Cover.TREE, tree_m)


@cache
def worth(tree_m: float, theta_deg: float, mph: int, hand: int) -> float:
    """The score of a bank of trees, or of low cover where they are 0 m tall."""
    world = wooded(tree_m) if tree_m else bank(Cover.LOW)
    return float(score(world, wind_at(theta_deg, mph, hand=hand))["score"])


def beats(better: float, worse: float) -> bool:
    return better > worse + APART


each_bank = pytest.mark.parametrize("tree_m", TALL_M)
each_wind = pytest.mark.parametrize("mph", MPH)
each_hand = pytest.mark.parametrize("hand", HANDS)


# 1. Tall trees: a little onto the bank, then along it, then a little off, then straight off.


@each_bank
@each_wind
@each_hand
def test_wind_in_the_cheek_beats_along_beats_a_little_off_beats_off(tree_m, mph, hand) -> None:
    cheek = min(worth(tree_m, theta, mph, hand) for theta in (65.0, 75.0))
    along = worth(tree_m, 90.0, mph, hand)
    a_little_off = worth(tree_m, 110.0, mph, hand)
    assert beats(cheek, along)
    assert beats(along, a_little_off)
    assert beats(a_little_off, worth(tree_m, 180.0, mph, hand))


# 2. Straight onto the bank works, and wants cover overhead.


@each_bank
@each_wind
def test_straight_onto_the_bank_lies_between_the_best_and_straight_off_trees(tree_m, mph) -> None:
    onto = worth(tree_m, 0.0, mph, 1)
    assert beats(onto, worth(tree_m, 180.0, mph, 1))
    assert beats(worth(tree_m, 75.0, mph, 1), onto)


@each_wind
def test_with_birds_over_the_hide_cover_overhead_counts(mph) -> None:
    roofed, bare = bank(Cover.TREE, 4.0), bank(Cover.LOW, 4.0)
    onto, across = wind_at(0.0, mph), wind_at(85.0, mph)
    overhead = {
        name: score(world, wind)["c_overhead"]
        for name, world, wind in (
            ("roofed", roofed, onto),
            ("bare", bare, onto),
            ("bare across", bare, across),
        )
    }
    assert beats(overhead["roofed"], overhead["bare"])
    assert beats(overhead["bare across"], overhead["bare"])


# 3. Low cover behind: along and across best, and wind from behind loses much less.


@each_wind
@each_hand
def test_over_low_cover_wind_from_behind_loses_little(mph, hand) -> None:
    along = worth(0.0, 85.0, mph, hand)
    assert beats(along, worth(0.0, 180.0, mph, hand))
    assert beats(along, worth(0.0, 0.0, mph, hand))
    lost = 1 - worth(0.0, 180.0, mph, hand) / along
    for tree_m in TALL_M:
        by_trees = 1 - worth(tree_m, 180.0, mph, hand) / worth(tree_m, 85.0, mph, hand)
        assert lost < 0.6 * by_trees


# 4. A point: over one shoulder beats in the face and straight from behind.


@each_wind
@each_hand
@pytest.mark.parametrize("land", [Cover.LOW, Cover.TREE])
def test_on_a_point_wind_over_one_shoulder_is_best(mph, hand, land) -> None:
    world = headland(land, 8.0 if land == Cover.TREE else 0.0)
    shoulder, face, behind = (
        float(score(world, wind_at(theta, mph, hand=hand), kind="point")["score"])
        for theta in (115.0, 0.0, 180.0)
    )
    assert beats(shoulder, face)
    assert beats(shoulder, behind)


# 5. In the open and on clumps: across beats from behind, and both can be hunted.


@each_wind
@each_hand
@pytest.mark.parametrize("kind", ["cover clump", "open flat"])
def test_in_the_open_a_crosswind_beats_wind_from_behind(mph, hand, kind) -> None:
    across, behind = (
        score(clump(), wind_at(theta, mph, hand=hand), kind=kind) for theta in (85.0, 180.0)
    )
    assert beats(across["score"], behind["score"])
    assert behind["c_spread"] > 0


# 6. Ripple on pocket and near decoys beats a calm pocket.


def beside(world: World, to_windward: Cover, tall_m: float, *, hand: int) -> World:
    """A belt of one class across the water to windward of the pocket, from 35 m on."""
    belt = (hand * EAST > 35) & (hand * EAST < 60) & (NORTHING > 0) & (NORTHING < 80)
    classes = np.where(belt, int(to_windward), world.classes)
    return World(classes, np.where(belt, tall_m, world.heights_m))


@pytest.mark.parametrize("mph", [6, 12])  # at 20 mph the lee of such a belt still ripples
@each_hand
def test_ripple_beats_a_calm_pocket(mph, hand) -> None:
    wind = wind_at(90.0, mph, hand=hand)
    calm = score(beside(bank(Cover.LOW), Cover.TREE, 15.0, hand=hand), wind)
    alive = score(beside(bank(Cover.LOW), Cover.LOW, 0.0, hand=hand), wind)
    assert calm["local_wind_mps"] < alive["local_wind_mps"]
    assert calm["local_wind_mps"] < ScoreParams().full_ripple_mps
    assert beats(alive["score"], calm["score"])


# 7. Open water on the way in beats trees on it.


@each_wind
@each_hand
def test_open_water_on_the_way_in_beats_trees_there(mph, hand) -> None:
    wind = wind_at(85.0, mph, hand=hand)
    shut = score(beside(bank(Cover.LOW), Cover.TREE, 15.0, hand=-hand), wind)
    clear = score(bank(Cover.LOW), wind)
    assert beats(clear["c_room"], shut["c_room"])
    assert beats(clear["score"], shut["score"])


# 8. Timber.


@each_wind
def test_an_opening_shot_across_beats_a_wider_one(mph) -> None:
    narrow, wide = (
        float(
            score(timber(yd(w), long_m=38.0), wind_at(150.0, mph), kind="timber opening")["score"]
        )
        for w in (24, 60)
    )
    assert beats(narrow, wide)


@each_hand
def test_timber_hangs_little_on_the_wind_and_wants_the_upwind_end(hand) -> None:
    world = timber(yd(24), long_m=34.0)
    rows = {
        (theta, mph): score(world, wind_at(theta, mph, hand=hand), kind="timber opening")
        for theta in (0.0, 90.0, 165.0)
        for mph in MPH
    }
    for mph in MPH:
        assert beats(rows[165.0, mph]["score"], rows[90.0, mph]["score"])
        assert rows[0.0, mph]["c_spread"] == 0  # the downwind end: no spread can be laid
    upwind = [rows[165.0, mph]["score"] for mph in MPH]
    assert np.ptp(upwind) < APART


# 9. Cover.


@each_wind
@pytest.mark.parametrize("theta", [0.0, 75.0, 180.0])
def test_of_two_hides_alike_the_one_with_cover_wins(mph, theta) -> None:
    wind = wind_at(theta, mph)
    assert beats(score(bank(Cover.LOW), wind)["score"], score(bank(Cover.OPEN), wind)["score"])


# 10. Shot.


def point_at(east_m: float, north_m: float) -> shapely.Point:
    return shapely.Point(WEST + SIZE / 2 + east_m, NORTH - SIZE / 2 + north_m)


def houses(*spots: tuple[float, float]) -> gpd.GeoDataFrame:
    crs = ground(2, 2).crs
    shapes = [point_at(*spot).buffer(6) for spot in spots]
    return gpd.GeoDataFrame({"kind": ["house"] * len(spots)}, geometry=shapes, crs=crs)


def roads() -> gpd.GeoDataFrame:
    far = shapely.LineString([point_at(-5000, -5000), point_at(5000, -5000)])
    rows = {"class": ["track"], "width_m": [4.0], "surface": ["gravel"]}
    return gpd.GeoDataFrame(rows, geometry=[far], crs=ground(2, 2).crs)


@each_wind
def test_a_free_front_beats_one_with_arcs_of_no_fire(mph) -> None:
    wind = wind_at(85.0, mph)
    free = bank(Cover.LOW).with_layers(dwellings=houses((0, -5000)), roads=roads())
    ahead = [(200 * np.sin(a), 200 * np.cos(a)) for a in np.radians([25, 40, 55])]
    partly = bank(Cover.LOW).with_layers(dwellings=houses(*ahead), roads=roads())
    assert beats(score(free, wind)["score"], score(partly, wind)["score"])


def test_a_hide_whose_front_is_shut_is_not_proposed() -> None:
    ring = [(200 * np.sin(a), 200 * np.cos(a)) for a in np.radians(np.arange(-100, 101, 8))]
    shut = bank(Cover.LOW).with_layers(dwellings=houses(*ring), roads=roads())
    found = score(shut, wind_at(85.0, 12))
    assert found["rejected_by"] is not None


# 11. Access (judgement).


def ramp(east_m: float, north_m: float) -> gpd.GeoDataFrame:
    place = point_at(east_m, north_m)
    return gpd.GeoDataFrame(
        {"kind": ["ramp"], "name": ["Ramp"]}, geometry=[place], crs=ground(2, 2).crs
    )


def test_of_two_alike_the_nearer_way_in_wins_and_one_that_needs_no_boat() -> None:
    wind = wind_at(85.0, 12)
    near = bank(Cover.LOW).with_layers(access=ramp(0, -60))
    far = score(near, wind, site={"way_min": 30.0})
    assert beats(score(near, wind)["score"], far["score"])
    shore = np.where(NORTHING < -150, int(Cover.LOW), clump().classes)
    causeway = np.where((np.abs(EAST) < 3) & (NORTHING < -8), int(Cover.LOW), shore)
    dry = np.zeros(shore.shape)
    by_boat, on_foot = (
        score(World(c, dry).with_layers(access=ramp(0, -170)), wind, kind="cover clump")
        for c in (shore, causeway)
    )
    assert np.isnan(by_boat["walk_m"])
    assert np.isfinite(on_foot["walk_m"])
    assert beats(on_foot["c_access"], by_boat["c_access"])
    assert on_foot["score"] > by_boat["score"]


@each_bank
@each_wind
def test_a_better_wind_outweighs_half_an_hours_walk(tree_m, mph) -> None:
    near = wooded(tree_m).with_layers(access=ramp(0, -60))
    far = score(near, wind_at(75.0, mph), site={"way_min": 35.0})
    assert beats(far["score"], score(near, wind_at(180.0, mph))["score"])


# 12. Calm air.


def test_in_calm_air_timber_beats_open_water_and_no_direction_is_claimed() -> None:
    opening = score(timber(yd(24), long_m=34.0), CALM, kind="timber opening")
    others = [
        score(bank(Cover.TREE, 15.0), CALM),
        score(clump(), CALM, kind="cover clump"),
        score(clump(), CALM, kind="open flat"),
    ]
    for other in others:
        assert beats(opening["score"], other["score"])
        assert other["wind_side"] == "calm"
    assert opening["wind_side"] == "calm"
