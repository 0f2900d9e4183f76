"""What each setback verdict means, and when there is none."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from helpers_law import (
    EXACT,
    USUAL,
    UTM,
    box_east,
    houses,
    judge,
    law_of,
    off,
    one,
    points,
    roads,
    rule,
)

from sitegeo.core import contracts
from sitegeo.errors import CrsError, LayerError, UsageError
from sitegeo.law.context import VERDICT_COLUMNS, PositionErrors, Terms
from sitegeo.law.examples import example_laws, strictest_law
from sitegeo.law.setbacks import (
    classify_distance,
    overall_verdict,
    setback_polygons,
    setback_verdicts,
)
from sitegeo.law.verdicts import verdict_sentence


@pytest.mark.parametrize(
    ("distance", "error", "verdict"),
    [
        (100.0, 0.0, "inside"),
        (np.nextafter(100.0, 200), 0.0, "clear"),
        (99.9, 5.0, "inside"),
        (105.0, 5.0, "close"),
        (105.001, 5.0, "clear"),
        (np.nan, 5.0, "close"),
    ],
)
def test_what_each_verdict_means(distance, error, verdict):
    assert classify_distance(distance, 100.0, error) == verdict


def test_the_error_is_the_plain_sum_and_not_zero_by_default():
    assert USUAL.total_m("dwellings") == pytest.approx(5 + 10 + 5 + 2)
    own = PositionErrors.from_layers({"dwellings": 1.0, "roads": 9.0, "imagery": 3.0})
    assert own.total_m("dwellings") == pytest.approx(18)
    assert own.total_m("roads") == pytest.approx(26)
    assert own.total_m("public_land") == pytest.approx(27)
    for bad in (-1.0, float("nan"), float("inf")):
        with pytest.raises(UsageError, match="phone_m"):
            PositionErrors(phone_m=bad)
    assert PositionErrors(phone_m=0.0).phone_m == 0.0


def test_the_rule_with_the_least_margin_governs():
    law = law_of(rule("small", "dwelling", 50), rule("barns", "livestock building", 300))
    frame = houses([box_east(60.0), box_east(320.0)], ["house", "barn"])
    row = one(judge(law, dwellings=frame))
    assert (row["rule"], row["limit_m"], row["feature"]) == ("small", 50, "house #0")
    row = one(judge(law, dwellings=houses([box_east(90.0), box_east(320.0)], ["house", "barn"])))
    assert (row["rule"], row["limit_m"], row["feature"]) == ("barns", 300, "barn #1")


def test_missing_is_not_clear():
    law = law_of(
        rule("less", "school", 30), rule("r", "dwelling", 50), rule("w", "road", 20)
    ).as_chosen()
    table = judge(law, complete=("dwellings", "roads"))
    assert list(table["verdict"]) == ["not checked", "not checked"]
    assert list(table["limit_m"]) == [50, 20]
    assert list(table["rule"]) == ["r", "w"]
    assert overall_verdict(table, law) == "not checked"


def test_nothing_mapped_is_clear_only_in_a_complete_layer():
    law = law_of(rule("r", "dwelling", 50), rule("w", "road", 20)).as_chosen()
    empty = {"dwellings": houses([]), "ways": roads([])}
    assert set(judge(law, **empty)["verdict"]) == {"not checked"}
    half = judge(law, **empty, complete=("roads",))
    assert one(half)["verdict"] == "not checked"
    assert one(half, "road")["verdict"] == "clear"
    assert "declared complete" in verdict_sentence(one(half, "road"), law)
    full = judge(law, **empty, complete=("roads", "dwellings"))
    assert overall_verdict(full, law) == "clear"
    assert full["distance_m"].isna().all()
    # A complete layer of sheds holds no dwelling.
    sheds = judge(law, dwellings=houses([box_east(1.0)], "shed"), complete=("dwellings",))
    assert one(sheds)["verdict"] == "clear"


def test_a_law_without_a_rule_for_the_target_checks_nothing():
    far = {"dwellings": houses([box_east(900.0)]), "ways": roads([shapely.LineString(
        [off(900.0), off(900.0, 91.0)])])}  # fmt: skip
    bows = law_of(rule("r", "dwelling", 50, weapon="bow")).as_chosen()
    table = judge(bows, **far, complete=("dwellings", "roads"))
    assert set(table["verdict"]) == {"not checked"}
    assert table["limit_m"].isna().all()
    assert "has no rule" in verdict_sentence(one(table), bows)
    # A rule for schools alone leaves houses unchecked, near or far, but still finds a school.
    schools = law_of(rule("r", "school", 50))
    assert one(judge(schools, **far))["verdict"] == "not checked"
    unknown = houses([box_east(900.0)], None)
    assert one(judge(schools, dwellings=unknown))["verdict"] == "not checked"
    assert one(judge(schools, dwellings=houses([]), complete=("dwellings",)))["verdict"] == (
        "not checked"
    )
    near = houses([box_east(20.0)], "school")
    assert one(judge(schools, dwellings=near))["verdict"] == "inside"


def test_the_table_has_the_agreed_columns_order_and_no_point_missing():
    law = strictest_law(example_laws())
    at = points(off(500.0, 270.0), off(0.0), off(50.0))
    table = setback_verdicts(
        at,
        law,
        dwellings=houses([box_east(300.0)]),
        roads=roads([shapely.LineString([off(900.0), off(900.0, 91.0)])]),
        terms=Terms(errors=USUAL),
    )
    assert list(table.columns) == list(VERDICT_COLUMNS)
    assert list(table["id"]) == ["X001", "X001", "X002", "X002", "X003", "X003"]
    assert list(table["target"]) == ["dwelling", "road"] * 3
    assert set(table["verdict"]) <= set(contracts.VERDICTS)
    assert table["bearing_deg"].between(0, 360, inclusive="left").all()
    assert np.allclose(table["margin_m"], table["distance_m"] - table["limit_m"])
    none = setback_verdicts(
        at[:0], law, dwellings=houses([box_east(9.0)]), roads=None, terms=Terms(errors=USUAL)
    )
    assert list(none.columns) == list(VERDICT_COLUMNS)
    assert none.empty
    assert overall_verdict(none, law.model_copy()) == "not checked"


def test_points_with_another_index_keep_their_rows():
    at = points(off(0.0), off(60.0, 270.0))
    at.index = [7, 3]
    law = law_of(rule("r", "dwelling", 50))
    table = setback_verdicts(
        at, law, dwellings=houses([box_east(20.0)]), roads=None, terms=Terms(errors=EXACT)
    )
    assert list(table["id"]) == ["X001", "X001", "X002", "X002"]
    assert table["distance_m"][0] == pytest.approx(20.0, abs=1e-3)
    assert table["distance_m"][2] == pytest.approx(80.0, abs=1e-3)


@pytest.mark.parametrize("broken", ["crs", "none", "kind", "invalid"])
def test_a_broken_layer_is_refused_not_passed_over(broken):
    law = law_of(rule("r", "dwelling", 50))
    frame = houses([box_east(20.0), box_east(200.0)])
    if broken == "crs":
        frame = frame.to_crs(32617)
    elif broken == "none":
        frame.loc[0, "geometry"] = None
    elif broken == "kind":
        frame = frame.drop(columns="kind")
    else:
        frame.loc[0, "geometry"] = shapely.Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    with pytest.raises((CrsError, LayerError)):
        judge(law, dwellings=frame)
    with pytest.raises((CrsError, LayerError)):
        setback_polygons(law, dwellings=frame, roads=None, crs=UTM)


def test_points_without_a_place_are_refused():
    law = law_of(rule("r", "dwelling", 50))
    for xy in ((np.nan, np.nan), (np.inf, 0.0)):
        with pytest.raises(LayerError):
            judge(law, at=xy, dwellings=houses([box_east(20.0)]))
    with pytest.raises(CrsError, match="outside the area"):
        judge(law, at=(9e9, 9e9), dwellings=houses([box_east(20.0)]))


def test_the_overall_verdict_is_clear_only_under_a_chosen_law():
    law = law_of(rule("r", "dwelling", 50), rule("w", "road", 20))
    line = shapely.LineString([off(900.0), off(900.0, 91.0)])
    table = judge(law, dwellings=houses([box_east(500.0)]), ways=roads([line]), errors=USUAL)
    assert set(table["verdict"]) == {"clear"}
    assert overall_verdict(table, law) == "not checked"
    assert overall_verdict(table, law.as_chosen()) == "clear"
    for worst in ("not checked", "close", "inside"):
        table.loc[0, "verdict"] = worst
        assert overall_verdict(table, law.as_chosen()) == worst
    table.loc[1, "verdict"] = "close"
    assert overall_verdict(table, law) == "inside"
