"""Setback distances and verdicts against published geodesics, exact units and pyproj.Geod."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod, Transformer

from sitegeo import layers
from sitegeo.angles import signed_diff_deg
from sitegeo.errors import CrsError, LayerError, UsageError
from sitegeo.law import mapped
from sitegeo.law.ground import closed_of, ground_of, huntable, hunting_of
from sitegeo.law.nearest import Scale, grown, nearest, reach, scale_over
from sitegeo.law.rules import DistanceRule, Law, shipped_laws, strictest
from sitegeo.law.setbacks import (
    COLUMNS,
    PositionErrors,
    overall,
    setback_polygons,
    verdict_of,
    verdict_words,
    verdicts,
)

UTM = CRS.from_epsg(26918)
GEOD = Geod(ellps="GRS80")
TO_GRID = Transformer.from_crs(UTM.geodetic_crs, UTM, always_xy=True)
HOME = (-76.3, 38.9)
EXACT = PositionErrors(**dict.fromkeys(PositionErrors.__dataclass_fields__, 0.0))
USUAL = PositionErrors()


def rule(name, target, limit, unit="m", **more):
    usual = {"measured_from": "centreline" if target == "road" else "wall", "citation": "Code"}
    return DistanceRule.model_validate(
        {"id": name, "target": target, "limit": limit, "unit": unit, **usual, **more}
    )


def law_of(*rules):
    return Law(title="Test law", place="Here", read_on=date(2026, 1, 1), distance=rules)


def off(distance_m, bearing_deg=90.0, start=HOME):
    """Grid coordinates of the end of a geodesic."""
    lon, lat, _ = GEOD.fwd(*start, bearing_deg, distance_m)
    return TO_GRID.transform(lon, lat)


def points(*xy, crs=UTM):
    ids = [f"X{n:03d}" for n in range(1, len(xy) + 1)]
    shapes = shapely.points(np.reshape(xy, (-1, 2)))
    return gpd.GeoDataFrame({"id": np.array(ids, dtype=object)}, geometry=shapes, crs=crs)


def houses(shapes, kinds="house", crs=UTM, **more):
    kinds = [kinds] * len(shapes) if isinstance(kinds, str | None) else kinds
    data = {"kind": np.array(kinds, dtype=object), **more}
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=crs)


def roads(shapes, classes="residential", width_m=np.nan, surface=None, crs=UTM):
    data = {
        "class": np.array([classes] * len(shapes), dtype=object),
        "width_m": np.full(len(shapes), width_m, dtype=float),
        "surface": np.array([surface] * len(shapes), dtype=object),
    }
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=crs)


def box_east(distance_m, size_m=10.0):
    """A house whose western wall's nearest point is that far due east of HOME."""
    x, y = off(distance_m)
    along = np.deg2rad(grid_bearing())
    shape = shapely.box(0, -size_m / 2, size_m, size_m / 2)
    turned = shapely.transform(
        shape,
        lambda c: c @ np.array([[np.sin(along), np.cos(along)], [np.cos(along), -np.sin(along)]]),
    )
    return shapely.transform(turned, lambda c: c + (x, y))


def grid_bearing():
    (x0, y0), (x1, y1) = off(0.0), off(100.0)
    return float(np.rad2deg(np.arctan2(x1 - x0, y1 - y0)))


def one(table, target="dwelling"):
    rows = table[table["target"] == target]
    assert len(rows) == 1
    return rows.iloc[0]


def judge(law, *, at=None, dwellings=None, ways=None, errors=EXACT, complete=()):
    return verdicts(
        points(off(0.0) if at is None else at),
        law,
        dwellings=dwellings,
        roads=ways,
        errors=errors,
        complete=complete,
    )


