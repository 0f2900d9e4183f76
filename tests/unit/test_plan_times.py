"""The morning's times, counted back; the paces behind them are judgement."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from sitegeo.export.text import times_sentences
from sitegeo.plans.schedule import HIDDEN_MIN, BoatNeeded, morning_schedule

SPREAD = {"groups": [{"count": 24}, {"count": 6}], "motion": [{}]}
ROUTE = [{"name": "RAMP", "note": "Far ramp; straight line", "range_yd": 900.0},
         {"name": "PARKING", "note": "Near lot; straight line", "range_yd": 400.0}]  # fmt: skip


def light(**changes: Any) -> dict[str, Any]:
    held = {"sunrise": "2026-12-05T07:21-06:00", "shooting_start": None, "shooting_end": None}
    return held | changes


def clock(times: dict[str, Any]) -> list[datetime]:
    return [datetime.fromisoformat(step["at"]) for step in times["steps"]]


def test_times_run_forward_and_end_before_the_light() -> None:
    times = morning_schedule(light(), SPREAD, ROUTE, party=2)
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


def test_hidden_before_the_light_that_is_commonly_legal() -> None:
    """Shooting commonly opens half an hour before sunrise (50 CFR 20.23: states may be later)."""
    times = morning_schedule(light(), SPREAD, ROUTE, party=2)
    assert times is not None
    sunrise = datetime.fromisoformat(light()["sunrise"])
    assert sunrise - clock(times)[-1] >= timedelta(minutes=35)


def test_a_chosen_laws_start_counts_where_it_is_earlier() -> None:
    legal = light(shooting_start="2026-12-05T06:36-06:00")
    times = morning_schedule(legal, SPREAD, ROUTE, party=2)
    assert times is not None
    assert times["from"] == "the start of shooting"
    assert clock(times)[-1].strftime("%H:%M") == "06:30"
    later = morning_schedule(light(), SPREAD, ROUTE, party=2)
    assert later is not None
    assert (clock(later)[0] - clock(times)[0]).total_seconds() == 15 * 60
    late = light(shooting_start="2026-12-05T07:21-06:00")  # early is never illegal
    early = morning_schedule(late, SPREAD, ROUTE, party=2)
    assert early is not None
    assert clock(early) == clock(later)


@pytest.mark.parametrize(
    ("asked", "hidden"), [("06:40", "06:40"), ("07:30", "06:45"), ("15:00", "15:00")]
)
def test_hidden_no_later_than_the_hour_asked(asked: str, hidden: str) -> None:
    """In the afternoon neither sunrise nor an opening at dawn counts."""
    when = datetime.fromisoformat(f"2026-12-05T{asked}-06:00")
    legal = light(shooting_start="2026-12-05T06:51-06:00")
    times = morning_schedule(legal, SPREAD, ROUTE, party=2, asked=when)
    assert times is not None
    assert clock(times)[-1].strftime("%H:%M") == hidden
    noon = light(shooting_start="2026-12-05T12:00-06:00")
    opening = morning_schedule(noon, SPREAD, ROUTE, party=2, asked=when.replace(hour=12, minute=30))
    assert opening is not None
    assert clock(opening)[-1].strftime("%H:%M") == "11:55"


def test_a_boat_is_said_first_and_timed_from_the_ramp() -> None:
    boat = BoatNeeded(("the hide", "mass"), "Far ramp", 800.0)
    times = morning_schedule(light(), SPREAD, ROUTE, party=2, boat=boat)
    assert times is not None
    assert times["steps"][0]["what"] == "launch at Far ramp"
    first, second = times_sentences(times)
    assert first == "A boat is needed for the hide, mass."
    assert "walk" not in second
    launch, setting, _ = clock(times)
    on_foot = clock(morning_schedule(light(), SPREAD, ROUTE, party=2) or {})
    assert setting == on_foot[1]
    assert launch < setting


def test_a_boat_without_a_mapped_ramp_gives_no_leaving() -> None:
    times = morning_schedule(light(), SPREAD, ROUTE, party=2, boat=BoatNeeded(("tail",), None, 0.0))
    assert times is not None
    assert [step["what"] for step in times["steps"]] == ["set out decoys", "be hidden"]
    assert "no ramp is mapped" in times["note"]


def test_more_hands_set_later_and_no_way_in_gives_no_leaving() -> None:
    alone = morning_schedule(light(), SPREAD, [], party=1)
    three = morning_schedule(light(), SPREAD, [], party=3)
    assert alone is not None
    assert three is not None
    assert len(alone["steps"]) == 2
    assert clock(alone)[0] < clock(three)[0]


@pytest.mark.parametrize("dark", [None, light(sunrise=None)])
def test_without_a_date_or_a_sunrise_no_time_is_claimed(dark: Any) -> None:
    assert morning_schedule(dark, SPREAD, ROUTE, party=2) is None
    assert list(times_sentences(None)) == []
