"""The bundled place under every wind: plans that a hunter could set, or a reason why not.

Pocket 15 to 20 yd from the guns, mass upwind of it: common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

import sitegeo
from sitegeo.angles import unit_from_bearing
from sitegeo.units import to_yd

WINDS = range(0, 360, 10)
MPS = {12: 5.36, 20: 8.94}
"""Miles an hour to metres a second."""


@pytest.fixture(scope="module")
def plans(demo_survey: Path) -> dict[tuple[int, int], sitegeo.Plan]:
    survey = sitegeo.Survey.open(demo_survey)
    return {
        (mph, deg): sitegeo.plan(survey, sitegeo.Wind(float(deg), speed))
        for mph, speed in MPS.items()
        for deg in WINDS
        if mph == 12 or deg % 30 == 0
    }


def test_at_most_four_of_36_are_refused_and_each_says_why(plans) -> None:
    refused = {k: p.spread.refused for k, p in plans.items() if p.spread.refused}
    assert sum(mph == 12 for mph, _ in refused) <= 4
    assert all(len(reason) > 20 for reason in refused.values())


def test_pocket_is_in_water_and_in_range(plans) -> None:
    for key, plan in plans.items():
        if plan.spread.refused:
            continue
        pocket = plan.features[plan.features["role"] == "pocket"].iloc[0]
        assert 15 <= pocket["range_yd"] <= 20, key
        water = shapely.union_all(plan.survey.layers["water"].geometry.to_numpy())
        assert water.buffer(0.5).contains(plan.spread.pocket), key


def test_mass_lies_upwind_of_the_pocket(plans) -> None:
    """Or to both hands of it where the wind is from behind; in timber downwind."""
    for (mph, deg), plan in plans.items():
        if plan.spread.refused:
            continue
        east, north = unit_from_bearing(plan.survey.grid.to_grid_bearing(deg))
        pocket = plan.spread.pocket.centroid
        mass = next(g for g in plan.spread.groups if g.name == "mass").polygon.centroid
        ahead = (mass.x - pocket.x) * east + (mass.y - pocket.y) * north
        assert (ahead < 0) == (plan.spread.layout == "timber"), (mph, deg)


def test_decoys_float_clear_of_guns_and_pocket(plans) -> None:
    for key, plan in plans.items():
        spread = plan.spread
        if spread.refused:
            continue
        hide = plan.blind.geometry
        off = np.hypot(spread.decoys[:, 0] - hide.x, spread.decoys[:, 1] - hide.y)
        assert to_yd(off.min()) >= 5 - 1e-6, key
        body = np.array([g != "focus" for g in spread.decoy_groups])
        assert not shapely.contains_xy(spread.pocket, spread.decoys[body]).any(), key
        assert len(spread.decoys) + spread.left == 36, key


def test_each_layout_occurs_among_the_places_named_and_can_be_set(plans) -> None:
    first: dict[str, tuple[sitegeo.Plan, str]] = {}
    for plan in plans.values():
        best = plan.ranking.places.head(10)
        for layout, name in zip(best["layout"], best["id"], strict=True):
            first.setdefault(layout, (plan, name))
    assert set(first) >= {"bank-along", "open-cross", "point", "timber"}
    for layout, (plan, name) in first.items():
        laid = sitegeo.plan(plan.survey, plan.ranking.wind, blind=name).spread
        assert laid.layout == layout
        assert laid.refused is None


@pytest.mark.parametrize("layout", ["bank-along", "bank-onto", "bank-off", "point"])
def test_each_bank_and_point_layout_can_be_set(layout: str, demo_survey: Path) -> None:
    survey = sitegeo.Survey.open(demo_survey)
    for deg in WINDS:
        wind = sitegeo.Wind(float(deg), MPS[12])
        blinds = sitegeo.rank(survey, wind).blinds
        names = blinds.loc[blinds["layout"] == layout, "id"]
        if len(names):
            laid = sitegeo.plan(survey, wind, blind=names.iloc[0]).spread
            assert laid.layout == layout
            assert laid.refused is None
            return
    pytest.fail(f"{layout} occurs in no wind")


def test_calm_claims_no_direction(demo_survey: Path) -> None:
    plan = sitegeo.plan(sitegeo.Survey.open(demo_survey), sitegeo.Wind.parse("calm"))
    assert plan.blind["wind_side"] == "calm"
    assert "not predictable" in plan.spread.reason
    assert "touchdown" not in set(plan.features["role"])
    assert any("not predictable" in c for c in plan.record["cautions"])
