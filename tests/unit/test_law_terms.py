"""What a verdict rests on beside law and map: ground, day, permissions, arcs, coverage."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
import shapely
from helpers_law import (
    EAST,
    USUAL,
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
    roads,
    rule,
)
from pydantic import ValidationError
from pyproj import Transformer

from sitegeo.law.context import PERMISSION_MATCH_M, PositionErrors, terms_from_record
from sitegeo.law.setbacks import open_arcs, overall_verdict
from sitegeo.law.verdicts import verdict_sentence
from sitegeo.places.config import Permission

DAY = date(2026, 12, 5)
NEAR = (X - 100, Y)


def place_of(x, y):
    """Latitude and longitude of a grid point, as a person writes them."""
    lon, lat = Transformer.from_crs(UTM, 4326, always_xy=True).transform(x, y)
    return {"latitude": lat, "longitude": lon}


def permission(shape, by="occupant", **more):
    spot = shape.centroid
    told = {"by": by, "name": "A. Nowak", "given": date(2026, 10, 1)}
    return Permission(**{**told, **place_of(spot.x, spot.y), **more})


# Private land: Minnesota 97B.001 subd. 7 reaches another's private land, and no public water.
def test_a_rule_for_private_land_is_silent_on_public_ground_and_says_so():
    law = law_of(rule("mn", "dwelling", 500, "ft", applies_on="private land")).as_chosen()
    near = {"dwellings": houses([box_east(40.0)]), "errors": PositionErrors()}
    on_public = judge(law, at=NEAR, public_land=land([WEST], ["open"]), **near)
    row = one(on_public)
    assert row["verdict"] == "not checked"
    assert np.isnan(row["distance_m"])
    assert "mn is for private land: silent on public ground" in row["note"]
    assert "no rule for dwellings is left here" in verdict_sentence(row, law)
    assert overall_verdict(on_public, law) == "not checked"
    # Unknown ground, ground within the error of the edge, and private ground are not public.
    west, east = land([WEST], ["open"]), land([EAST], ["open"])
    for public_land, at in ((None, NEAR), (east, NEAR), (west, (X - 20, Y))):
        row = one(judge(law, at=at, public_land=public_land, **near))
        assert row["verdict"] == "inside"
        assert "silent" not in row["note"]


def test_where_one_rule_is_silent_the_others_speak():
    law = law_of(
        rule("mine", "dwelling", 500, "ft", applies_on="private land"),
        rule("all", "dwelling", 30),
    )
    near = {"dwellings": houses([box_east(60.0)]), "at": (X, Y)}
    wide = land([shapely.box(X - 900, Y - 900, X + 900, Y + 900)], ["open"])
    row = one(judge(law, public_land=wide, **near))
    assert (row["verdict"], row["rule"], row["limit_m"]) == ("clear", "all", 30)
    assert one(judge(law, **near))["rule"] == "mine"


def test_a_rule_holds_between_its_dates_and_without_a_day():
    law = law_of(
        rule("r", "dwelling", 100, effective_from="2026-12-06", effective_to="2027-01-31"),
        rule("less", "dwelling", 10),
    )
    near = {"dwellings": houses([box_east(60.0)])}
    for on, verdict in (
        (None, "inside"),
        (date(2026, 12, 5), "clear"),
        (date(2026, 12, 6), "inside"),
        (date(2027, 1, 31), "inside"),
        (date(2027, 2, 1), "clear"),
    ):
        row = one(judge(law, on=on, **near))
        assert row["verdict"] == verdict
        assert ("r is not in force" in row["note"]) == (verdict == "clear")
    alone = law_of(law.distance[0])
    assert one(judge(alone, on=DAY, **near))["verdict"] == "not checked"


# Occupant's permission: 34 Pa.C.S. 2505; in writing: Arkansas Code 05.15.
def test_a_permission_lifts_the_rule_for_its_own_building_alone():
    law = law_of(rule("pa", "dwelling", 150, "yd", permission="of the occupant",
                      permission_by="occupant"))  # fmt: skip
    mine, other = box_east(60.0), box_east(300.0)
    frame = houses([mine, other])
    assert one(judge(law, dwellings=frame))["feature"] == "house #0"
    row = one(judge(law, dwellings=frame, permissions=(permission(mine),)))
    assert (row["verdict"], row["feature"]) == ("clear", "house #1")
    assert "permission of A. Nowak, 2026-10-01, for house #0" in verdict_sentence(row, law)
    # The same paper does nothing for the neighbour's house.
    row = one(judge(law, dwellings=frame, permissions=(permission(other),)))
    assert (row["verdict"], row["feature"]) == ("inside", "house #0")
    alone = judge(law, dwellings=houses([mine]), permissions=(permission(mine),))
    assert one(alone)["verdict"] == "clear"
    assert one(alone)["feature"] == ""


def test_a_permission_for_one_house_does_not_lift_a_village_under_one_row():
    asks = {"permission": "of the occupant", "permission_by": "occupant"}
    law = law_of(rule("pa", "dwelling", 150, "yd", **asks))
    mine, other = box_east(60.0), box_east(90.0)
    for parts, verdict in (([mine], "clear"), ([mine, other], "inside")):
        village = houses([shapely.MultiPolygon(parts)])
        row = one(judge(law, dwellings=village, permissions=(permission(mine),)))
        assert row["verdict"] == verdict


@pytest.mark.parametrize(
    ("more", "on", "lifted"),
    [
        ({}, None, True),
        ({}, DAY, True),
        ({"by": "owner"}, DAY, False),
        ({"rules": ("pa",)}, DAY, True),
        ({"rules": ("other",)}, DAY, False),
        ({"given": DAY}, DAY, True),
        ({"given": date(2026, 12, 6)}, DAY, False),
        ({"until": DAY}, DAY, True),
        ({"until": date(2026, 12, 4)}, DAY, False),
        ({"until": date(2027, 12, 4)}, None, False),
    ],
)
def test_when_a_permission_counts(more, on, lifted):
    asks = {"permission": "of the occupant", "permission_by": "occupant"}
    law = law_of(rule("pa", "dwelling", 150, "yd", **asks))
    house = box_east(60.0)
    row = one(
        judge(law, dwellings=houses([house]), permissions=(permission(house, **more),), on=on)
    )
    assert row["verdict"] == ("clear" if lifted else "inside")


def test_a_rule_that_asks_for_writing_is_not_lifted_by_word_of_mouth():
    asks = {"permission": "in writing", "permission_by": ["owner", "occupant"]}
    law = law_of(rule("ar", "dwelling", 150, "yd", **asks, permission_written=True))
    house = box_east(60.0)
    for written, verdict in ((False, "inside"), (True, "clear")):
        given = permission(house, "owner", written=written)
        assert (
            one(judge(law, dwellings=houses([house]), permissions=(given,)))["verdict"] == verdict
        )
    never = law_of(rule("no", "dwelling", 150, "yd"))
    held = judge(never, dwellings=houses([house]), permissions=(permission(house),))
    assert one(held)["verdict"] == "inside"


def test_a_permission_for_no_building_or_one_of_two_lifts_nothing():
    asks = {"permission": "of the occupant", "permission_by": "occupant"}
    law = law_of(rule("pa", "dwelling", 150, "yd", **asks))
    house = box_east(60.0, size_m=10.0)
    for gap, lifted in ((PERMISSION_MATCH_M - 0.5, True), (PERMISSION_MATCH_M + 0.5, False)):
        west = permission(shapely.Point(house.bounds[0] - gap, house.centroid.y))
        row = one(judge(law, dwellings=houses([house]), permissions=(west,)))
        assert (row["verdict"] == "clear") == lifted
        assert ("no building on the map" in row["note"]) != lifted
    # Between two houses 10 m apart it may be for either; on one of them for that one.
    two = houses([house, box_east(80.0)])
    between = permission(shapely.Point(house.bounds[2] + 5.0, house.centroid.y))
    assert one(judge(law, dwellings=two, permissions=(between,)))["feature"] == "house #0"
    on_it = judge(law, dwellings=two, permissions=(permission(house),))
    assert one(on_it)["feature"] == "house #1"


# New Hampshire RSA 207:3-a: the owner of the land on which the person stands may permit.
def test_a_landowner_permits_on_the_ground_that_is_theirs():
    asks = {"permission": "of the landowner", "permission_by": "landowner"}
    law = law_of(rule("nh", "dwelling", 300, "ft", **asks))
    spot = shapely.Point(off(0.0))
    frame = houses([box_east(60.0)])
    for reach, error, verdict in ((30.0, 0.0, "clear"), (30.0, 30.5, "inside")):
        errors = PositionErrors(0, 0, error, 0, 0, 0, 0)
        given = permission(spot, "landowner", within_m=reach)
        row = one(judge(law, dwellings=frame, errors=errors, permissions=(given,)))
        assert row["verdict"] == verdict
    away = permission(shapely.Point(off(40.0, 270.0)), "landowner", within_m=30.0)
    row = one(judge(law, dwellings=frame, permissions=(away,)))
    assert (row["verdict"], row["note"]) == ("inside", "")
    line = shapely.LineString([off(60.0), off(60.0, 91.0)])
    by_road = law_of(rule("w", "road", 100, **asks))
    given = permission(spot, "landowner", within_m=30.0)
    assert one(judge(by_road, ways=roads([line]), permissions=(given,)), "road")["verdict"] == (
        "clear"
    )


@pytest.mark.parametrize(
    "wrong",
    [
        {"within_m": 20.0},
        {"by": "landowner"},
        {"until": date(2026, 9, 30)},
        {"by": "neighbour"},
        {"latitude": 91.0},
        {"name": ""},
    ],
)
def test_a_permission_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValidationError):
        permission(shapely.Point(X, Y), **wrong)


# The line a rule counts from: maintained grounds (Iowa SF 2025) and property lines lie outside
# the walls that a map shows.
@pytest.mark.parametrize(
    ("measured_from", "outline", "verdict"),
    [
        ("wall", "wall", "clear"),
        ("grounds", "wall", "not checked"),
        ("property line", "grounds", "not checked"),
        ("grounds", "grounds", "clear"),
        ("grounds", "property line", "clear"),
        ("property line", "property line", "clear"),
    ],
)
def test_a_line_the_map_does_not_show_is_never_clear(measured_from, outline, verdict):
    law = law_of(rule("ia", "dwelling", 200, "yd", measured_from=measured_from))
    far, near = (houses([box_east(distance)]) for distance in (500.0, 100.0))
    row = one(judge(law, dwellings=far, outline=outline))
    assert row["verdict"] == verdict
    assert ("counts from the" in row["note"]) == (verdict == "not checked")
    assert one(judge(law, dwellings=near, outline=outline))["verdict"] == "inside"


# A sector: New York ECL 11-0931 spares a hunter over water with no dwelling within 500 ft in the
# line of discharge.
@pytest.mark.parametrize(
    ("no_fire", "verdict"),
    [
        ((), "inside"),
        (((30.0, 330.0),), "clear"),
        (((60.5, 180.0),), "inside"),  # 30° wider than the open arc it still reaches due east
        (((59.5, 180.0),), "clear"),
        (((0.0, 119.5),), "inside"),
        (((0.0, 120.5),), "clear"),
        (((180.0, 300.0),), "inside"),
        (((0.0, 360.0),), "clear"),
        (((350.0, 200.0), (100.0, 340.0)), "clear"),
    ],
)
def test_a_sector_counts_only_where_the_arcs_left_open_point(no_fire, verdict):
    law = law_of(rule("ny", "dwelling", 500, "ft", geometry="sector"))
    house = houses([shapely.Point(off(100.0)).buffer(0.05)])
    row = one(judge(law, dwellings=house, no_fire=no_fire))
    assert row["verdict"] == verdict
    as_disc = law_of(rule("d", "dwelling", 500, "ft"))
    assert one(judge(as_disc, dwellings=house, no_fire=no_fire))["verdict"] == "inside"


def test_a_sector_measures_to_the_part_of_a_house_that_is_in_it():
    law = law_of(rule("ny", "dwelling", 500, "ft", geometry="sector"))
    # A long house running east from the north: the sector starts 60° + 0° east of north.
    wall = shapely.LineString([off(50.0, 0.0), off(200.0, 75.0)]).buffer(0.01)
    whole = one(judge(law, dwellings=houses([wall])))
    part = one(judge(law, dwellings=houses([wall]), no_fire=((200.0, 90.0),)))
    assert whole["distance_m"] < 50.0
    assert part["distance_m"] > whole["distance_m"]
    assert 60.0 - 0.1 <= part["bearing_deg"] < 75.0
    assert "where the arcs you left open point" in part["note"]
    # The error draws the sector out and a point has its size.
    near = PositionErrors(60.0, 0, 0, 0, 0, 0, 0)
    drawn = one(judge(law, dwellings=houses([wall]), no_fire=((200.0, 90.0),), errors=near))
    assert drawn["distance_m"] < part["distance_m"]
    point = houses([shapely.Point(off(100.0, 50.0))])
    row = one(judge(law, dwellings=point, no_fire=((200.0, 90.0),)))
    # 100 m off and 20 m in radius, 10° beside the edge: 100 cos 10° - (20² - (100 sin 10°)²)^½.
    assert row["verdict"] == "inside"
    assert row["distance_m"] == pytest.approx(88.56, abs=0.2)
    # A layer with nothing of the kind is still too little to tell.
    sheds = houses([box_east(60.0)], "shed")
    assert one(judge(law, dwellings=sheds, no_fire=((200.0, 90.0),)))["verdict"] == "not checked"


@pytest.mark.parametrize(
    ("no_fire", "arcs"),
    [
        ([], [(0, 360)]),
        ([(10, 10)], [(0, 360)]),
        ([(0, 360)], []),
        ([(90, 270)], [(240, 480)]),
        ([(270, 90)], [(60, 300)]),
        ([(100, 200), (150, 250)], [(220, 490)]),
        ([(350, 10), (100, 200)], [(340, 490), (170, 380)]),
        ([(0, 180), (180, 360)], []),
        ([(0, 180), (180, 350)], [(320, 390)]),
        ([(300, 301)], [(271, 631)]),
    ],
)
def test_open_arcs_are_the_rest_and_a_margin(no_fire, arcs):
    found = np.array(sorted(open_arcs(no_fire))).reshape(-1, 2)
    assert found == pytest.approx(np.array(sorted(arcs), float).reshape(-1, 2))


# A layer that covers part of the place counts as missing for the rest.
@pytest.mark.parametrize(
    ("limit", "east_m", "verdict"),
    [(100, 161.0, "clear"), (100, 159.0, "not checked"), (100, -50.0, "not checked")],
)
def test_a_layer_says_nothing_of_what_lies_beyond_it(limit, east_m, verdict):
    # 100 m of limit and 60 m for a building mapped as a point whose wall may come nearer.
    law = law_of(rule("r", "dwelling", limit))
    area = shapely.box(X - 5000, Y - 5000, X + east_m, Y + 5000)
    far = houses([shapely.Point(off(4000.0, 270.0))])
    row = one(judge(law, dwellings=far, covered={"dwellings": area}))
    assert row["verdict"] == verdict
    assert ("ends before the limit does" in row["note"]) == (verdict == "not checked")
    near = houses([box_east(40.0)])
    assert one(judge(law, dwellings=near, covered={"dwellings": area}))["verdict"] == "inside"
    for no_area in (shapely.Polygon(), shapely.Point(X, Y), shapely.LineString([NEAR, (X, Y)])):
        nothing = judge(law, dwellings=far, covered={"dwellings": no_area})
        assert one(nothing)["verdict"] == "not checked"
    # The error counts on top.
    tight = judge(law, dwellings=far, covered={"dwellings": area}, errors=USUAL)
    assert one(tight)["verdict"] == "not checked"


def test_a_complete_layer_is_complete_within_its_area_alone():
    law = law_of(rule("r", "dwelling", 100))
    for east_m, verdict in ((200.0, "clear"), (100.0, "not checked")):
        area = shapely.box(X - 900, Y - 900, X + east_m, Y + 900)
        covered = {"dwellings": area}
        row = one(judge(law, dwellings=houses([]), complete=("dwellings",), covered=covered))
        assert row["verdict"] == verdict


@pytest.mark.parametrize(
    ("measured_from", "east_m", "verdict"),
    [
        ("centreline", 50.5, "clear"),
        ("pavement edge", 50.5, "not checked"),
        ("pavement edge", 65.5, "clear"),
        ("right-of-way", 65.5, "not checked"),
        ("right-of-way", 110.5, "clear"),
    ],
)
def test_a_road_beyond_the_map_may_be_wide(measured_from, east_m, verdict):
    law = law_of(rule("r", "road", 50, measured_from=measured_from))
    area = shapely.box(X - 5000, Y - 5000, X + east_m, Y + 5000)
    far = roads([shapely.LineString([off(3000.0, 270.0), off(3000.0, 271.0)])])
    row = one(judge(law, ways=far, covered={"roads": area}), "road")
    assert row["verdict"] == verdict


def test_terms_come_from_what_a_survey_recorded():
    west, south, east, north = Transformer.from_crs(UTM, 4326, always_xy=True).transform_bounds(
        X - 1000, Y - 1000, X + 1000, Y + 1000
    )
    record = {
        "assume": {
            "position_error_m": {"dwellings": 1.0},
            "complete": {"roads": True, "closed_areas": [west, south, east, north]},
            "dwelling_outline": "grounds",
        },
        "terms": {"no_fire": [[10, 20]], "other_hides": [[38.9, -76.3]]},
        "inputs": [
            {"role": "dwellings", "crs": "EPSG:4326", "extent": [west, south, east, north]},
            {"role": "roads", "crs": "EPSG:4326", "extent": [west, south, east, north]},
            {"role": "public_land", "crs": "EPSG:4326", "extent": [west, south, east, north]},
        ],
    }
    terms = terms_from_record(record, crs=UTM, on=DAY)
    assert terms.errors.dwellings_m == 1.0
    assert terms.complete == {"roads", "closed_areas"}
    # Declared complete all over, roads reach everywhere; public land needs no extent.
    assert set(terms.covered) == {"dwellings", "closed_areas"}
    for area in terms.covered.values():
        assert area.contains(shapely.Point(X + 980, Y - 980))
        assert not area.contains(shapely.Point(X + 1050, Y))
    assert (terms.outline, terms.on) == ("grounds", DAY)
    assert terms.no_fire == ((10.0, 20.0),)
    assert terms_from_record({}, crs=UTM).covered == {}


def test_an_extent_in_degrees_keeps_to_its_parallels():
    """Over two degrees a straight line on the grid leaves the parallel by some 400 m."""
    west, east, south = -77.3, -75.3, 38.8
    record = {"assume": {"complete": {"closed_areas": [west, south, east, 39.3]}}}
    area = terms_from_record(record, crs=UTM).covered["closed_areas"]
    to_grid = Transformer.from_crs(4326, UTM, always_xy=True)
    for lon in (-76.9, -76.3, -75.4):
        x, y = to_grid.transform(lon, south)
        assert area.covers(shapely.Point(x, y + 3))
        assert not area.covers(shapely.Point(x, y - 3))


def test_beyond_what_was_read_of_the_files_nothing_is_covered():
    """Vectors are read to 2 km beyond the photo, however far they are declared complete."""
    grid = {"west_m": X, "north_m": Y + 100, "pixel_m": 0.5, "rows": 200, "columns": 400}
    whole = {"complete": {"roads": True, "dwellings": True}}
    for record in ({"assume": whole, "grid": grid}, {"grid": grid}):
        covered = terms_from_record(record, crs=UTM).covered
        assert set(covered) == {"dwellings", "roads", "public_land", "closed_areas"}
        for area in covered.values():
            assert area.bounds == (X - 2000, Y - 2000, X + 2200, Y + 2100)
    far = shapely.Point(X + 9000, Y)
    table = judge(
        law_of(rule("r", "dwelling", 100)),
        at=(far.x, far.y),
        dwellings=houses([box_east(40.0)]),
        complete=("dwellings",),
        covered=covered,
    )
    assert one(table)["verdict"] == "not checked"


@pytest.mark.parametrize(
    "extent",
    [
        [-76.3, 38.9, -76.3, 38.9],
        [-76.4, 39.0, -76.2, 38.8],
        [-76.2, 38.8, -76.4, 39.0],
        [-180.0, -90.0, 180.0, 90.0],
        [100.0, 80.0, 101.0, 90.0],
    ],
)
def test_an_extent_that_is_no_area_here_covers_nothing(extent):
    record = {"inputs": [{"role": "dwellings", "crs": "EPSG:4326", "extent": extent}]}
    area = terms_from_record(record, crs=UTM).covered["dwellings"]
    assert not area.covers(shapely.Point(X, Y))