# The Australian standard line (GDA technical manual; chrisveness/geodesy@3e9fdd3
# test/latlon-ellipsoidal-vincenty-tests.js) and a long British one from the same file.
@pytest.mark.parametrize(
    ("epsg", "start", "end", "length_m", "bearing_deg", "within_m"),
    [
        (
            28355,
            (144 + 25 / 60 + 29.52440 / 3600, -(37 + 57 / 60 + 3.72030 / 3600)),
            (143 + 55 / 60 + 35.38390 / 3600, -(37 + 39 / 60 + 10.15610 / 3600)),
            54972.271,
            306 + 52 / 60 + 5.37 / 3600,
            0.001,
        ),
        (32630, (-5.71475, 50.06632), (-3.07009, 58.64402), 969954.166, 9.1419, 0.001),
    ],
)
def test_distance_and_bearing_of_published_geodesics(
    epsg, start, end, length_m, bearing_deg, within_m
):
    crs = CRS.from_epsg(epsg)
    to_grid = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    a, b = (np.array([shapely.Point(to_grid.transform(*p))]) for p in (start, end))
    found = nearest(a, b, np.zeros(1), crs=crs)
    assert found.distance_m[0] == pytest.approx(length_m, abs=within_m)
    assert found.bearing_deg[0] == pytest.approx(bearing_deg, abs=5e-5)


@pytest.mark.parametrize("bearing", [0.0, 45.0, 133.0, 250.0])
@pytest.mark.parametrize("distance", [3.0, 137.16, 182.88, 1500.0])
def test_distance_and_true_bearing_to_a_point_by_geod(bearing, distance):
    here, there = (np.array([shapely.Point(xy)]) for xy in (off(0.0), off(distance, bearing)))
    found = nearest(here, there, np.zeros(1), crs=UTM)
    assert found.distance_m[0] == pytest.approx(distance, abs=1e-6)
    assert abs(signed_diff_deg(found.bearing_deg[0], bearing)) < 1e-4
    taken = nearest(here, there, np.full(1, 2.5), crs=UTM)
    assert taken.distance_m[0] == pytest.approx(distance - 2.5, abs=1e-6)


def test_a_wall_is_measured_to_the_millimetre():
    row = one(judge(law_of(rule("r", "dwelling", 100)), dwellings=houses([box_east(137.16)])))
    assert row["distance_m"] == pytest.approx(137.16, abs=1e-4)
    assert row["bearing_deg"] == pytest.approx(90.0, abs=1e-3)
    assert row["margin_m"] == pytest.approx(37.16, abs=1e-4)


# 450 ft = 150 yd = 137.16 m, 500 ft = 152.4 m, 200 yd = 182.88 m: exact by the international
# yard and pound agreement of 1959.
@pytest.mark.parametrize(
    ("limits", "metres"),
    [
        ([(450, "ft"), (150, "yd"), (137.16, "m")], 137.16),
        ([(500, "ft"), (152.4, "m")], 152.4),
        ([(200, "yd"), (600, "ft")], 182.88),
        ([(0.25, "mi"), (440, "yd"), (0.402336, "km")], 402.336),
    ],
)
def test_one_distance_in_several_units_gives_one_verdict_to_the_millimetre(limits, metres):
    for limit, unit in limits:
        law = law_of(rule("r", "dwelling", limit, unit))
        near = one(judge(law, dwellings=houses([box_east(metres - 0.001)])))
        far = one(judge(law, dwellings=houses([box_east(metres + 0.001)])))
        assert near["limit_m"] == pytest.approx(metres, abs=1e-9)
        assert (near["verdict"], far["verdict"]) == ("inside", "clear")


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
    assert verdict_of(distance, 100.0, error) == verdict


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


