"""What each component of a blind's score says, on grounds drawn for it.

How much each is worth is judgement; which way it goes is common practice, no source.
"""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import geopandas as gpd
import numpy as np
import pytest
import shapely
from astral import Observer
from astral.sun import azimuth
from helpers_terrain import NORTH, WEST, cover_of, ground
from hypothesis import given
from hypothesis import strategies as st

from sitegeo.angles import unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.wind import Wind
from sitegeo.law.shot_range import read_load
from sitegeo.siting.access import access_minutes, find_walks, make_terrain, paddle_distances
from sitegeo.siting.candidates import find_better_at_same_place
from sitegeo.siting.concealment import overhead_score, party_score, rate_concealment
from sitegeo.siting.curves import (
    UNKNOWN_SCORE,
    access_score,
    drift_score,
    feeding_score,
    glare_score,
    setback_margin_score,
    spread_score,
    wading_score,
)
from sitegeo.siting.observations import ObservationScores, score_observations
from sitegeo.siting.retrieval import DriftParams, find_drift
from sitegeo.siting.score import RAISES, combine_components, component_weights
from sitegeo.siting.shooting_front import rate_front
from sitegeo.siting.spread_room import spread_water_shares
from sitegeo.siting.sun import birds_sun_score, shooters_sun_score, sun_path

SIZE = 200
CONVERGENCE = ground(SIZE, SIZE).convergence_deg


