"""The bundled place under every wind: plans that a hunter could set, or a reason why not.

Pocket 15 to 20 yd from the guns, mass upwind of it: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import sitegeo
from sitegeo.angles import unit_from_bearing
from sitegeo.plans.features import spread_features
from sitegeo.rankings.ranking import without_room
from sitegeo.rankings.spread_site import lay_spread, spread_site
from sitegeo.rankings.turning_wind import PlaceInWind, rank_all_round
from sitegeo.spreads.decoys import Gear
from sitegeo.spreads.result import Spread
from sitegeo.surveys.morning import gear_carried
from sitegeo.units import to_yd

MPS = {12: 5.36, 20: 8.94}
"""Miles an hour to metres a second."""


@dataclass(frozen=True)
class Morning:
    """What is planned for one wind."""

    mph: int
    deg: float
    blind: pd.Series
    spread: Spread
    features: gpd.GeoDataFrame


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> sitegeo.Survey:
    return sitegeo.Survey.open(demo_survey)


@pytest.fixture(scope="module")
def turned(survey: sitegeo.Survey) -> tuple[PlaceInWind, ...]:
    """Blinds in order for 36 winds: those of `rank`, as the tests of the turning map hold."""
    return rank_all_round(survey, sitegeo.rank(survey, sitegeo.Wind(0.0, MPS[12]), spreads_tried=0))


@pytest.fixture(scope="module")
def mornings(survey: sitegeo.Survey, turned: tuple[PlaceInWind, ...]) -> list[Morning]:
    """Whole plans for some winds, and for every wind the best of three blinds that fits."""
    found = []
    for deg in range(0, 360, 45):
        plan = sitegeo.plan(survey, sitegeo.Wind(float(deg), MPS[20]))
        found.append(Morning(20, deg, plan.blind, plan.spread, plan.features))
    for one in turned:
        laid = [(row, spread_on(survey, row)) for row in best_of(one, 3)]
        row, spread = next((pair for pair in laid if not pair[1].refused), laid[0])
        features = spread_features(survey, [(row, spread)], when=None)[0]
        found.append(Morning(12, one.wind.from_deg, row, spread, features))
    return found


def best_of(one: PlaceInWind, count: int) -> Iterator[pd.Series]:
    places = one.blinds[one.blinds["same_place_as"].isna()].head(count)
    return (row for _, row in places.iterrows())


def spread_on(survey: sitegeo.Survey, row: pd.Series) -> Spread:
    return lay_spread(survey, row, spread_site(survey, row, gear_carried(survey)))


@pytest.fixture(scope="module")
def settable(mornings: list[Morning]) -> list[Morning]:
    return [m for m in mornings if not m.spread.refused]


def test_at_most_four_of_36_are_refused_and_each_says_why(mornings) -> None:
    refused = [m for m in mornings if m.spread.refused]
    assert sum(m.mph == 12 for m in mornings) == 36
    assert sum(m.mph == 12 for m in refused) <= 4
    assert all(len(m.spread.refused) > 20 for m in refused)


def test_pocket_is_in_water_and_in_range(survey, settable) -> None:
    water = shapely.union_all(survey.layers["water"].geometry.to_numpy()).buffer(0.5)
    for m in settable:
        pocket = m.features[m.features["role"] == "pocket"].iloc[0]
        assert 15 <= pocket["range_yd"] <= 20, (m.mph, m.deg)
        assert water.contains(m.spread.pocket), (m.mph, m.deg)


def test_mass_lies_upwind_of_the_pocket(survey, settable) -> None:
    """Or to both hands of it where the wind is from behind; in timber downwind."""
    for m in settable:
        east, north = unit_from_bearing(survey.grid.to_grid_bearing(m.deg))
        pocket = m.spread.pocket.centroid
        mass = next(g for g in m.spread.groups if g.name == "mass").polygon.centroid
        ahead = (mass.x - pocket.x) * east + (mass.y - pocket.y) * north
        assert (ahead < 0) == (m.spread.layout == "timber"), (m.mph, m.deg)


def test_birds_come_to_the_pocket_from_downwind_and_bend_only_over_water(survey, settable) -> None:
    water = shapely.union_all(survey.layers["water"].geometry.to_numpy())
    for m in settable:
        (way,) = m.features[m.features["role"] == "approach"].geometry
        upwind = np.array(unit_from_bearing(survey.grid.to_grid_bearing(m.deg)))
        flown = np.diff(shapely.get_coordinates(way)[[0, -1]], axis=0)[0]
        assert flown @ upwind > 0.5 * np.hypot(*flown), (m.mph, m.deg)
        assert m.spread.pocket.distance(shapely.Point(way.coords[-1])) < 1.5, (m.mph, m.deg)
        if m.blind["bend_deg"]:
            assert way.intersection(water).length > 0.75 * way.length, (m.mph, m.deg)


def test_decoys_float_clear_of_guns_and_pocket(settable) -> None:
    for m in settable:
        spread, hide = m.spread, m.blind.geometry
        off = np.hypot(spread.decoys[:, 0] - hide.x, spread.decoys[:, 1] - hide.y)
        assert to_yd(off.min()) >= 5 - 1e-6, (m.mph, m.deg)
        body = np.array([g != "focus" for g in spread.decoy_groups])
        assert not shapely.contains_xy(spread.pocket, spread.decoys[body]).any(), (m.mph, m.deg)
        assert len(spread.decoys) + spread.left == 36, (m.mph, m.deg)


def test_each_layout_occurs_among_the_places_named_and_can_be_set(survey, turned) -> None:
    first: dict[str, pd.Series] = {}
    for one in turned:
        for row in best_of(one, 10):
            if row["layout"] not in first and not spread_on(survey, row).refused:
                first[row["layout"]] = row
    assert set(first) >= {"bank-along", "open-cross", "point", "timber"}


@pytest.mark.parametrize("layout", ["bank-along", "bank-onto", "bank-off", "point"])
def test_each_bank_and_point_layout_can_be_set(survey, turned, layout: str) -> None:
    listed = (one.blinds[one.blinds["layout"] == layout] for one in turned)
    row = next(blinds.iloc[0] for blinds in listed if len(blinds))
    spread = spread_on(survey, row)
    assert spread.layout == layout
    assert spread.refused is None


@pytest.mark.parametrize("number", [4, 22])
def test_few_that_are_listed_are_refused_and_nearly_all_that_are_left_out(
    survey, turned, number: int
) -> None:
    blinds = turned[number].blinds
    left_out = without_room(blinds)
    assert left_out.sum() > 10
    refused = [spread_on(survey, row).refused is not None for _, row in blinds.iterrows()]
    refused = np.array(refused)
    assert refused[~left_out].mean() < 0.05
    assert refused[left_out].mean() > 0.9


def test_no_blind_that_is_named_is_refused(survey) -> None:
    ranked = sitegeo.rank(survey, sitegeo.Wind(70.0, MPS[12]))
    best = ranked.places.head(10)
    assert not any(spread_on(survey, row).refused for _, row in best.iterrows())
    assert len(ranked.refused) > 10
    words = ranked.refused["rejected_by"]
    assert words.str.contains("lies where its pocket|downwind end").any()


def test_a_far_group_that_is_asked_for_is_drawn_and_said_to_mean_long_shots(survey) -> None:
    wind = sitegeo.Wind(315.0, MPS[12])
    plan = sitegeo.plan(survey, wind, blind="T002a", far_group=True)
    groups = plan.features[plan.features["role"] == "group"].set_index("name")
    assert groups.loc["HOLDING", "range_yd"] > 29
    assert groups.loc["HOLDING", "note"].count("long shots") == 1
    assert any("long shots" in note for note in plan.record["spread"]["notes"])
    assert plan.record["laying"]["gear"]["far_group"] is True


def test_a_hide_that_birds_come_over_without_cover_overhead_says_so(survey) -> None:
    def told(row: pd.Series, off_deg: float) -> bool:
        wind = sitegeo.Wind((row["facing_deg"] + off_deg) % 360, MPS[12])
        ranked = sitegeo.rank(survey, wind, spreads_tried=0)
        words = ranked.blinds.set_index("id").loc[row["id"], "cautions"]
        return any("no cover overhead" in w for w in words)

    usable = sitegeo.rank(survey, sitegeo.Wind(0.0, MPS[12]), spreads_tried=0).blinds
    bare = usable[(usable["kind"] == "point") & (usable["overhead"] == 0)].iloc[0]
    covered = usable[(usable["kind"] == "tree line") & (usable["overhead"] > 0.4)].iloc[0]
    assert [told(bare, off) for off in (0.0, 90.0, 180.0)] == [True, False, False]
    assert not told(covered, 0.0)


def test_calm_in_timber_is_told_as_it_is_drawn(survey) -> None:
    """The stack lies straight out, beyond the pocket; nothing lies on either hand."""
    ranked = sitegeo.rank(survey, sitegeo.Wind.parse("calm"), spreads_tried=0)
    timber = ranked.blinds[ranked.blinds["layout"] == "timber"]
    laid = (spread_on(survey, row) for _, row in timber.iterrows())
    spread = next(s for s in laid if not s.refused)
    assert "not predictable" in spread.reason
    assert "stack" in spread.reason
    assert "both hands" not in spread.reason
    bare = Gear(decoys=0)
    empty = lay_spread(survey, timber.iloc[0], spread_site(survey, timber.iloc[0], bare))
    assert "stack" not in empty.reason


def test_calm_claims_no_direction(survey) -> None:
    plan = sitegeo.plan(survey, sitegeo.Wind.parse("calm"))
    assert plan.blind["wind_side"] == "calm"
    assert "not predictable" in plan.spread.reason
    assert not {"touchdown", "approach"} & set(plan.features["role"])
    assert plan.record["spread"]["approach"] is None
    assert any("not predictable" in c for c in plan.record["cautions"])