# A road 20 m wide, its centreline 50 m off: the pavement edge is 40 m off, and with the verge
# taken for a residential street the right-of-way 25 m.
@pytest.mark.parametrize(
    ("measured_from", "distance"),
    [("centreline", 50.0), ("pavement edge", 40.0), ("right-of-way", 40.0 - mapped.VERGE_M)],
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
    assert mapped.PAVEMENT_M["residential"] >= 7.2
    assert mapped.PAVEMENT_M["residential"] + 2 * mapped.VERGE_M >= 66 * 0.3048


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
        (None, set(mapped.BUILDING_TARGETS)),
        ("yes", set(mapped.BUILDING_TARGETS)),
        ("pagoda", set(mapped.BUILDING_TARGETS)),
        ("Semidetached_House", {"dwelling", "occupied building", "building"}),
        ("school", {"dwelling", "occupied building", "school", "building"}),
        ("barn", {"livestock building", "occupied building", "building"}),
        ("garage", {"building"}),
        ("garage;house", {"dwelling", "occupied building", "building"}),
        ("garage; pagoda", set(mapped.BUILDING_TARGETS)),
    ],
)
def test_what_a_building_counts_as(kind, reached):
    for target in mapped.BUILDING_TARGETS:
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


def test_the_rule_with_the_least_margin_governs():
    law = law_of(rule("small", "dwelling", 50), rule("barns", "livestock building", 300))
    frame = houses([box_east(60.0), box_east(320.0)], ["house", "barn"])
    row = one(judge(law, dwellings=frame))
    assert (row["rule"], row["limit_m"], row["feature"]) == ("small", 50, "house #0")
    row = one(judge(law, dwellings=houses([box_east(90.0), box_east(320.0)], ["house", "barn"])))
    assert (row["rule"], row["limit_m"], row["feature"]) == ("barns", 300, "barn #1")


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
    assert "bearing" not in verdict_words(row, law_of())


def test_missing_is_not_clear():
    law = law_of(
        rule("less", "school", 30), rule("r", "dwelling", 50), rule("w", "road", 20)
    ).as_chosen()
    table = judge(law, complete=("dwellings", "roads"))
    assert list(table["verdict"]) == ["not checked", "not checked"]
    assert list(table["limit_m"]) == [50, 20]
    assert list(table["rule"]) == ["r", "w"]
    assert overall(table, law) == "not checked"


def test_nothing_mapped_is_clear_only_in_a_complete_layer():
    law = law_of(rule("r", "dwelling", 50), rule("w", "road", 20)).as_chosen()
    empty = {"dwellings": houses([]), "ways": roads([])}
    assert set(judge(law, **empty)["verdict"]) == {"not checked"}
    half = judge(law, **empty, complete=("roads",))
    assert one(half)["verdict"] == "not checked"
    assert one(half, "road")["verdict"] == "clear"
    assert "declared complete" in verdict_words(one(half, "road"), law)
    full = judge(law, **empty, complete=("roads", "dwellings"))
    assert overall(full, law) == "clear"
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
    assert "has no rule" in verdict_words(one(table), bows)
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
    law = strictest(shipped_laws())
    at = points(off(500.0, 270.0), off(0.0), off(50.0))
    table = verdicts(
        at,
        law,
        dwellings=houses([box_east(300.0)]),
        roads=roads([shapely.LineString([off(900.0), off(900.0, 91.0)])]),
        errors=USUAL,
    )
    assert list(table.columns) == list(COLUMNS)
    assert list(table["id"]) == ["X001", "X001", "X002", "X002", "X003", "X003"]
    assert list(table["target"]) == ["dwelling", "road"] * 3
    assert set(table["verdict"]) <= set(layers.VERDICTS)
    assert table["bearing_deg"].between(0, 360, inclusive="left").all()
    assert np.allclose(table["margin_m"], table["distance_m"] - table["limit_m"])
    none = verdicts(at[:0], law, dwellings=houses([box_east(9.0)]), roads=None, errors=USUAL)
    assert list(none.columns) == list(COLUMNS)
    assert none.empty
    assert overall(none, law.model_copy()) == "not checked"


def test_points_with_another_index_keep_their_rows():
    at = points(off(0.0), off(60.0, 270.0))
    at.index = [7, 3]
    law = law_of(rule("r", "dwelling", 50))
    table = verdicts(at, law, dwellings=houses([box_east(20.0)]), roads=None, errors=EXACT)
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
    assert overall(table, law) == "not checked"
    assert overall(table, law.as_chosen()) == "clear"
    for worst in ("not checked", "close", "inside"):
        table.loc[0, "verdict"] = worst
        assert overall(table, law.as_chosen()) == worst
    table.loc[1, "verdict"] = "close"
    assert overall(table, law) == "inside"