def half_lake(land: Cover) -> Raster:
    """Water on the north half of a place, one class on the south half."""
    classes = np.full((SIZE, SIZE), int(land), np.uint8)
    classes[: SIZE // 2] = Cover.WATER
    return cover_of(classes)


def spot(east: float, north: float) -> np.ndarray:
    """A point at metres from the middle of the place."""
    return np.array([[WEST + SIZE / 2 + east, NORTH - SIZE / 2 + north]])


FACING_NORTH = np.array([0.0])
ON_BANK = spot(0, -4)
LAND_ALONE = np.array([False])


# Scores


@given(st.data())
def test_the_score_rises_with_each_component(data: st.DataObject) -> None:
    shares = st.floats(0, 1)
    parts = {name: np.array([data.draw(shares)]) for name in component_weights()}
    name = data.draw(st.sampled_from(sorted(parts)))
    more = {**parts, name: np.minimum(parts[name] + data.draw(shares), 1.0)}
    low, high = float(combine_components(parts)[0]), float(combine_components(more)[0])
    assert 0 <= low <= high + 1e-12
    assert high <= 1


@given(st.lists(st.floats(0.05, 1), min_size=3, max_size=3), st.floats(0, 1))
def test_what_was_seen_raises_and_what_was_not_lowers_nothing(shares, worth) -> None:
    parts = dict(zip(("wind", "room", "hide"), map(np.array, ([s] for s in shares)), strict=True))
    without = combine_components(parts)
    assert combine_components({**parts, "observed": np.zeros(1)}) == pytest.approx(without)
    assert combine_components({**parts, "observed": np.array([worth])}) >= without - 1e-12


def test_every_component_has_a_weight() -> None:
    assert all(value > 0 for value in component_weights().values())
    assert set(RAISES) <= set(component_weights())


@pytest.mark.parametrize(
    ("curve", "lo", "hi"),
    [
        (lambda x: wading_score(x, 0.9), 0.0, 2.0),
        (lambda x: feeding_score(x + 0.1), 0.0, 2.0),
        (lambda x: access_score(x, known=np.ones(x.shape, bool)), 0.0, 90.0),
        (lambda x: drift_score(x, np.full(x.shape, "public", object)), 0.0, 600.0),
        (lambda x: setback_margin_score(-x), -200.0, 0.0),
        (lambda x: glare_score(-x, np.full(x.shape, 5.0)), -90.0, 0.0),
        (lambda x: spread_score(1 - x, np.ones(x.shape)), 0.0, 1.0),
        (lambda x: spread_score(np.ones(x.shape), 1 - x), 0.0, 1.0),
    ],
)
def test_curves_fall_as_things_get_worse(curve, lo: float, hi: float) -> None:
    values = curve(np.linspace(lo, hi, 101))
    assert (np.diff(values) <= 1e-12).all()
    assert values[0] > values[-1]
    assert ((values >= 0) & (values <= 1)).all()


def test_what_is_not_known_is_worth_the_same_everywhere() -> None:
    nan = np.array([np.nan])
    assert wading_score(nan, 0.9) == feeding_score(nan) == UNKNOWN_SCORE
    assert access_score(np.array([np.inf]), known=np.array([False])) == UNKNOWN_SCORE
    assert (
        access_score(np.array([np.inf]), known=np.array([True])) < UNKNOWN_SCORE
    )  # looked for, not found


# Hiding


def test_trees_hide_on_all_sides_and_water_does_not() -> None:
    wooded = rate_concealment(half_lake(Cover.TREE), ON_BANK, FACING_NORTH, alone=LAND_ALONE)
    assert (wooded.beside[0], wooded.behind[0]) == (1.0, 1.0)
    assert wooded.overhead[0] > 0.8
    bare = rate_concealment(half_lake(Cover.OPEN), ON_BANK, FACING_NORTH, alone=LAND_ALONE)
    assert bare.beside[0] < 0.2
    seaward = rate_concealment(half_lake(Cover.TREE), ON_BANK, FACING_NORTH + 180, alone=LAND_ALONE)
    assert seaward.behind[0] < 0.6  # the backdrop is the lake


@pytest.mark.parametrize("land", [Cover.TREE, Cover.LOW])
def test_leaves_off_hide_less_by_cover(land: Cover) -> None:
    cover = half_lake(land)
    summer, winter = (
        rate_concealment(cover, ON_BANK, FACING_NORTH, alone=LAND_ALONE, leaf_off=off)
        for off in (False, True)
    )
    assert winter.beside[0] < summer.beside[0]
    assert winter.behind[0] < summer.behind[0]
    assert winter.overhead[0] < summer.overhead[0]
    untold = rate_concealment(cover, ON_BANK, FACING_NORTH, alone=LAND_ALONE)
    assert untold.beside == summer.beside  # without a date, as on the photo


def test_overhead_counts_most_where_birds_come_over() -> None:
    none, timber, still = np.zeros(1), np.array([False]), np.array([False])
    onto, along = (
        overhead_score(none, np.array([t]), timber=timber, still=still) for t in (0.0, 90.0)
    )
    among_trees = overhead_score(none, np.array([90.0]), timber=~timber, still=still)
    assert onto < among_trees < along


def test_a_party_needs_cover_along_the_bank() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.OPEN), np.uint8)
    classes[: SIZE // 2] = Cover.WATER
    classes[SIZE // 2 :, SIZE // 2 - 4 : SIZE // 2 + 4] = Cover.LOW  # eight metres of reeds
    cover = cover_of(classes)
    found = [party_score(cover, ON_BANK, FACING_NORTH, party=n)[0] for n in (1, 2, 3, 5)]
    assert found[:3] == [1.0, 1.0, 1.0]
    assert found[3] == pytest.approx(3 / 5)
    deep = Raster(np.full((SIZE, SIZE), 2.0), cover.grid)
    none = party_score(cover, ON_BANK, FACING_NORTH, party=2, depth=deep, wade_m=0.9)
    assert none[0] == 0.0


# Sun


def test_the_suns_path_is_the_almanacs() -> None:
    """astral's own figures, by the hour, at 44° N 91° W."""
    when = datetime(2026, 12, 5, 8, tzinfo=ZoneInfo("America/Chicago"))
    azimuths, altitudes = sun_path(-91.0, 44.0, when)
    assert azimuths[0] == pytest.approx(azimuth(Observer(44.0, -91.0), when))
    assert (np.diff(altitudes) > 0).all()
    assert azimuths[0] < azimuths[-1]


def test_low_sun_in_the_eyes_and_none_before_it_is_up() -> None:
    facing = np.array([130.0, 180.0, 310.0])
    low = shooters_sun_score(facing, np.array([130.0]), np.array([5.0]))
    assert low[0] < 0.4 < low[1] + 1e-9 <= low[2] == 1.0
    for altitude in (-5.0, 40.0):
        free = shooters_sun_score(facing, np.array([130.0]), np.array([altitude]))
        np.testing.assert_allclose(free, 1.0)


def test_birds_that_fly_into_the_sun_see_less() -> None:
    sun = np.array([130.0]), np.array([5.0])
    away, claimed = np.array([310.0]), np.array([True])
    into = birds_sun_score(away, np.array([130.0]), *sun, claimed=claimed)
    across = birds_sun_score(away, np.array([40.0]), *sun, claimed=claimed)
    lit = birds_sun_score(np.array([130.0]), np.array([40.0]), *sun, claimed=claimed)
    assert into > across > lit
    assert birds_sun_score(away, np.array([130.0]), *sun, claimed=~claimed) == across


# Falling birds


def test_birds_drift_downwind_to_the_far_bank() -> None:
    cover = half_lake(Cover.OPEN)
    out = find_drift(cover, ON_BANK, FACING_NORTH, from_grid_deg=0.0)
    assert out.distance_m[0] < 40  # back onto the bank of the hide
    narrow = np.full((SIZE, SIZE), int(Cover.OPEN), np.uint8)
    narrow[:100, 60:140] = Cover.WATER
    along = find_drift(cover_of(narrow), ON_BANK, FACING_NORTH, from_grid_deg=270.0)
    assert along.distance_m[0] == pytest.approx(40, abs=6)
    calm = find_drift(cover, ON_BANK, FACING_NORTH, from_grid_deg=None)
    assert calm.distance_m[0] == 0
    assert (out.distance_m <= DriftParams().most_m).all()


def test_whose_ground_they_drift_to() -> None:
    classes = np.full((SIZE, SIZE), int(Cover.OPEN), np.uint8)
    classes[:100, 60:140] = Cover.WATER
    west = shapely.box(WEST - 500, NORTH - 500, WEST + 110, NORTH + 500)
    public = gpd.GeoDataFrame(
        {"name": ["a"], "manager": [None], "hunting": ["open"]},
        geometry=[west],
        crs=cover_of(classes).grid.crs,
    )
    for bearing, ground_there in ((90.0, "public"), (270.0, "private")):
        found = find_drift(
            cover_of(classes),
            ON_BANK,
            FACING_NORTH,
            from_grid_deg=bearing,
            public_land=public,
            error_m=3.0,
            complete=True,
        )
        assert found.ground.tolist() == [ground_there]
    near, far = (drift_score(np.array([60.0]), np.array([g])) for g in ("public", "private"))
    assert near > far


# Birds seen


def sightings(*rows: tuple[shapely.Geometry, str | None, float]) -> gpd.GeoDataFrame:
    """An `observations` layer."""
    shapes, days, counts = zip(*rows, strict=True)
    table = {"date": np.array(days, dtype=object), "count": np.array(counts, float)}
    return gpd.GeoDataFrame(table, geometry=list(shapes), crs="EPSG:32617")


POCKETS = np.array([[0.0, 0.0], [1000.0, 0.0]])
WAYS_IN = POCKETS[:, None] + np.array([[0.0, 0.0], [200.0, 0.0]])
TODAY = date(2026, 12, 5)


def over(seen: gpd.GeoDataFrame, on: date | None = TODAY) -> ObservationScores:
    return score_observations(seen, POCKETS, WAYS_IN, on=on)


def test_a_flight_line_over_the_way_in_counts_for_that_blind_alone() -> None:
    line = shapely.LineString([(100, -300), (100, 300)])
    found = over(sightings((line, "2026-12-04", 40)))
    assert found.score[0] > 0.5
    assert found.score[1] == 0
    assert found.words.tolist() == ["40 birds seen here on 2026-12-04", None]
    calm = score_observations(sightings((line, "2026-12-04", 40)), POCKETS, None, on=TODAY)
    assert calm.score[0] < found.score[0]  # no way in is claimed, and the pocket lies 100 m off


def test_more_later_and_nearer_counts_more() -> None:
    def worth(off: float, day: str | None, number: float, on: date | None = TODAY) -> float:
        at = shapely.Point(0, off)
        return float(over(sightings((at, day, number)), on).score[0])

    best = worth(10, "2026-12-04", 60)
    assert best > worth(10, "2026-12-04", 10) > 0
    assert best > worth(10, "2026-11-10", 60) > 0
    assert best > worth(90, "2026-12-04", 60) > 0
    assert worth(200, "2026-12-04", 60) == 0
    assert worth(10, "2025-12-01", 60) > worth(10, "2026-07-01", 60)  # the season comes round
    assert worth(10, "2026-12-24", 60) == 0  # not seen yet
    assert best > worth(10, None, 60) > 0
    assert worth(10, "2020-01-01", 60, on=None) > 0.5  # without a date the latest is today


def test_two_sightings_add_up_as_chances() -> None:
    at = shapely.Point(0, 0)
    one = over(sightings((at, "2026-12-05", 20))).score[0]
    both = sightings((at, "2026-12-05", 20), (at, "2026-12-05", 20))
    assert over(both).score[0] == pytest.approx(1 - (1 - one) ** 2)


# Fire, spread, places


GRID = ground(SIZE, SIZE)
AHEAD_M = 300.0


def mapped(bearing_grid: float, away_m: float = AHEAD_M) -> gpd.GeoDataFrame:
    """A house seen from the blind on the bank."""
    way = away_m * np.array(unit_from_bearing(bearing_grid))
    return gpd.GeoDataFrame(geometry=[shapely.Point(*(ON_BANK[0] + way))], crs=GRID.crs)


NONE = mapped(0).iloc[:0]
CALM = Wind(0.0, 0.0)


def front(roads, dwellings, *, access=None):
    """The front of a blind on the bank that looks to grid north."""
    return rate_front(
        ON_BANK,
        np.array([CONVERGENCE]),
        grid=GRID,
        load=read_load("steel 2"),
        error_m=5.0,
        layers={"dwellings": dwellings, "roads": roads},
        access=access,
    )


def closed(dwellings, *, wind=CALM, access=None) -> bool:
    """Whether no shot may be fired over its pocket."""
    return bool(front(NONE, dwellings, access=access).pocket_closed(wind)[0])


def test_a_house_in_front_closes_that_direction_and_missing_is_not_clear() -> None:
    assert front(NONE, NONE).score == 1.0
    assert closed(mapped(0))
    assert not closed(mapped(50))
    ahead, aside = (front(NONE, mapped(bearing)).score[0] for bearing in (0, 50))
    assert ahead < 0.5 < aside < 1.0
    assert front(None, NONE).score == UNKNOWN_SCORE
    assert front(None, mapped(0)).score == ahead
    assert front(NONE, mapped(180)).score == 1.0


def test_a_gust_from_behind_carries_the_load_to_what_lies_farther_off() -> None:
    house = mapped(0, read_load("steel 2").range_m + 30)
    assert not closed(house)
    behind, ahead = (Wind(d + CONVERGENCE, 5.0, 8.0) for d in (180.0, 0.0))
    assert closed(house, wind=behind)
    assert not closed(house, wind=ahead)
    assert front(NONE, house).score < 1  # told by a usual gust, in every wind alike


def test_nobody_fires_along_their_own_way_in() -> None:
    ramp = mapped(0, 2000)  # beyond what the load carries, but people walk from there
    assert closed(NONE, access=ramp)
    assert front(NONE, NONE, access=mapped(180)).score == 1.0


def test_a_spread_is_whole_on_open_water_and_none_on_land() -> None:
    layouts = np.array(["bank-along"], dtype=object)
    pocket, body = spread_water_shares(
        half_lake(Cover.OPEN), ON_BANK, FACING_NORTH, np.array([80.0]), layouts, decoys=36
    )
    assert pocket[0] == 1.0
    assert body[0] > 0.9
    dry = spread_water_shares(
        half_lake(Cover.OPEN), ON_BANK, FACING_NORTH + 180, np.array([80.0]), layouts, decoys=36
    )
    assert dry[0][0] < 0.1
    assert spread_score(*dry)[0] == 0.0


def test_a_stack_wants_trees_known_to_stand_in_water() -> None:
    """A pond in a dry wood is no flooded timber; where no depth tells, that is half known."""
    cover = half_lake(Cover.TREE)
    at, away = ON_BANK + [0.0, 20.0], FACING_NORTH + 180.0
    layouts = np.array(["timber"], dtype=object)

    def body(depth: Raster | None, ground: Raster = cover) -> float:
        wind_behind = np.array([180.0])
        given = (ground, at, away, wind_behind, layouts)
        return spread_water_shares(*given, decoys=24, depth=depth)[1][0]

    def water(metres: float) -> Raster:
        return Raster(np.full(cover.grid.shape, metres, np.float32), cover.grid, None)

    assert body(water(0.5)) == 1.0
    assert body(water(0.0)) == 0.0
    assert body(None) == body(water(np.nan)) == UNKNOWN_SCORE
    assert body(None, half_lake(Cover.OPEN)) == 0.0  # a bare bank downwind is no timber


def test_one_best_blind_a_place() -> None:
    """An opening or a clump is one place; on a bank, spots within 60 m."""
    blinds = gpd.GeoDataFrame(
        {
            "id": ["H1a", "H1b", "T1a", "T1b", "T1c", "T2a"],
            "position_id": ["H1", "H1", "T1", "T1", "T1", "T2"],
            "kind": ["timber opening"] * 2 + ["tree line"] * 4,
            "score": [0.7, 0.9, 0.8, 0.6, 0.5, 0.4],
        },
        geometry=[shapely.Point(x, 0) for x in (0, 90, 0, 50, 100, 10)],
        crs="EPSG:32617",
    )
    assert find_better_at_same_place(blinds) == ["H1b", None, None, "T1a", None, None]


# The way in


def marsh() -> tuple[Raster, Raster]:
    """Land to the west and east of a channel 30 m wide, deep but for a ford in the north."""
    classes = np.full((SIZE, SIZE), int(Cover.OPEN), np.uint8)
    classes[:, 85:115] = Cover.WATER
    depth = np.where(classes == Cover.WATER, 2.0, np.nan)
    depth[20:40, 85:115] = 0.5
    cover = cover_of(classes)
    return cover, Raster(depth, cover.grid, np.isfinite(depth))


def test_on_foot_people_go_round_by_the_ford() -> None:
    cover, depth = marsh()
    start, end = spot(-50, -50), spot(50, -50)
    found = find_walks(make_terrain(cover, depth, wade_m=0.9), start, end)
    straight = 2 * np.hypot(50, 112)
    assert straight * 0.95 < found.walk_m[0] < straight * 1.3
    assert found.wading_m[0] == pytest.approx(30, abs=12)
    none = find_walks(make_terrain(cover, depth, wade_m=0.4), start, end)
    assert np.isinf(none.walk_m[0])
    unknown = find_walks(make_terrain(cover, None, wade_m=0.9), start, end)
    assert np.isinf(unknown.walk_m[0])  # water of unknown depth is not walked through


def test_a_road_bars_the_way_only_where_asked() -> None:
    cover = half_lake(Cover.OPEN)
    road = gpd.GeoDataFrame(
        geometry=[shapely.LineString([spot(0, -100)[0], spot(0, 2)[0]])], crs=cover.grid.crs
    )
    start, end = spot(-50, -50), spot(50, -50)
    assert np.isfinite(find_walks(make_terrain(cover, None, wade_m=0.9), start, end).walk_m[0])
    barred = make_terrain(cover, None, wade_m=0.9, roads=road)
    assert np.isinf(find_walks(barred, start, end).walk_m[0])


def test_by_boat_over_the_water_and_no_farther() -> None:
    cover, depth = marsh()
    ground_there = make_terrain(cover, depth, wade_m=0.4)
    ends = np.concatenate([spot(17, 60), spot(90, 60)])
    found = paddle_distances(ground_there, spot(-40, -50), ends)
    assert found[0] == pytest.approx(115, rel=0.15)
    assert np.isinf(found[1])
    assert access_minutes(np.array([np.inf]), found[:1])[0] < 15
