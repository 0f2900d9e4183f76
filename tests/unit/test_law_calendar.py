"""Rules that are not distances: seasons, closed days, hours, and times of the day."""

from __future__ import annotations

from datetime import date, datetime, time
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from sitegeo.errors import UsageError
from sitegeo.law.calendar import reasons_closed, rules_on
from sitegeo.law.daylight import daylight, local_day, read_day, shooting_hours_on
from sitegeo.law.rules import HoursRule, Law, TextRule

ZONE = ZoneInfo("America/Chicago")
WHEN = datetime(2026, 12, 5, 6, 40, tzinfo=ZONE)  # a Saturday
LIGHT = daylight(-90.5, 44.1, WHEN)


def law_of(*texts, hours=()):
    held = [TextRule.model_validate({"words": "As written", **t}) for t in texts]
    return Law(title="t", place="p", read_on=date(2026, 1, 1), text=tuple(held), hours=hours)


def hours_of(**more):
    usual = {"opens_min": -30.0, "closes_min": 0.0, "citation": "Code"}
    return HoursRule.model_validate({**usual, **more})


@pytest.mark.parametrize(
    ("day", "open_"),
    [
        (date(2026, 9, 30), False),
        (date(2026, 10, 1), True),
        (date(2026, 10, 20), True),
        (date(2026, 10, 21), False),
        (date(2026, 12, 5), True),
    ],
)
def test_a_day_outside_every_season_is_barred(day, open_):
    law = law_of(
        {"topic": "season", "effective_from": "2026-10-01", "effective_to": "2026-10-20"},
        {"topic": "season", "effective_from": "2026-11-01"},
        {"topic": "zone", "effective_to": "2027-01-31"},
    )
    assert (not list(reasons_closed(law, day))) == open_
    late = list(reasons_closed(law, date(2027, 2, 1)))
    assert late == ["2027-02-01 is outside every zone written in the law"]


def test_a_season_in_words_alone_bars_no_day():
    assert not list(reasons_closed(law_of({"topic": "season"}), WHEN.date()))


@pytest.mark.parametrize(
    ("closed", "shut"),
    [
        ({"days": "saturday"}, True),
        ({"days": ["sunday", "monday"]}, False),
        ({"days": "saturday", "effective_from": "2026-12-06"}, False),
        ({"effective_from": "2026-12-05", "effective_to": "2026-12-05"}, True),
        ({"effective_to": "2026-12-05"}, True),
        ({"effective_to": "2026-12-04"}, False),
        ({}, False),
    ],
)
def test_closed_days_by_weekday_and_date(closed, shut):
    law = law_of({"topic": "closed days", **closed})
    assert [
        w.startswith("2026-12-05 is a closed day") for w in reasons_closed(law, WHEN.date())
    ] == ([True] * shut)
    assert len(rules_on(law, WHEN)) == 1


def test_texts_that_do_not_hold_on_the_day_are_left_out_and_none_without_one():
    law = law_of(
        {"topic": "motors", "effective_to": "2026-11-30"},
        {"topic": "blinds", "days": "sunday"},
        {"topic": "shot", "citation": "50 CFR 20.21(j)", "dates": "all year"},
        {"topic": "season", "effective_from": "2027-01-01", "effective_to": "2027-01-31"},
    )
    assert [r.topic for r in rules_on(law, WHEN)] == ["shot", "season"]
    assert [r.topic for r in rules_on(law, None)] == ["motors", "blinds", "shot", "season"]
    shot, season = rules_on(law, WHEN)
    assert (shot.dates, shot.citation, shot.earliest) == ("all year", "50 CFR 20.21(j)", None)
    assert season.dates == "from 2027-01-01 to 2027-01-31"