def test_words_round_clearances_down_and_limits_up():
    law = law_of(rule("r", "dwelling", 500, "ft"))
    row = one(judge(law, dwellings=houses([box_east(152.4 + 212.9 * 0.9144)]), errors=USUAL))
    words = verdict_words(row, law)
    assert words == "clear of the mapped dwellings by 212 yd under r (an example, not your law)"
    assert verdict_words(row, law.as_chosen()).endswith("by 212 yd under r")
    assert "by 194 m" in verdict_words(row, law, "m")
    row = one(judge(law, dwellings=houses([box_east(152.0)]), errors=USUAL))
    words = verdict_words(row, law)
    assert words.startswith("inside the setback of the mapped dwellings: house #0 is 166 yd off")
    assert "bearing 090° true" in words
    assert "limit is 167 yd" in words
    row = one(judge(law, dwellings=houses([box_east(160.0)]), errors=USUAL))
    assert "too close to the setback" in verdict_words(row, law)
    assert "may be 25 yd off" in verdict_words(row, law)
    whole = law_of(rule("r", "dwelling", 450, "ft"))
    assert "keep 150 yd" in verdict_words(one(judge(whole)), whole)
    assert "dwellings not checked" in verdict_words(one(judge(whole)), whole)


def test_a_bearing_just_under_360_is_written_000():
    law = law_of(rule("r", "dwelling", 500))
    row = one(judge(law, dwellings=houses([shapely.Point(off(100.0, 359.7))])))
    assert "bearing 000° true" in verdict_words(row, law)


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


def test_setback_polygons_keep_their_contract_and_may_be_none():
    law = law_of(
        rule("h", "dwelling", 150, "yd"),
        rule("lesser", "dwelling", 100, "yd"),
        rule("w", "road", 0, verify=False),
    )
    line = shapely.LineString([off(100.0), off(100.0, 91.0)])
    drawn = setback_polygons(
        law, dwellings=houses([box_east(20.0), shapely.Point(off(300.0))]), roads=roads([line]),
        crs=UTM,
    )  # fmt: skip
    layers.check(drawn, layers.contract("setbacks"))
    assert list(drawn["id"]) == ["S001", "S002"]
    assert list(drawn["rule"]) == ["h", "w"]
    # The point counts as a house 20 m nearer on all sides.
    assert drawn.geometry[0].covers(shapely.Point(off(300.0 + 137.16 + 20.0)))
    assert not drawn.geometry[0].covers(shapely.Point(off(300.0 + 137.16 + 21.0)))
    assert list(drawn["verify"]) == [True, False]
    assert drawn["distance_m"][0] == pytest.approx(137.16)
    for bare in (houses([]), None):
        none = setback_polygons(law, dwellings=bare, roads=None, crs=UTM)
        layers.check(none, layers.contract("setbacks"))
        assert none.empty
        assert none.crs == UTM


def test_a_grid_that_is_not_conformal_shortens_rather_than_lengthens():
    # EPSG:3857 and EPSG:5070 (Snyder 1987: spherical Mercator, Albers) distort by direction.
    law = law_of(rule("r", "dwelling", 50))
    for epsg in (3857, 5070):
        at, frame = points(off(0.0)).to_crs(epsg), houses([box_east(137.16)]).to_crs(epsg)
        table = verdicts(at, law, dwellings=frame, roads=None, errors=EXACT)
        assert 137.16 * 0.97 < one(table)["distance_m"] <= 137.16 + 1e-6
        assert scale_over(frame.crs, frame.geometry.to_numpy()).stretch > 1.001
    assert scale_over(UTM, points(off(0.0)).geometry.to_numpy()).stretch == 1.0


def land(shapes, hunting, crs=UTM):
    none = np.array([None] * len(shapes), dtype=object)
    data = {"name": none, "manager": none, "hunting": np.array(hunting, dtype=object)}
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=crs)


