"""Public ground, hunting and closed areas as verdicts."""

from __future__ import annotations

from datetime import date

import pytest
import shapely
from helpers_law import EAST, WEST, X, Y, areas, land, law_of, points

from sitegeo.law.context import VERDICT_COLUMNS, PositionErrors, Terms
from sitegeo.law.ground import GROUND_TARGETS, closure_reasons, ground_verdicts, is_closed_on
from sitegeo.law.verdicts import verdict_sentence

ERRORS = PositionErrors(0, 0, 15.0, 15.0, 0, 0, 0)
WHOLE = frozenset({"public_land", "closed_areas"})


def judge(*at, public_land=None, closed_areas=None, **terms):
    return ground_verdicts(
        points(*at),
        public_land=public_land,
        closed_areas=closed_areas,
        terms=Terms(errors=ERRORS, **terms),
    )


def of(table, target):
    return list(table.loc[table["target"] == target, "verdict"])


def test_three_rows_a_point_in_order():
    table = judge((X - 100, Y), (X + 100, Y))
    assert list(table.columns) == list(VERDICT_COLUMNS)
    assert list(table["id"]) == ["X001"] * 3 + ["X002"] * 3
    assert list(table["target"]) == list(GROUND_TARGETS) * 2
    assert set(table["verdict"]) == {"not checked"}
    assert judge(public_land=land([WEST], ["open"])).empty


def test_public_ground_is_clear_only_well_inside():
    at = [(X - 100, Y), (X - 10, Y), (X + 10, Y), (X + 100, Y)]
    west = land([WEST], ["open"])
    assert of(judge(*at, public_land=west), "public ground") == [
        "clear", "close", "close", "not checked",
    ]  # fmt: skip
    assert of(judge(*at, public_land=west, complete=WHOLE), "public ground") == [
        "clear", "close", "close", "inside",
    ]  # fmt: skip
    assert of(judge(*at), "public ground") == ["not checked"] * 4
    words = list(judge(*at, public_land=west)["note"][::3])
    assert words[1] == "within 15 m of the edge of the public land of the map"
    assert "ask whose ground it is" in words[3]


def test_declared_complete_within_an_area_it_is_private_only_there():
    area = shapely.box(X - 500, Y - 500, X + 200, Y + 500)
    held = {"complete": WHOLE, "covered": {"public_land": area}}
    at = [(X + 100, Y), (X + 190, Y), (X + 300, Y)]
    table = judge(*at, public_land=land([WEST], ["open"]), **held)
    assert of(table, "public ground") == ["inside", "not checked", "not checked"]


@pytest.mark.parametrize(
    ("hunting", "verdict"),
    [
        ("open", "clear"),
        ("closed", "inside"),
        ("restricted", "not checked"),
        ("unknown", "not checked"),
    ],
)
def test_public_is_not_open(hunting, verdict):
    table = judge((X - 100, Y), public_land=land([WEST], [hunting]))
    assert of(table, "public ground") == ["clear"]
    assert of(table, "hunting") == [verdict]
    row = table[table["target"] == "hunting"].iloc[0]
    assert verdict_sentence(row, law_of()).startswith(f"hunting {verdict}: ")


def test_the_error_is_true_metres_and_each_layers_own():
    """In Web Mercator at 60° north a true metre is drawn as two."""
    crs, x, y = 3857, 2.7e6, 8.4e6
    at = points((x - 25, y), (x - 45, y), crs=crs)
    west = land([shapely.box(x - 500, y - 500, x, y + 500)], ["open"], crs=crs)
    table = ground_verdicts(
        at,
        public_land=west,
        closed_areas=areas([EAST], ["refuge"]).set_geometry(
            [shapely.box(x, y - 500, x + 500, y + 500)], crs=crs
        ),
        terms=Terms(errors=PositionErrors(0, 0, 15.0, 20.0, 0, 0, 0)),
    )
    assert of(table, "public ground") == ["close", "clear"]
    assert of(table, "closed areas") == ["inside", "clear"]
    assert list(table["error_m"]) == [15.0, 15.0, 20.0] * 2
    outside = ground_verdicts(
        points((x + 25, y), (x + 45, y), crs=crs),
        public_land=west,
        closed_areas=None,
        terms=Terms(errors=PositionErrors(0, 0, 15.0, 20.0, 0, 0, 0)),
    )
    assert of(outside, "public ground") == ["close", "not checked"]
    nowhere = {"public_land": shapely.Point(x + 45, y)}
    outside = ground_verdicts(
        points((x + 45, y), crs=crs),
        public_land=west,
        closed_areas=None,
        terms=Terms(complete=WHOLE, covered=nowhere),
    )
    assert of(outside, "public ground") != ["inside"]
    # The edge of what a layer covers is drawn in by as much.
    said = Terms(
        errors=PositionErrors(0, 0, 15.0, 20.0, 0, 0, 0),
        complete=WHOLE,
        covered={"public_land": shapely.box(x - 900, y - 900, x + 70, y + 900)},
    )
    outside = ground_verdicts(
        points((x + 35, y), (x + 45, y), crs=crs), public_land=west, closed_areas=None, terms=said
    )
    assert of(outside, "public ground") == ["inside", "not checked"]


