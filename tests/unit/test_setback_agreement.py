"""Several rules and several points at once: where one rule is silent, the rest still count."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from helpers_law import (
    EXACT,
    UTM,
    WEST,
    X,
    Y,
    box_east,
    houses,
    judge,
    land,
    law_of,
    off,
    one,
    points,
    roads,
    rule,
)
from pyproj import CRS, Transformer

from sitegeo.law.context import Terms
from sitegeo.law.geodesic import buffer_radius, buffered, scale_over
from sitegeo.law.setbacks import nearest_in_sector, setback_polygons, setback_verdicts
from sitegeo.places.config import Permission

OWNER = {"permission": "of the landowner", "permission_by": "landowner"}


def permitted(x, y, within_m):
    lon, lat = Transformer.from_crs(UTM, 4326, always_xy=True).transform(x, y)
    told = {"by": "landowner", "name": "A. Nowak", "given": "2026-10-01", "within_m": within_m}
    return Permission.model_validate({**told, "latitude": lat, "longitude": lon})


def test_a_landowners_permission_lifts_nothing_where_another_stands():
    law = law_of(rule("nh", "dwelling", 300, "ft", **OWNER))
    table = setback_verdicts(
        points(off(0.0), off(100.0, 60.0)),
        law,
        dwellings=houses([box_east(60.0)]),
        roads=None,
        terms=Terms(errors=EXACT, permissions=(permitted(X, Y, 30.0),)),
    )
    assert list(table.loc[table["target"] == "dwelling", "verdict"]) == ["clear", "inside"]


def test_one_line_that_the_map_does_not_show_is_enough_to_doubt():
    law = law_of(rule("near", "dwelling", 100), rule("ia", "dwelling", 50, measured_from="grounds"))
    assert one(judge(law, dwellings=houses([box_east(900.0)])))["verdict"] == "not checked"


def test_the_map_must_reach_as_far_as_the_rule_that_asks_most():
    law = law_of(rule("less", "dwelling", 10), rule("more", "dwelling", 300))
    far = houses([shapely.Point(off(4000.0, 270.0))])
    for east_m, verdict in ((300.0 + 60.5, "clear"), (300.0 + 59.5, "not checked")):
        area = shapely.box(X - 5000, Y - 5000, X + east_m, Y + 5000)
        row = one(judge(law, dwellings=far, covered={"dwellings": area}))
        assert row["verdict"] == verdict


def test_no_rule_is_left_only_where_all_are_silent():
    mine = rule("mine", "dwelling", 100, applies_on="private land")
    public = land([WEST], ["open"])
    near = {"dwellings": houses([box_east(40.0)]), "public_land": public, "at": (X - 100, Y)}
    assert "is left here" in one(judge(law_of(mine), **near))["note"]
    told = one(judge(law_of(mine, rule("all", "dwelling", 10)), **near))["note"]
    assert "silent on public ground" in told
    assert "is left here" not in told


def test_a_layer_is_said_to_be_complete_only_where_it_shows_nothing():
    law = law_of(rule("r", "dwelling", 50))
    far = houses([box_east(900.0)])
    assert one(judge(law, dwellings=far, complete=("dwellings",)))["note"] == ""
    assert one(judge(law, dwellings=houses([])))["note"] == ""
    told = one(judge(law, dwellings=houses([]), complete=("dwellings",)))["note"]
    assert told == "the dwellings are declared complete"


# In Web Mercator at 60° north a true metre is drawn as two.
@pytest.mark.parametrize(("east_m", "verdict"), [(165.0, "clear"), (155.0, "not checked")])
def test_the_edge_of_the_map_is_measured_in_true_metres(east_m, verdict):
    x, y, crs = 2.7e6, 8.4e6, CRS(3857)
    table = setback_verdicts(
        points((x, y), crs=crs),
        law_of(rule("r", "dwelling", 100)),
        dwellings=houses([shapely.Point(x - 9000, y)], crs=crs),
        roads=None,
        terms=Terms(
            errors=EXACT,
            covered={"dwellings": shapely.box(x - 9e3, y - 9e3, x + 2 * east_m, y + 9e3)},
        ),
    )
    assert one(table)["verdict"] == verdict


def test_a_rule_for_some_of_the_buildings_is_drawn_about_those():
    law = law_of(rule("barns", "livestock building", 40))
    frame = houses([box_east(100.0), box_east(400.0)], ["barn", "house"])
    drawn = setback_polygons(law, dwellings=frame, roads=None, crs=UTM)
    assert list(drawn["rule"]) == ["barns"]
    assert drawn.covers(shapely.Point(off(61.0))).all()
    assert not drawn.covers(shapely.Point(off(399.0))).any()


@pytest.mark.parametrize("limits", [(50, 100), (100, 50)])
def test_of_rules_alike_the_larger_is_drawn_in_whatever_order(limits):
    law = law_of(*(rule(f"r{limit}", "dwelling", limit) for limit in limits))
    drawn = setback_polygons(law, dwellings=houses([box_east(200.0)]), roads=None, crs=UTM)
    assert list(drawn["rule"]) == ["r100"]


def test_a_sector_finds_what_is_hard_by_and_measures_it_to_the_millimetre():
    law = law_of(rule("ny", "dwelling", 500, "ft", geometry="sector"))
    row = one(judge(law, dwellings=houses([box_east(100.0)]), no_fire=((180.0, 360.0),)))
    assert row["distance_m"] == pytest.approx(100.0, abs=1e-3)
    at = np.array([shapely.Point(off(0.0))])
    hut = np.array([shapely.Point(off(0.3)).buffer(0.05)])
    found = nearest_in_sector(at, hut, np.zeros(1), arcs=((60.0, 120.0),), error_m=0.0, crs=UTM)
    assert found.distance_m == pytest.approx([0.25], abs=0.01)
    # Only a corner of what lies all about is in the sector, far off.
    wall = shapely.LineString([off(5.0, 270.0), off(900.0, 359.0), off(800.0, 90.0)])
    found = nearest_in_sector(
        at, np.array([wall]), np.zeros(1), arcs=((89.0, 120.0),), error_m=0.0, crs=UTM
    )
    assert found.distance_m == pytest.approx([800.0], rel=0.03)


def test_whoever_stands_on_a_road_drawn_as_an_area_is_on_it():
    """Far from its outline: a junction, or a street as the land register has it."""
    law = law_of(rule("me", "road", 10, "ft", measured_from="pavement edge"))
    square = shapely.box(X - 80, Y - 80, X + 80, Y + 80)
    row = one(judge(law, ways=roads([square], "primary")), "road")
    assert (row["verdict"], row["distance_m"]) == ("inside", 0.0)
    beside = {"at": (X + 100, Y), "ways": roads([square], "primary")}
    # 20 m from the outline, less half the 24 m that a primary road may be wide beyond it.
    assert one(judge(law, **beside), "road")["distance_m"] == pytest.approx(8.0, abs=0.05)


@pytest.mark.parametrize("distance_m", [1.0, 15.0, 60.0, -4.0])
def test_a_shape_of_very_many_corners_grows_as_any_other(distance_m):
    """A road traced from pixels, its outline, and a house with a courtyard beside a plain one."""
    along = np.linspace(0.0, 400.0, 300)
    jags = np.tile([0.0, 0.7, 0.1], 100)
    upper = np.column_stack([along, 12.0 + 20 * np.sin(along / 60) + jags])
    lower = np.column_stack([along, 20 * np.sin(along / 60) - jags])[::-1]
    road = shapely.Polygon(np.vstack([upper, lower]), [[(40, 15), (60, 17), (55, 20)]])
    both = shapely.MultiPolygon([road, shapely.box(0, 200, 9, 209)])
    given = np.array([road, road.boundary, both, shapely.box(500, 0, 510, 10)], object)
    given = shapely.transform(given, lambda xy: xy + (X, Y))
    scale = scale_over(UTM, given)
    found = buffered(given, distance_m, scale)
    radius = float(buffer_radius(distance_m, scale))
    for shape, got, one_by_one in zip(
        given, found, (buffered(s, distance_m, scale) for s in given), strict=True
    ):
        plain = shape.buffer(radius, quad_segs=64)
        assert got.equals(one_by_one)
        if distance_m < 0:
            assert got.is_empty or got.distance(shape.boundary) > -distance_m
        else:
            assert got.buffer(1e-6).covers(shape.buffer(distance_m * scale.most, quad_segs=64))
        assert got.symmetric_difference(plain).area < 0.01 * shape.length * max(
            abs(distance_m), 0.5
        )