def areas(shapes, reasons, since=None, until=None):
    data = {
        "reason": np.array(reasons, dtype=object),
        "from": np.array([since] * len(shapes), dtype=object),
        "to": np.array([until] * len(shapes), dtype=object),
    }
    return gpd.GeoDataFrame(data, geometry=list(shapes), crs=UTM)


X, Y = off(0.0)
WEST = shapely.box(X - 500, Y - 500, X, Y + 500)
EAST = shapely.box(X, Y - 500, X + 500, Y + 500)


def test_ground_is_unknown_near_an_edge_and_private_only_in_a_complete_layer():
    at = points((X - 20, Y), (X - 1, Y), (X + 490, Y), (X + 520, Y), (X + 505, Y))
    both = land([WEST, EAST], ["open", "unknown"])
    # The line between two public parcels is no edge of public ground.
    got = ground_of(at, both, error_m=15.0)
    assert list(got) == ["public", "public", "unknown", "unknown", "unknown"]
    got = ground_of(at, both, error_m=15.0, complete=True)
    assert list(got) == ["public", "public", "unknown", "private", "unknown"]
    assert list(ground_of(at, None, error_m=15.0, complete=True)) == ["unknown"] * 5
    empty = land([], [])
    assert list(ground_of(at, empty, error_m=15.0)) == ["unknown"] * 5
    assert list(ground_of(at, empty, error_m=15.0, complete=True)) == ["private"] * 5
    assert ground_of(at[:0], both, error_m=15.0).empty
    assert ground_of(at.set_axis(list("abcde")), both, error_m=1.0)["a"] == "public"


def test_public_is_not_open_to_hunting():
    at = points((X - 20, Y), (X - 1, Y), (X + 200, Y), (X + 900, Y))
    for status in ("closed", "restricted", "unknown"):
        got = hunting_of(at, land([WEST, EAST], ["open", status]), error_m=15.0)
        assert list(got) == ["open", status, status, "unknown"]
    over = land([WEST, WEST, WEST], ["open", "unknown", "closed"])
    assert list(hunting_of(at, over, error_m=15.0)) == ["closed", "closed", "unknown", "unknown"]
    edge = hunting_of(at, land([WEST], ["open"]), error_m=15.0)
    assert list(edge) == ["open", "unknown", "unknown", "unknown"]
    assert set(hunting_of(at, None, error_m=15.0)) == {"unknown"}
    assert hunting_of(at[:0], over, error_m=15.0).empty


def test_closed_counts_within_the_error_and_says_why():
    at = points((X - 20, Y), (X - 10, Y), (X + 5, Y))
    shut = areas([EAST, EAST.buffer(-2)], ["refuge", None], "1 Oct", "15 Jan")
    got = closed_of(at, shut, error_m=12.5)
    assert got[0] is None
    assert got[1] == "closed area (from 1 Oct to 15 Jan); refuge (from 1 Oct to 15 Jan)"
    assert closed_of(at, areas([EAST], ["refuge"]), error_m=12.0)[2] == "refuge"
    assert closed_of(at, areas([EAST], ["refuge"], until="15 Jan"), error_m=0.0)[2] == (
        "refuge (to 15 Jan)"
    )
    assert closed_of(at, None, error_m=12.0).isna().all()
    assert closed_of(at[:0], shut, error_m=12.0).empty


def test_an_error_that_is_no_length_is_refused():
    at, held = points((X, Y)), land([WEST], ["open"])
    for bad in (-1.0, float("nan"), float("inf")):
        with pytest.raises(UsageError):
            ground_of(at, held, error_m=bad)
        with pytest.raises(UsageError):
            huntable(held, None, None, error_m=bad)
    with pytest.raises(CrsError):
        ground_of(at, held.to_crs(32617), error_m=1.0)