# Decoys not set out earlier than an hour before shooting hours: Minnesota 97B.811, second-hand.
def test_times_hang_on_the_suns_events_and_round_inward():
    hours = (hours_of(),)
    law = law_of(
        {
            "topic": "decoys",
            "earliest": {"event": "shooting start", "minutes": -60},
            "latest": {"event": "shooting end", "minutes": 60.5},
        },
        {"topic": "boats", "earliest": {"event": "sunrise"}, "latest": {"event": "civil dusk"}},
        {"topic": "noon", "earliest": "12:00:00", "latest": "16:30"},
        hours=hours,
    )
    found = shooting_hours_on(law, LIGHT, WHEN)
    decoys, boats, noon = rules_on(law, WHEN, light=LIGHT, hours=found)
    assert (found.opens - decoys.earliest).total_seconds() == 3600
    assert 3600 <= (decoys.latest - found.closes).total_seconds() <= 3630
    assert 0 <= (boats.earliest - LIGHT.sunrise).total_seconds() < 60
    assert 0 <= (LIGHT.civil_dusk - boats.latest).total_seconds() < 60
    assert (noon.earliest.hour, noon.latest.minute) == (12, 30)
    assert noon.earliest.utcoffset() == WHEN.utcoffset()
    bare = rules_on(law, WHEN)
    assert [r.earliest is None for r in bare] == [True, True, False]
    assert [r.earliest for r in rules_on(law, None)] == [None] * 3


# Hours have differed: in 1949 ducks closed an hour before sunset, opening days at noon (63 Stat.).
def test_hours_of_1949_and_of_today():
    then = law_of(hours=(hours_of(closes_min=-60.0, not_before=time(12)),))
    now = law_of(hours=(hours_of(),))
    old, new = shooting_hours_on(then, LIGHT, WHEN), shooting_hours_on(now, LIGHT, WHEN)
    assert (old.opens.hour, old.opens.minute) == (12, 0)
    assert (new.closes - old.closes).total_seconds() == 3600
    assert new.opens < old.opens


def test_of_several_hours_the_latest_opening_and_the_earliest_close_count():
    wide, noon, early = (
        hours_of(opens_min=-60.0, citation="A"),
        hours_of(not_before=time(9), effective_to=date(2026, 12, 5), citation="B"),
        hours_of(not_after=time(15), effective_from=date(2026, 12, 5), citation="A"),
    )
    found = shooting_hours_on(law_of(hours=(wide, noon, early)), LIGHT, WHEN)
    assert (found.opens.hour, found.closes.hour, found.citation) == (9, 15, "A; B")
    later = WHEN.replace(day=6)
    found = shooting_hours_on(
        law_of(hours=(wide, noon, early)), daylight(-90.5, 44.1, later), later
    )
    assert (found.opens.hour, found.closes.hour, found.citation) == (6, 15, "A")
    assert shooting_hours_on(law_of(hours=(noon,)), LIGHT, later) is None
    assert shooting_hours_on(law_of(), LIGHT, WHEN) is None


def test_no_hours_where_they_close_before_they_open_or_the_sun_does_not_rise():
    shut = hours_of(not_before=time(15), not_after=time(15))
    for law, light in (
        (law_of(hours=(shut,)), LIGHT),
        (law_of(hours=(hours_of(),)), daylight(25.0, 75.0, WHEN)),
        (law_of(hours=(hours_of(opens="civil dawn"),)), daylight(25.0, 80.0, WHEN)),
    ):
        found = shooting_hours_on(law, light, WHEN)
        assert (found.opens, found.closes, found.citation) == (None, None, "Code")
    # Each open by itself, but never both at once.
    morning, evening = hours_of(not_after=time(11)), hours_of(not_before=time(13))
    assert shooting_hours_on(law_of(hours=(morning, evening)), LIGHT, WHEN).opens is None
    # The clock alone does not open a day without a sunrise.
    night = hours_of(not_before=time(9), not_after=time(15))
    assert shooting_hours_on(law_of(hours=(night,)), daylight(25.0, 75.0, WHEN), WHEN).opens is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"days": "someday"},
        {"earliest": {"event": "noon"}},
        {"earliest": {"event": "sunrise", "minutes": "ten"}},
        {"latest": "25:00"},
        {"effective_from": "2026-12-02", "effective_to": "2026-12-01"},
    ],
)
def test_a_text_that_cannot_be_is_refused(wrong):
    with pytest.raises(ValidationError):
        law_of({"topic": "x", **wrong})


def test_the_day_a_person_writes():
    assert read_day("2026-12-05") == read_day("2026-12-05T23:59") == date(2026, 12, 5)
    assert local_day(read_day("2026-12-05T23:59-06:00"), None) == date(2026, 12, 5)
    with pytest.raises(UsageError, match="not a date"):
        read_day("Saturday")
