"""The morning's times, counted back; the paces behind them are judgement."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import pytest

from sitegeo.export.text import times_sentences
from sitegeo.plan_times import HIDDEN_MIN, morning_times

SPREAD = {"groups": [{"count": 24}, {"count": 6}], "motion": [{}]}
ROUTE = [{"name": "RAMP", "note": "Far ramp; straight line", "range_yd": 900.0},
         {"name": "PARKING", "note": "Near lot; straight line", "range_yd": 400.0}]  # fmt: skip


def light(**changes: Any) -> dict[str, Any]:
    held = {"sunrise": "2026-12-05T07:21-06:00", "shooting_start": None, "shooting_end": None}
    return held | changes


def clock(times: dict[str, Any]) -> list[datetime]:
    return [datetime.fromisoformat(step["at"]) for step in times["steps"]]


def test_times_run_forward_and_end_before_the_light() -> None:
    times = morning_times(light(), SPREAD, ROUTE, party=2)
    assert times is not None
    leave, setting, hidden = clock(times)
    sunrise = datetime.fromisoformat(light()["sunrise"])
    assert leave < setting < hidden
    assert HIDDEN_MIN * 60 <= (sunrise - hidden).total_seconds() < (HIDDEN_MIN + 5) * 60
    assert all(moment.minute % 5 == 0 for moment in (leave, setting, hidden))
    # 31 decoys between two people and two groups: 20 minutes; 400 yd half as far again at 40 m/min.
    assert (hidden - setting).total_seconds() / 60 == pytest.approx(20, abs=5)
    assert (setting - leave).total_seconds() / 60 == pytest.approx(13, abs=5)
    assert times["steps"][0]["what"] == "leave Near lot"
    (told,) = times_sentences(times)
    assert "not shooting hours" in told
    assert "Leave Near lot at 06:" in told


def test_a_chosen_laws_start_comes_before_sunrise() -> None:
    legal = light(shooting_start="2026-12-05T06:51-06:00")
    times = morning_times(legal, SPREAD, ROUTE, party=2)
    assert times is not None
    assert times["from"] == "the start of shooting"
    later = morning_times(light(), SPREAD, ROUTE, party=2)
    assert later is not None
    assert (clock(later)[0] - clock(times)[0]).total_seconds() == 30 * 60


def test_more_hands_set_later_and_no_way_in_gives_no_leaving() -> None:
    alone = morning_times(light(), SPREAD, [], party=1)
    three = morning_times(light(), SPREAD, [], party=3)
    assert alone is not None
    assert three is not None
    assert len(alone["steps"]) == 2
    assert clock(alone)[0] < clock(three)[0]


@pytest.mark.parametrize("dark", [None, light(sunrise=None)])
def test_without_a_date_or_a_sunrise_no_time_is_claimed(dark: Any) -> None:
    assert morning_times(dark, SPREAD, ROUTE, party=2) is None
    assert list(times_sentences(None)) == []