def test_huntable_is_open_land_less_everything_else():
    law = law_of(rule("h", "dwelling", 100))
    setbacks = setback_polygons(law, dwellings=houses([shapely.box(X - 5, Y, X, Y + 5)]),
                                roads=None, crs=UTM)  # fmt: skip
    shut = areas([shapely.box(X - 500, Y + 300, X, Y + 320)], ["rest area"])
    got = huntable(land([WEST, EAST], ["open", "unknown"]), setbacks, shut, error_m=10.0)
    layers.check(got, layers.contract("huntable"))
    assert list(got["id"]) == ["U001", "U002"]
    north, south = got.geometry
    assert north.bounds[1] == pytest.approx(Y + 330, abs=0.5)
    assert south.bounds[3] == pytest.approx(Y + 290, abs=0.5)
    assert south.bounds[0] == pytest.approx(X - 490, abs=0.5)
    assert south.distance(shapely.Point(X, Y)) >= 110
    assert got["area_m2"].sum() == pytest.approx(got.area.sum())
    assert got["unknowns"][0] == (
        "not checked: setbacks from roads, parcels whose hunting is unknown (left out)"
    )


def test_huntable_says_what_was_not_checked():
    held = land([WEST], ["open"])
    bare = huntable(held, None, None, error_m=10.0)
    assert bare["unknowns"][0] == (
        "not checked: setbacks from dwellings, setbacks from roads, closed areas"
    )
    law = law_of(rule("h", "dwelling", 1), rule("r", "road", 1))
    line = shapely.LineString([(X + 900, Y), (X + 950, Y)])
    drawn = setback_polygons(law, dwellings=houses([box_east(900.0)]), roads=roads([line]), crs=UTM)
    full = huntable(held, drawn, areas([], []), error_m=10.0)
    assert full["unknowns"][0] == ""
    assert full["area_m2"][0] == pytest.approx(480 * 980, rel=1e-3)


def test_without_open_public_land_nothing_is_huntable():
    for held in (None, land([], []), land([WEST], ["unknown"])):
        got = huntable(held, None, None, error_m=10.0, crs=UTM)
        layers.check(got, layers.contract("huntable"))
        assert got.empty
        assert got.crs == UTM
    from_layer = huntable(None, None, areas([EAST], ["x"]), error_m=10.0)
    assert from_layer.crs == UTM
    with pytest.raises(CrsError):
        huntable(None, None, None, error_m=10.0)
    with pytest.raises(CrsError):
        huntable(land([WEST], ["open"]).to_crs(32617), None, None, error_m=1.0, crs=UTM)


def test_many_pieces_keep_their_ids_in_order():
    bars = [shapely.box(X, Y + 30 * n, X + 100, Y + 30 * n + 10) for n in range(12)]
    got = huntable(land(bars, ["open"] * 12), None, None, error_m=1.0)
    assert len(got) == 12
    assert list(got.geometry.bounds["miny"]) == sorted(got.geometry.bounds["miny"], reverse=True)
    gone = huntable(land(bars, ["open"] * 12), None, None, error_m=6.0)
    assert gone.empty


def test_distances_to_real_buildings_by_geod(places):
    """Real footprints: the nearest by pyproj.Geod over every outline walked at 1 m steps."""
    path = places / "danube-krems" / "layers.gpkg"
    utm = CRS.from_epsg(32633)
    frame = gpd.read_file(path, layer="buildings").to_crs(utm)
    frame = frame[frame.is_valid].rename(columns={"building": "kind"}).reset_index(drop=True)
    west, south, east, north = frame.total_bounds
    rng = np.random.default_rng(3)
    at = rng.uniform((west - 800, south - 800), (east + 800, north + 800), (20, 2))
    law = law_of(rule("r", "dwelling", 137.16))
    table = verdicts(points(*at, crs=utm), law, dwellings=frame, roads=None, errors=EXACT).query(
        "target == 'dwelling'"
    )
    walked = shapely.get_coordinates(shapely.segmentize(frame.geometry.to_numpy(), 1.0))
    lonlat = Transformer.from_crs(utm, utm.geodetic_crs, always_xy=True)
    lon, lat = lonlat.transform(*walked.T)
    wgs84 = Geod(ellps="WGS84")
    for (x, y), (_, row) in zip(at, table.iterrows(), strict=True):
        here = (np.full_like(v, u) for v, u in zip((lon, lat), lonlat.transform(x, y), strict=True))
        bearing, _, length = wgs84.inv(*here, lon, lat)
        best = length.argmin()
        if row["distance_m"] > 0:
            assert row["distance_m"] == pytest.approx(length[best], abs=0.13)  # √(r² + ½²) - r
            assert row["distance_m"] <= length[best] + 1e-6
            assert abs(signed_diff_deg(row["bearing_deg"], bearing[best])) < 10.0
        assert (row["verdict"] == "inside") == (length[best] <= 137.16)


