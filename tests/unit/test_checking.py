"""`sitegeo check`: what it prints, as lines and as JSON, and that it never disagrees."""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from helpers_law import (
    UTM,
    X,
    Y,
    areas,
    box_east,
    houses,
    land,
    law_of,
    points,
    roads,
    rule,
)

from sitegeo.cli.commands.check import command
from sitegeo.cli.report.answers import print_check
from sitegeo.core.contracts import VERDICTS
from sitegeo.law.daylight import local_day, read_day, time_zone
from sitegeo.law.verdicts import verdicts_along, verdicts_at
from sitegeo.plans.check import _checked, _Opened, check_spot
from sitegeo.plans.record import verdict_items

REPO = Path(__file__).resolve().parents[2]
LAW = law_of(rule("house", "dwelling", 150, "yd"), rule("road", "road", 50, "ft"))
FAR_ROAD = shapely.LineString([(X - 5000, Y + 900), (X + 5000, Y + 900)])
TARGETS = ["dwelling", "road", "public ground", "hunting", "closed areas"]
# Keys of one item and of the whole, as agreed for every program that reads them.
ITEM = {"id", "target", "verdict", "distance_m", "limit_m", "margin_m", "error_m"}
ITEM |= {"bearing_deg", "feature", "rule", "measured_from"}
WHOLE = {"schema", "law", "verdict", "items", "not_checked"}


def opened(**more):
    """A place of the public land west of a spot, one house 200 m east of it and a far road."""
    wide = shapely.box(X - 9000, Y - 9000, X + 9000, Y + 9000)
    layers = {
        "dwellings": houses([box_east(200.0)]),
        "roads": roads([FAR_ROAD], "residential"),
        "public_land": land([wide], ["open"]),
        "closed_areas": areas([shapely.box(X + 3000, Y, X + 3100, Y + 9)], ["refuge"], "10-01",
                              "01-15"),
        **more,
    }  # fmt: skip
    spot = points((X, Y))
    return _Opened(spot, spot.assign(facing_deg=270.0), spot[:0], layers, {})


def checked(law=None, on=None, **more):
    return _checked(opened(**more), law or LAW.as_chosen(), on)


def test_json_has_the_agreed_keys_and_units() -> None:
    found = checked()
    told = json.loads(json.dumps(found.to_json()))
    assert set(told) >= WHOLE
    assert told["schema"] == "sitegeo/check/1"
    assert told["law"] == {"name": "Test law", "chosen": True, "read_on": "2026-01-01"}
    assert [i["target"] for i in told["items"]] == [*TARGETS, "fall of shot"]
    for item in told["items"]:
        assert set(item) >= ITEM
        assert item["verdict"] in VERDICTS
    house = told["items"][0]
    assert house["verdict"] == told["verdict"] == "clear"
    assert house["distance_m"] == pytest.approx(200.0, abs=0.01)
    assert (house["limit_m"], house["error_m"]) == (137.16, 22.0)
    assert house["margin_m"] == pytest.approx(200.0 - 137.16, abs=0.01)
    assert house["bearing_deg"] == pytest.approx(90.0, abs=0.5)
    assert (house["feature"], house["rule"], house["measured_from"]) == (
        "house #0",
        "house",
        "wall",
    )
    assert told["not_checked"] == []
    missing = checked(dwellings=None).to_json()
    assert missing["not_checked"] == ["dwelling", "fall of shot"]
    assert missing["verdict"] == "not checked"


def test_with_no_law_chosen_nothing_is_clear_in_all() -> None:
    found = checked(LAW)
    assert set(found.table["verdict"]) == {"clear"}
    assert found.overall == found.to_json()["verdict"] == "not checked"