def test_closed_areas_within_the_error_and_only_where_they_are_mapped():
    shut = areas([EAST], ["refuge"])
    at = [(X + 100, Y), (X - 10, Y), (X - 20, Y), (X - 400, Y)]
    assert of(judge(*at, closed_areas=shut), "closed areas") == [
        "inside", "inside", "clear", "clear",
    ]  # fmt: skip
    assert of(judge(*at), "closed areas") == ["not checked"] * 4
    near = {"closed_areas": shapely.box(X - 100, Y - 500, X + 500, Y + 500)}
    assert of(judge(*at, closed_areas=shut, covered=near), "closed areas") == [
        "inside", "inside", "clear", "not checked",
    ]  # fmt: skip
    table = judge(at[0], closed_areas=shut)
    assert table["note"].iloc[2] == "refuge"
    # An area is no less closed for nobody having said why.
    for reason in (None, "", " "):
        table = judge(at[0], closed_areas=areas([EAST], [reason]))
        assert list(table.iloc[2][["verdict", "note"]]) == ["inside", "closed area"]


DAY = date(2026, 12, 5)


@pytest.mark.parametrize(
    ("since", "until", "shut"),
    [
        ("2026-10-01", "2027-01-15", True),
        ("2026-12-05", "2026-12-05", True),
        ("2026-12-06", "2027-01-15", False),
        ("2026-10-01", "2026-12-04", False),
        ("2026-12-06", None, False),
        ("2026-12-05", None, True),
        (None, "2026-12-04", False),
        (None, "2026-12-05 00:00:00", True),
        ("2026-12-06T00:00", "2027-01-15", False),
        ("10-01", "01-15", True),
        ("12-06", "01-15", False),
        ("01-15", "10-01", False),
        ("01-15", "12-05", True),
        ("12-05", "12-05", True),
        ("12-06", "12-06", False),
        ("12-05", "01-15", True),
        ("02-01", "01-15", True),
        ("12-06", "12-05", True),
        ("12-07", "12-04", False),
        # A span that ends before it begins is one that nobody can read.
        ("2026-12-20", "2026-01-15", True),
        # What cannot be read, or is half a span of every year, stays closed.
        ("1 Oct", "15 Jan", True),
        ("2026-13-01", "2026-10-01", True),
        ("12-06", None, True),
        ("2026-12-06", "01-15", True),
        ("02-29", "03-01", False),
        (None, None, True),
    ],
)
def test_an_area_is_closed_between_its_dates_and_when_in_doubt(since, until, shut):
    assert is_closed_on(since, until, DAY) is shut
    assert is_closed_on(since, until, None) is True
    held = areas([EAST], ["refuge"], since, until)
    (verdict,) = of(judge((X + 100, Y), closed_areas=held, on=DAY), "closed areas")
    assert verdict == ("inside" if shut else "clear")


def test_areas_with_dates_can_be_left_to_whoever_knows_the_day():
    at = points((X + 100, Y))
    dated, always = areas([EAST], ["refuge"], "10-01", "01-15"), areas([EAST], ["refuge"])
    assert closure_reasons(at, dated, error_m=15.0, dated=False)[0] is None
    assert closure_reasons(at, always, error_m=15.0, dated=False)[0] == "refuge"