# Snyder (1987), Map Projections: A Working Manual: transverse Mercator k = k0 (1 + x²/2R²) near
# its meridian, k0 = 0.9996 for UTM; Web Mercator is stretched along the meridian by the ratio
# of the ellipsoid's radii of curvature, 1/(1 - e²) = 1.00674 at the equator.
def test_scale_brackets_the_grid_over_the_whole_extent():
    at_centre = scale_over(UTM, shapely.points([[500e3, 4300e3], [500.2e3, 4300.2e3]]))
    assert at_centre.least == pytest.approx(0.9996 * (1 - 1e-4), abs=1e-7)
    assert at_centre.most == pytest.approx(0.9996 * (1 + 1e-4), abs=1e-7)
    wide = scale_over(UTM, shapely.points([[500e3, 4300e3]]), shapely.points([[800e3, 4301e3]]))
    assert wide.least == pytest.approx(0.9996 * (1 - 1e-4), abs=1e-6)
    radius = 6371e3
    assert wide.most == pytest.approx(
        0.9996 * (1 + 300e3**2 / (2 * radius**2)) * (1 + 1e-4), abs=2e-5
    )
    assert wide.stretch == 1.0
    web = scale_over(CRS.from_epsg(3857), shapely.points([[0, 0], [1e5, 8.4e6]]))
    assert web.stretch == pytest.approx(1 / (1 - 0.00669438), abs=1e-5)


def test_the_nearest_is_found_where_the_grid_says_otherwise():
    # At 60° N Web Mercator grows by some 2.7 % in 100 km of grid: of two features the northern
    # is the nearer on the ground though 1 % farther on the grid.
    web = CRS.from_epsg(3857)
    here, gap = shapely.Point(0.0, 8.4e6), 1e5
    south, north = shapely.Point(0.0, 8.4e6 - gap), shapely.Point(0.0, 8.4e6 + 1.01 * gap)
    found = nearest(np.array([here]), np.array([south, north]), np.zeros(2), crs=web)
    assert found.feature[0] == 1
    assert abs(signed_diff_deg(found.bearing_deg[0], 0.0)) < 1e-6


def test_a_drawn_radius_allows_for_chords_and_scale():
    plain = Scale(1.0, 1.0, 1.0)
    # Sixteen segments to a quarter circle are 5.625° each; GEOS may make one of 1.5 times that.
    sag = np.cos(np.deg2rad(1.5 * 5.625 / 2))
    assert reach(100.0, plain) == pytest.approx(100.0 / sag)
    assert reach(100.0, Scale(0.9, 1.2, 1.1)) == pytest.approx(120.0 / sag)
    # A radius near nothing must not lose the shape.
    field = shapely.box(4.6e6, 2.8e6, 4.6e6 + 415, 2.8e6 + 20)
    for tiny in (0.0, 1e-162, 1e-6):
        assert grown(field, tiny, plain).covers(field)
        assert field.covers(grown(field, -tiny, plain))
        assert grown(field, -tiny, plain).area == pytest.approx(field.area, rel=2e-3)
    circle = grown(shapely.Point(0, 0), 100.0, plain)
    edge = circle.boundary
    assert 100.0 <= edge.distance(shapely.Point(0, 0)) < 100.5