@pytest.mark.parametrize("chosen", [True, False])
def test_lines_tell_every_item_in_words_worst_first(capsys, chosen) -> None:
    near = checked(
        LAW.as_chosen() if chosen else LAW,
        dwellings=houses([box_east(100.0), shapely.Point(X, Y + 8000)]),
        closed_areas=None,
    )
    print_check(near, units="yd", verbose=False, quiet=False)
    out, err = capsys.readouterr()
    lines = [" ".join(line.split()) for line in out.splitlines()]
    assert lines[0] == "Law: Test law"
    rows = [line for line in lines if line.startswith("X001")]
    words = [next(v for v in VERDICTS if f" {v} " in row) for row in rows if "no fire" not in row]
    assert words == sorted(words, key=["inside", "close", "not checked", "clear"].index)
    text = " ".join(lines)
    example = "" if chosen else " (an example, not your law)"
    assert "inside the setback of the mapped dwellings: house #0 is 109 yd off" in text
    assert f"the limit is 150 yd under house{example}" in text.replace("  ", " ")
    assert re.search(r"clear of the mapped roads by \d+ yd under road", text)
    assert "no map of closed areas here" in text
    assert "no fire" in text
    assert "In all: inside." in err
    assert ("no law" in err.lower() or "not your law" in err.lower()) != chosen


def test_a_line_of_decoys_is_clear_only_where_all_of_it_is() -> None:
    """Its middle lies 30 m from its end, which the setback reaches."""
    line = shapely.box(X - 2, Y - 1, X + 60, Y + 1)
    middle = points((line.centroid.x, line.centroid.y))
    shapes = gpd.GeoDataFrame({"id": ["LINE", "HIDE"]}, geometry=[line, shapely.Point(X, Y)],
                              crs=UTM)  # fmt: skip
    layers = opened().layers
    table = verdicts_along(shapes, LAW, layers, {})
    assert list(table["id"]) == ["LINE"] * 5 + ["HIDE"] * 5
    assert list(table["target"]) == TARGETS * 2
    assert table["distance_m"][0] == pytest.approx(140.0, abs=0.1)
    assert list(table["verdict"][[0, 5]]) == ["close", "clear"]
    assert verdicts_at(middle, LAW, layers, {})["verdict"][0] == "clear"
    # A point is judged as itself, to the digit.
    spot = verdicts_at(points((X, Y)), LAW, layers, {}).assign(id="HIDE")
    assert verdict_items(table[5:].reset_index(drop=True)) == verdict_items(spot)
    # The ground too: the line's end lies off the public land.
    edge = land([shapely.box(X - 900, Y - 900, X + 62, Y + 900)], ["open"])
    ground = verdicts_along(shapes, LAW, {**layers, "public_land": edge}, {})
    assert list(ground["verdict"][[2, 7]]) == ["close", "clear"]


def test_the_day_counts_for_every_item() -> None:
    shut = areas([shapely.box(X - 50, Y - 50, X + 50, Y + 50)], ["refuge"], "10-01", "01-15")
    for on, verdict in (
        (None, "inside"),
        (date(2026, 12, 5), "inside"),
        (date(2026, 3, 1), "clear"),
    ):
        table = checked(on=on, closed_areas=shut).table
        assert table.loc[table["target"] == "closed areas", "verdict"].item() == verdict


def test_the_day_is_that_of_the_places_clock_and_never_greenwichs() -> None:
    """An evening by the river is the next day at Greenwich: the rules of that day do not hold."""
    chicago = time_zone("America/Chicago")
    assert read_day("2026-12-05") == read_day("2026-12-05T18:30") == date(2026, 12, 5)
    late = read_day("2026-12-06T01:30+00:00")
    assert local_day(late, chicago) == date(2026, 12, 5)
    assert local_day(late, None) == date(2026, 12, 6)
    assert local_day(read_day("2026-12-05T06:40-06:00"), chicago) == date(2026, 12, 5)
    assert local_day(date(2026, 12, 5), chicago) == date(2026, 12, 5)
    assert local_day(None, chicago) is None


def test_the_schema_of_a_law_is_printed_whole() -> None:
    done = CliRunner().invoke(command, ["--law-schema"])
    assert done.exit_code == 0
    assert json.loads(done.output) == json.loads((REPO / "docs" / "law.schema.json").read_text())


def test_a_spot_of_which_no_map_is_given() -> None:
    told = check_spot((44.126, -90.556), law=LAW.as_chosen()).to_json()
    assert told["verdict"] == "not checked"
    assert {i["verdict"] for i in told["items"]} == {"not checked"}
    assert told["huntable"] is None
    assert np.isfinite([i["error_m"] for i in told["items"] if i["error_m"]]).all()
