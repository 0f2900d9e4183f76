"""Past mornings: what counts as one, and exact cover by a pair and a trio."""

from __future__ import annotations

import json
from datetime import date, datetime, timedelta, timezone
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sitegeo import Forecast, Wind, rank
from sitegeo.core.wind import TimedWind
from sitegeo.errors import ForecastError, UsageError
from sitegeo.rankings.season import (
    JUDGED,
    WORKS_SHARE,
    cover_most,
    place_ids,
    season,
    season_record,
)
from sitegeo.siting.curves import UNKNOWN_SCORE
from sitegeo.siting.explain import grade
from sitegeo.siting.score import with_component
from sitegeo.surveys.survey import Survey

ZONE = timezone(timedelta(hours=-6))
NW, SW, CALM = Wind(315.0, 5.5), Wind(225.0, 4.0), Wind(0.0, 0.3)


@st.composite
def tables(draw: st.DrawFn) -> np.ndarray:
    rows, columns = draw(st.integers(1, 25)), draw(st.integers(1, 8))
    seed, density = draw(st.integers(0, 2**32 - 1)), draw(st.floats(0, 0.7))
    return np.random.default_rng(seed).random((rows, columns)) < density


@given(tables(), st.integers(1, 3))
@settings(max_examples=60, deadline=None)
def test_cover_is_the_most_there_is(works: np.ndarray, size: int) -> None:
    chosen = cover_most(works, size)
    k = min(size, works.shape[1])
    assert len(set(chosen)) == len(chosen) == k
    every = combinations(range(works.shape[1]), k)
    most = max(int(works[:, team].any(axis=1).sum()) for team in every)
    assert works[:, chosen].any(axis=1).sum() == most


def test_the_pair_need_not_hold_the_best_single_blind() -> None:
    """The greedy choice covers five of six here, the exact one all."""
    works = np.array([[1, 1, 1, 1, 0, 0], [1, 1, 0, 0, 1, 0], [0, 0, 1, 1, 0, 1]], bool).T
    assert cover_most(works, 1) == [0]
    assert cover_most(works, 2) == [1, 2]


def test_of_places_that_cover_alike_the_better_is_named() -> None:
    works = np.array([[1, 1, 1], [1, 1, 1], [0, 1, 1]], bool)
    assert cover_most(works, 1, score=np.array([1.0, 0.4, 0.6])) == [2]
    assert cover_most(works, 1, score=np.array([1.0, 0.6, 0.4])) == [1]


def mornings(*days: tuple[Wind | None, ...], first_hour: int = 5) -> Forecast:
    start = datetime(2025, 12, 1, tzinfo=ZONE)
    return Forecast(
        tuple(
            TimedWind(start + timedelta(days=d, hours=first_hour + h), wind)
            for d, day in enumerate(days)
            for h, wind in enumerate(day)
        )
    )


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> Survey:
    return Survey.open(demo_survey)


@pytest.fixture(scope="module")
def found(survey: Survey):
    return season(survey, mornings((NW, NW), (CALM, CALM), (None, None), (None, SW), (CALM, NW)))


def test_a_morning_is_a_date_with_a_usable_hour(found) -> None:
    assert found.mornings["hours"].tolist() == [2, 0, 0, 1, 1]
    assert found.mornings["why"].tolist() == [None, "calm", "gap", None, None]
    assert found.works.index.tolist() == [date(2025, 12, d) for d in (1, 4, 5)]


def test_works_means_near_the_best_and_nothing_poor(survey: Survey, found) -> None:
    """Against `rank`, leaving aside blinds too near a threshold for the tables to tell."""
    when = datetime(2025, 12, 4, 6, tzinfo=ZONE)
    blinds = rank(survey, SW, when=when, spreads_tried=0).blinds.set_index("id")
    by_hand = blinds["kind"] == "timber opening"
    blinds = with_component(blinds, "ripple", blinds["c_ripple"].mask(by_hand, UNKNOWN_SCORE))
    share = blinds["score"] / blinds["score"].max()
    judged = blinds[[f"c_{n}" for n in JUDGED]]
    sure = ((share - WORKS_SHARE).abs() > 0.06) & ((judged - 0.45).abs() > 0.1).all(axis=1)
    assert sure.sum() > 4
    works = found.works.loc[date(2025, 12, 4)]
    place = dict(zip(found.judged.blinds["id"], place_ids(found.judged), strict=True))
    # An area closed on some days only is closed to a season, which has no one day.
    for name in blinds.index[sure].intersection(list(place)):
        fair = all(grade(v) != "poor" for v in judged.loc[name])
        if fair and share[name] >= WORKS_SHARE:
            assert works[place[name]], name
        elif place[name] == name:
            assert not works[name], name


def test_all_sides_of_an_opening_or_a_clump_are_one_place(found) -> None:
    blinds = found.judged.blinds
    place = pd.Series(place_ids(found.judged), blinds["id"])
    assert set(found.table["id"]) == set(place)
    openings = blinds[blinds["kind"] == "timber opening"]
    assert len(openings) > openings["position_id"].nunique()
    assert set(openings["position_id"]) <= set(found.table["id"])
    assert not set(openings["id"]) & set(found.table["id"])
    for row in found.table.to_dict("records"):
        assert (place[row["sides"]] == row["id"]).all()
        assert bool(row["sides"]) == (row["mornings"] > 0)
    for row in found.teams.to_dict("records"):
        assert len(set(row["places"])) == row["size"]


def test_ripple_made_by_hand_does_not_carry_timber(survey: Survey) -> None:
    """Over winds from all round, openings with a fixed ripple do not win most mornings."""
    record = mornings(*((Wind(float(d), 5.5),) for d in range(0, 360, 15)))
    table = season(survey, record, hours=[5]).table
    timber = table["kind"] == "timber opening"
    assert table.loc[timber, "best"].sum() < 0.5 * table["best"].sum()


def test_shares_and_teams_follow_from_the_table_of_works(found) -> None:
    works = found.works
    for row in found.table.to_dict("records"):
        assert row["mornings"] == works[row["id"]].sum()
        assert row["share"] == pytest.approx(works[row["id"]].mean())
    assert found.table["share"].is_monotonic_decreasing
    assert found.table["best"].sum() == len(works)
    for row in found.teams.to_dict("records"):
        assert len(row["places"]) == row["size"]
        assert row["mornings"] == works[row["places"]].any(axis=1).sum() == sum(row["adds"])
    assert found.teams["share"].is_monotonic_increasing


def test_no_blind_inside_a_setback_is_counted(survey: Survey, found) -> None:
    assert set(found.judged.blinds["id"]) == set(rank(survey, NW, spreads_tried=0).blinds["id"])


def test_only_the_hours_asked_for_count(survey: Survey) -> None:
    record = mornings((NW, SW, NW), (CALM, CALM, SW))
    early = season(survey, record, hours=[5])
    assert early.works.index.tolist() == [date(2025, 12, 1)]
    assert early.mornings["why"].tolist() == [None, "calm"]


def test_json_is_whole(found) -> None:
    told = json.loads(json.dumps(season_record(found), allow_nan=False))
    assert told["schema"] == "sitegeo/season/1"
    assert told["counted"] == 3
    assert [t["size"] for t in told["teams"]] == [1, 2, 3]


def test_what_cannot_be_asked_is_refused(survey: Survey) -> None:
    with pytest.raises(ForecastError, match="no hour with a wind"):
        season(survey, mornings((CALM, None)))
    with pytest.raises(UsageError, match="0 to 23"):
        season(survey, mornings((NW,)), hours=[24])
