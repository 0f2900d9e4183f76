"""The law's two steps on a small place, and setbacks the map is too poor to draw whole."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from helpers_law import (
    UTM,
    WEST,
    X,
    Y,
    areas,
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

from sitegeo.core.grid import Grid, Raster
from sitegeo.errors import SurveyError
from sitegeo.law.context import terms_from_record
from sitegeo.law.ground import huntable_ground
from sitegeo.law.setbacks import setback_polygons, setbacks_drawn_too_small
from sitegeo.law.steps import huntable as huntable_step
from sitegeo.law.steps import setbacks as setbacks_step
from sitegeo.places.config import Assume
from sitegeo.surveys.record import law_record, recorded_law

PHOTO = Raster(np.zeros((2, 2), np.uint8), Grid(UTM, X, Y, 1.0, (2, 2)))
LINE = shapely.LineString([(X + 900, Y), (X + 950, Y)])


def test_the_steps_give_what_their_functions_give():
    law = law_of(rule("h", "dwelling", 100), rule("r", "road", 20))
    homes, ways = houses([box_east(50.0)]), roads([LINE])
    drawn = setbacks_step(law=law, imagery=PHOTO, assume=Assume(), dwellings=homes, roads=ways)
    plain = setback_polygons(law, dwellings=homes, roads=ways, crs=UTM)
    assert drawn.equals(plain)
    assert setbacks_step(law=law, imagery=PHOTO, assume=Assume()).empty
    # Roads are the least sure layer here: their 30 m, phone 10, hide 5 and datum 2 draw all in.
    rough = Assume(position_error_m={"roads": 30.0})
    given = {"public_land": land([WEST], ["open"]), "closed_areas": areas([], [])}
    got = huntable_step(setbacks=drawn, imagery=PHOTO, assume=rough, **given)
    assert got.equals(
        huntable_ground(given["public_land"], drawn, given["closed_areas"], error_m=47.0)
    )
    assert len(got) == 1
    assert huntable_step(setbacks=drawn, imagery=PHOTO, assume=rough).empty


# Maintained grounds (Iowa SF 2025) and property lines lie outside the walls that a map shows.
@pytest.mark.parametrize(
    ("measured_from", "outline", "short"),
    [
        ("wall", "wall", False),
        ("grounds", "wall", True),
        ("property line", "grounds", True),
        ("grounds", "property line", False),
    ],
)
def test_a_setback_drawn_from_another_line_says_that_it_is_too_small(measured_from, outline, short):
    law = law_of(rule("lot", "dwelling", 100, measured_from=measured_from), rule("r", "road", 1))
    homes, ways = houses([box_east(500.0)]), roads([LINE])
    drawn = setbacks_step(
        law=law,
        imagery=PHOTO,
        assume=Assume(dwelling_outline=outline),
        dwellings=homes,
        roads=ways,
    )
    words = f"drawn too small, from the {outline}: counts from the {measured_from}"
    assert list(drawn["note"]) == [words if short else "", ""]
    assert setbacks_drawn_too_small(drawn) == ([f"setbacks under lot are {words}"] if short else [])
    assert drawn.geometry[0].covers(shapely.Point(off(401.0)))
    ground = huntable_ground(land([WEST], ["open"]), drawn, areas([], []), error_m=1.0)
    told = "not checked: setbacks from dwellings in full (drawn too small)"
    assert ground["unknowns"][0] == (told if short else "")
    # Nor is the verdict clear, however far off the wall is.
    row = one(judge(law, dwellings=homes, outline=outline))
    assert row["verdict"] == ("not checked" if short else "clear")


def test_a_wall_rule_does_not_stand_for_a_lesser_one_from_the_property_line():
    law = law_of(
        rule("wall", "dwelling", 150), rule("lot", "dwelling", 100, measured_from="property line")
    )
    drawn = setback_polygons(law, dwellings=houses([box_east(200.0)]), roads=None, crs=UTM)
    assert dict(zip(drawn["rule"], drawn["note"] != "", strict=True)) == {
        "wall": False,
        "lot": True,
    }


def test_a_record_of_other_terms_asks_to_survey_again():
    held = law_record(law_of(rule("h", "dwelling", 100)))
    assert recorded_law(held).distance[0].id == "h"
    for rules, word in (({"hours": None}, "'hours'"), ({"bag_limit": 6}, "bag_limit")):
        with pytest.raises(SurveyError, match=word) as caught:
            recorded_law({**held, "rules": {**held["rules"], **rules}})
        assert "Run 'sitegeo survey' again" in str(caught.value)
        assert "\n" not in str(caught.value)
    for table in ("assume", "terms"):
        with pytest.raises(SurveyError, match="tide"):
            terms_from_record({table: {"tide": "high"}}, crs=UTM)
