"""Verdicts in words."""

from __future__ import annotations

import pandas as pd
import shapely
from helpers_law import USUAL, box_east, houses, judge, law_of, off, one, rule

from sitegeo.law.verdicts import rejection_reasons, verdict_sentence


def test_words_round_clearances_down_and_limits_up():
    law = law_of(rule("r", "dwelling", 500, "ft"))
    row = one(judge(law, dwellings=houses([box_east(152.4 + 212.9 * 0.9144)]), errors=USUAL))
    words = verdict_sentence(row, law)
    assert words == "clear of the mapped dwellings by 212 yd under r (an example, not your law)"
    assert verdict_sentence(row, law.as_chosen()).endswith("by 212 yd under r")
    assert "by 194 m" in verdict_sentence(row, law, "m")
    row = one(judge(law, dwellings=houses([box_east(152.0)]), errors=USUAL))
    words = verdict_sentence(row, law)
    assert words.startswith("inside the setback of the mapped dwellings: house #0 is 166 yd off")
    assert "bearing 090° true" in words
    assert "limit is 167 yd" in words
    row = one(judge(law, dwellings=houses([box_east(160.0)]), errors=USUAL))
    assert "too close to the setback" in verdict_sentence(row, law)
    assert "may be 25 yd off" in verdict_sentence(row, law)
    whole = law_of(rule("r", "dwelling", 450, "ft"))
    assert "keep 150 yd" in verdict_sentence(one(judge(whole)), whole)
    assert "dwellings not checked" in verdict_sentence(one(judge(whole)), whole)


def test_a_bearing_just_under_360_is_written_000():
    law = law_of(rule("r", "dwelling", 500))
    row = one(judge(law, dwellings=houses([shapely.Point(off(100.0, 359.7))])))
    assert "bearing 000° true" in verdict_sentence(row, law)


def test_a_blind_is_rejected_by_the_first_target_it_is_inside_of():
    blinds = pd.DataFrame(
        {"id": ["a", "b", "c", "d"], "rejected_by": [None, None, None, "no way in"]}
    )
    checked = pd.DataFrame(
        [
            ("a", "dwelling", "clear", ""),
            ("a", "hunting", "not checked", ""),
            ("b", "dwelling", "inside", ""),
            ("b", "closed areas", "inside", "refuge"),
            ("c", "dwelling", "close", ""),
            ("c", "closed areas", "inside", "refuge"),
            ("d", "road", "inside", ""),
        ],
        columns=["id", "target", "verdict", "note"],
    )
    law = law_of(rule("r", "dwelling", 500))
    first, house, shut, old = rejection_reasons(blinds, checked, law)
    assert (first, shut, old) == (None, "closed areas: refuge", "no way in")
    own = rejection_reasons(blinds, checked, law.as_chosen())[1]
    assert house.startswith(own)
    assert house != own
