"""Public ground, open and closed ground, drawn setbacks and what is left to hunt."""

from __future__ import annotations

import pytest
import shapely
from helpers_law import (
    EAST,
    UTM,
    WEST,
    X,
    Y,
    areas,
    box_east,
    houses,
    land,
    law_of,
    off,
    points,
    roads,
    rule,
)

from sitegeo.core import contracts
from sitegeo.errors import CrsError, UsageError
from sitegeo.law.ground import closure_reasons, ground_ownership, huntable_ground, hunting_status
from sitegeo.law.setbacks import setback_polygons


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
    contracts.check(drawn, contracts.contract("setbacks"))
    assert list(drawn["id"]) == ["S001", "S002"]
    assert list(drawn["rule"]) == ["h", "w"]
    # The point counts as a house 20 m nearer on all sides.
    assert drawn.geometry[0].covers(shapely.Point(off(300.0 + 137.16 + 20.0)))
    assert not drawn.geometry[0].covers(shapely.Point(off(300.0 + 137.16 + 21.0)))
    assert list(drawn["verify"]) == [True, False]
    assert drawn["distance_m"][0] == pytest.approx(137.16)
    for bare in (houses([]), None):
        none = setback_polygons(law, dwellings=bare, roads=None, crs=UTM)
        contracts.check(none, contracts.contract("setbacks"))
        assert none.empty
        assert none.crs == UTM


def test_ground_is_unknown_near_an_edge_and_private_only_in_a_complete_layer():
    at = points((X - 20, Y), (X - 1, Y), (X + 490, Y), (X + 520, Y), (X + 505, Y))
    both = land([WEST, EAST], ["open", "unknown"])
    # The line between two public parcels is no edge of public ground.
    got = ground_ownership(at, both, error_m=15.0)
    assert list(got) == ["public", "public", "unknown", "unknown", "unknown"]
    got = ground_ownership(at, both, error_m=15.0, complete=True)
    assert list(got) == ["public", "public", "unknown", "private", "unknown"]
    assert list(ground_ownership(at, None, error_m=15.0, complete=True)) == ["unknown"] * 5
    empty = land([], [])
    assert list(ground_ownership(at, empty, error_m=15.0)) == ["unknown"] * 5
    assert list(ground_ownership(at, empty, error_m=15.0, complete=True)) == ["private"] * 5
    assert ground_ownership(at[:0], both, error_m=15.0).empty
    assert ground_ownership(at.set_axis(list("abcde")), both, error_m=1.0)["a"] == "public"


def test_public_is_not_open_to_hunting():
    at = points((X - 20, Y), (X - 1, Y), (X + 200, Y), (X + 900, Y))
    for status in ("closed", "restricted", "unknown"):
        got = hunting_status(at, land([WEST, EAST], ["open", status]), error_m=15.0)
        assert list(got) == ["open", status, status, "unknown"]
    over = land([WEST, WEST, WEST], ["open", "unknown", "closed"])
    assert list(hunting_status(at, over, error_m=15.0)) == [
        "closed",
        "closed",
        "unknown",
        "unknown",
    ]
    edge = hunting_status(at, land([WEST], ["open"]), error_m=15.0)
    assert list(edge) == ["open", "unknown", "unknown", "unknown"]
    assert set(hunting_status(at, None, error_m=15.0)) == {"unknown"}
    assert hunting_status(at[:0], over, error_m=15.0).empty


def test_closed_counts_within_the_error_and_says_why():
    at = points((X - 20, Y), (X - 10, Y), (X + 5, Y))
    shut = areas([EAST, EAST.buffer(-2)], ["refuge", None], "1 Oct", "15 Jan")
    got = closure_reasons(at, shut, error_m=12.5)
    assert got[0] is None
    assert got[1] == "closed area (from 1 Oct to 15 Jan); refuge (from 1 Oct to 15 Jan)"
    assert closure_reasons(at, areas([EAST], ["refuge"]), error_m=12.0)[2] == "refuge"
    assert closure_reasons(at, areas([EAST], ["refuge"], until="15 Jan"), error_m=0.0)[2] == (
        "refuge (to 15 Jan)"
    )
    assert closure_reasons(at, None, error_m=12.0).isna().all()
    assert closure_reasons(at[:0], shut, error_m=12.0).empty


def test_an_error_that_is_no_length_is_refused():
    at, held = points((X, Y)), land([WEST], ["open"])
    for bad in (-1.0, float("nan"), float("inf")):
        with pytest.raises(UsageError):
            ground_ownership(at, held, error_m=bad)
        with pytest.raises(UsageError):
            huntable_ground(held, None, None, error_m=bad)
    with pytest.raises(CrsError):
        ground_ownership(at, held.to_crs(32617), error_m=1.0)


def test_huntable_is_open_land_less_everything_else():
    law = law_of(rule("h", "dwelling", 100))
    setbacks = setback_polygons(law, dwellings=houses([shapely.box(X - 5, Y, X, Y + 5)]),
                                roads=None, crs=UTM)  # fmt: skip
    shut = areas([shapely.box(X - 500, Y + 300, X, Y + 320)], ["rest area"])
    got = huntable_ground(land([WEST, EAST], ["open", "unknown"]), setbacks, shut, error_m=10.0)
    contracts.check(got, contracts.contract("huntable"))
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
    bare = huntable_ground(held, None, None, error_m=10.0)
    assert bare["unknowns"][0] == (
        "not checked: setbacks from dwellings, setbacks from roads, closed areas"
    )
    law = law_of(rule("h", "dwelling", 1), rule("r", "road", 1))
    line = shapely.LineString([(X + 900, Y), (X + 950, Y)])
    drawn = setback_polygons(law, dwellings=houses([box_east(900.0)]), roads=roads([line]), crs=UTM)
    full = huntable_ground(held, drawn, areas([], []), error_m=10.0)
    assert full["unknowns"][0] == ""
    assert full["area_m2"][0] == pytest.approx(480 * 980, rel=1e-3)


def test_without_open_public_land_nothing_is_huntable():
    for held in (None, land([], []), land([WEST], ["unknown"])):
        got = huntable_ground(held, None, None, error_m=10.0, crs=UTM)
        contracts.check(got, contracts.contract("huntable"))
        assert got.empty
        assert got.crs == UTM
    from_layer = huntable_ground(None, None, areas([EAST], ["x"]), error_m=10.0)
    assert from_layer.crs == UTM
    with pytest.raises(CrsError):
        huntable_ground(None, None, None, error_m=10.0)
    with pytest.raises(CrsError):
        huntable_ground(land([WEST], ["open"]).to_crs(32617), None, None, error_m=1.0, crs=UTM)


def test_many_pieces_keep_their_ids_in_order():
    bars = [shapely.box(X, Y + 30 * n, X + 100, Y + 30 * n + 10) for n in range(12)]
    got = huntable_ground(land(bars, ["open"] * 12), None, None, error_m=1.0)
    assert len(got) == 12
    assert list(got.geometry.bounds["miny"]) == sorted(got.geometry.bounds["miny"], reverse=True)
    gone = huntable_ground(land(bars, ["open"] * 12), None, None, error_m=6.0)
    assert gone.empty
