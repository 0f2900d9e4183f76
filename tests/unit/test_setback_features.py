"""What a mapped building or road counts as, and from which line it is measured."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from helpers_law import box_east, grid_bearing, houses, judge, law_of, off, one, roads, rule

from sitegeo.law import features
from sitegeo.law.verdicts import verdict_sentence


# A road 20 m wide, its centreline 50 m off: the pavement edge is 40 m off, and with the verge
# taken for a residential street the right-of-way 25 m.
@pytest.mark.parametrize(
    ("measured_from", "distance"),
    [("centreline", 50.0), ("pavement edge", 40.0), ("right-of-way", 40.0 - features.VERGE_M)],
)
def test_a_road_is_measured_from_the_line_the_rule_names(measured_from, distance):
    (x, y), turn = off(50.0), np.deg2rad(grid_bearing())
    dx, dy = 500 * np.cos(turn), -500 * np.sin(turn)
    line = shapely.LineString([(x - dx, y - dy), (x + dx, y + dy)])
    law = law_of(rule("r", "road", 45, measured_from=measured_from))
    row = one(judge(law, ways=roads([line], width_m=20.0)), "road")
    assert row["distance_m"] == pytest.approx(distance, abs=1e-3)
    assert row["verdict"] == ("clear" if measured_from == "centreline" else "inside")
    assert row["measured_from"] == measured_from
    assert row["feature"] == "residential #0"


def test_a_road_without_a_width_is_taken_wide():
    line = shapely.LineString([off(100.0), off(100.0, 91.0)])
    law = law_of(rule("r", "road", 10, measured_from="pavement edge"))
    row_of = law_of(rule("r", "road", 10, measured_from="right-of-way"))

    def distance(classes, of=law):
        return one(judge(of, ways=roads([line], classes)), "road")["distance_m"]

    assert distance("residential") == pytest.approx(92.5, abs=0.02)
    assert distance(None) == distance("no such class") == distance("motorway")
    assert distance("motorway") == pytest.approx(85.0, abs=0.02)
    assert distance("motorway_link", row_of) == pytest.approx(100 - 7.5 - 45, abs=0.02)
    assert distance(None, row_of) == pytest.approx(100 - 15 - 45, abs=0.02)
    # 3.6 m lanes, two of them, and a 66 ft right-of-way are common on local roads (practice).
    assert features.PAVEMENT_M["residential"] >= 7.2
    assert features.right_of_way_m("residential") == 15.0 + 2 * 15.0
    assert features.PAVEMENT_M["residential"] + 2 * features.VERGE_M >= 66 * 0.3048


def test_a_width_of_nothing_is_a_width_not_known():
    line = shapely.LineString([off(100.0), off(100.0, 91.0)])
    law = law_of(rule("r", "road", 10, measured_from="pavement edge"))
    found = [
        one(judge(law, ways=roads([line], "primary", width)), "road")["distance_m"]
        for width in (0.0, np.nan, 24.0)
    ]
    assert found == pytest.approx([88.0] * 3, abs=0.02)


def test_the_wider_road_governs_though_its_line_is_farther():
    lane = shapely.LineString([off(60.0), off(60.0, 91.0)])
    highway = shapely.LineString([off(70.0, 270.0), off(70.0, 271.0)])
    ways = roads([lane, highway])
    ways["width_m"] = [4.0, 40.0]
    ways["name"] = ["Lane", "Highway"]
    law = law_of(rule("r", "road", 10, measured_from="pavement edge"))
    row = one(judge(law, ways=ways), "road")
    assert row["feature"] == "Highway #1"
    assert row["distance_m"] == pytest.approx(50.0, abs=0.02)
    assert row["bearing_deg"] == pytest.approx(270.0, abs=1.0)


def test_a_rule_for_paved_roads_leaves_out_only_surfaces_told_to_be_unpaved():
    line = shapely.LineString([off(30.0), off(30.0, 91.0)])
    paved = law_of(rule("r", "road", 50, applies_on="paved road"))
    anywhere = law_of(rule("r", "road", 50))

    def verdict(law, **told):
        return one(judge(law, ways=roads([line], **told)), "road")["verdict"]

    assert verdict(paved, surface="Fine_Gravel") == "not checked"
    assert verdict(anywhere, surface="gravel") == "inside"
    for surface in (None, "asphalt", "who knows"):
        assert verdict(paved, surface=surface) == "inside"
    assert verdict(paved, classes="track") == verdict(paved, classes="path") == "inside"


@pytest.mark.parametrize(
    ("kind", "reached"),
    [
        (None, set(features.BUILDING_TARGETS)),
        ("yes", set(features.BUILDING_TARGETS)),
        ("pagoda", set(features.BUILDING_TARGETS)),
        ("Semidetached_House", {"dwelling", "occupied building", "building"}),
        ("school", {"dwelling", "occupied building", "school", "building"}),
        ("barn", {"livestock building", "occupied building", "building"}),
        ("garage", {"building"}),
        ("farm", {"dwelling", "livestock building", "occupied building", "building"}),
        ("garage;house", {"dwelling", "occupied building", "building"}),
        ("garage; pagoda", set(features.BUILDING_TARGETS)),
    ],
)
def test_what_a_building_counts_as(kind, reached):
    for target in features.BUILDING_TARGETS:
        law = law_of(rule("other", "building", 1), rule("r", target, 50))
        row = one(judge(law, dwellings=houses([box_east(30.0)], kind)))
        assert (row["verdict"] == "inside") == (target in reached)


def test_a_barn_is_no_dwelling_and_a_shed_does_not_hide_the_house_behind():
    law = law_of(rule("r", "dwelling", 50))
    frame = houses([box_east(20.0), box_east(40.0), box_east(45.0)], ["barn", "shed", "house"])
    row = one(judge(law, dwellings=frame))
    assert row["feature"] == "house #2"
    assert row["distance_m"] == pytest.approx(45.0, abs=1e-3)
    assert one(judge(law, dwellings=frame[:2]))["verdict"] == "not checked"


@pytest.mark.parametrize(
    ("kind", "nearer"),
    [
        ("house", 20.0),
        (None, 20.0),
        ("yes", 20.0),
        ("shed;house", 20.0),
        ("school", 60.0),
        ("barn", 60.0),
        ("warehouse", 60.0),
    ],
)
def test_a_building_known_as_a_point_is_taken_nearer(kind, nearer):
    law = law_of(rule("r", "building", 50))
    row = one(judge(law, dwellings=houses([shapely.Point(off(100.0))], kind)))
    assert row["distance_m"] == pytest.approx(100.0 - nearer, abs=1e-6)
    close_by = one(judge(law, dwellings=houses([shapely.Point(off(10.0))], kind)))
    assert close_by["distance_m"] == 0.0


def test_standing_in_a_building_is_inside_at_no_bearing():
    row = one(judge(law_of(rule("r", "dwelling", 0)), dwellings=houses([box_east(-5.0)])))
    assert (row["verdict"], row["distance_m"]) == ("inside", 0.0)
    assert np.isnan(row["bearing_deg"])
    assert "bearing" not in verdict_sentence(row, law_of())


def test_features_are_called_by_name_then_kind_then_target():
    law = law_of(rule("r", "dwelling", 50))
    for name, kind, words in (
        ("Old Mill", "house", "Old Mill #0"),
        (None, "house", "house #0"),
        (None, "yes", "dwelling #0"),
        (None, None, "dwelling #0"),
    ):
        frame = houses([box_east(20.0)], kind, name=np.array([name], dtype=object))
        assert one(judge(law, dwellings=frame))["feature"] == words


def test_a_laws_own_widths_stand_in_for_the_usual_ones():
    line = shapely.LineString([off(100.0), off(100.0, 91.0)])
    edge = rule("r", "road", 10, measured_from="pavement edge")
    row_ = rule("r", "road", 10, measured_from="right-of-way")

    def distance(held, classes="residential", *, width_m=np.nan, example=False, **tables):
        law = law_of(held).model_copy(update=tables)
        law = law.as_example() if example else law
        return one(judge(law, ways=roads([line], classes, width_m)), "road")["distance_m"]

    own = {"road_width_m": {"Residential": 8.0}}
    assert distance(edge, **own) == pytest.approx(96.0, abs=0.02)
    assert distance(edge, "track", **own) == pytest.approx(96.0, abs=0.02)
    assert distance(edge, "motorway", **own) == pytest.approx(85.0, abs=0.02)
    # A width in the layer is better than one by class.
    assert distance(edge, width_m=20.0, **own) == pytest.approx(90.0, abs=0.02)
    assert distance(row_, **own) == pytest.approx(100 - 4 - 15, abs=0.02)
    legal = {"right_of_way_m": {"residential": 20.0}}
    assert distance(row_, **legal) == pytest.approx(90.0, abs=0.02)
    assert distance(row_, "track", **legal) == pytest.approx(100 - 4 - 15, abs=0.02)
    # Never inside the pavement, and an example's never nearer the road than usual.
    assert distance(row_, width_m=40.0, **legal) == pytest.approx(80.0, abs=0.02)
    assert distance(row_, example=True, **legal) == pytest.approx(100 - 7.5 - 15, abs=0.02)
    wide = {"right_of_way_m": {"residential": 60.0}}
    assert distance(row_, example=True, **wide) == pytest.approx(70.0, abs=0.02)
    assert distance(edge, **legal) == pytest.approx(92.5, abs=0.02)


def test_beyond_the_map_the_widest_road_the_law_knows_counts():
    law = law_of().model_copy(update={"road_width_m": {"a": 50.0}, "right_of_way_m": {"b": 300.0}})
    kinds = {m: rule("r", "road", 1, measured_from=m) for m in ("pavement edge", "right-of-way")}
    assert features.largest_offset_m(kinds["pavement edge"], law) == 25.0
    assert features.largest_offset_m(kinds["right-of-way"], law) == 150.0
    assert (
        features.largest_offset_m(kinds["pavement edge"], law_of())
        == features.WIDEST_PAVEMENT_M / 2
    )
    assert features.largest_offset_m(kinds["right-of-way"], law_of()) == 15.0 + 45.0
    assert features.largest_offset_m(rule("r", "road", 1), law) == 0.0
    layer = roads([shapely.LineString([(0, 0), (1, 1)])])
    assert features.offset_m(layer, kinds["right-of-way"]) == pytest.approx([7.5 + 15.0])
    assert features.largest_offset_m(rule("r", "dwelling", 1), law) == features.POINT_LARGE_M
