"""Best blind by the hour: gaps, calms, draws and steady choices."""

from __future__ import annotations

import json
from collections import ChainMap
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from sitegeo import Forecast, Wind, rank
from sitegeo.cli.report.many_winds import likelihood_words
from sitegeo.core.grid import Raster
from sitegeo.core.wind import TimedWind
from sitegeo.errors import ForecastError, UsageError
from sitegeo.rankings.hours import AS_GOOD, NO_WIND, SPEED_SHARE, draw_mornings, hours, hours_record
from sitegeo.rankings.ranking import blinds_under_law
from sitegeo.rankings.spread_site import lay_spread, spread_site
from sitegeo.surveys.morning import gear_carried
from sitegeo.surveys.survey import Survey

ZONE = timezone(timedelta(hours=-6))
DAWN = datetime(2026, 12, 5, 5, tzinfo=ZONE)


def forecast(*winds: Wind | None) -> Forecast:
    return Forecast(tuple(TimedWind(DAWN + timedelta(hours=n), w) for n, w in enumerate(winds)))


NW, SW = Wind(315.0, 5.5, 8.0, 10.0), Wind(225.0, 5.5, None, 10.0)


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> Survey:
    return Survey.open(demo_survey)


@pytest.fixture(scope="module")
def found(survey: Survey):
    return hours(survey, forecast(NW, None, Wind(0.0, 0.4, None, 80.0), SW, SW), draws=60)


def test_gaps_and_calms_are_kept_and_claim_nothing(found) -> None:
    table = found.table
    assert table["state"].tolist() == ["wind", "gap", "calm", "wind", "wind"]
    assert table.loc[2, "why"] == NO_WIND == "no wind: direction not predictable"
    for name in ("blind", "score"):
        assert table[name].isna().tolist() == [False, True, False, False, False]
    assert table["chance"].isna().tolist() == [False, True, True, False, False]
    assert sorted(found.scores["time"].unique()) == table.loc[[0, 3, 4], "time"].tolist()


def test_each_hour_names_a_blind_as_good_as_the_first_of_rank(survey: Survey, found) -> None:
    for number, wind in ((0, NW), (3, SW)):
        when = found.table.loc[number, "time"]
        truth = rank(survey, wind, when=when).blinds.set_index("id")["score"]
        assert truth[found.table.loc[number, "blind"]] >= truth.iloc[0] - AS_GOOD


def test_a_calm_hour_names_the_blind_that_rank_names(survey: Survey, found) -> None:
    hour = found.table.loc[2]
    calm = Wind.parse("calm")
    assert hour["blind"] == rank(survey, calm, when=hour["time"]).blinds["id"].iloc[0]
    assert hour["wind_side"] == "calm"
    assert not isinstance(hour["second"], str)


def test_dark_hours_are_those_outside_civil_twilight(survey: Survey) -> None:
    """Civil twilight of 5 December at 44.13 N, 90.55 W: about 06:47 to 16:54 CST (from memory)."""
    first = DAWN.replace(hour=0)
    day = Forecast(tuple(TimedWind(first + timedelta(hours=n), None) for n in range(24)))
    table = hours(survey, day, draws=0).table
    light = [t.hour for t in table.loc[~table["dark"], "time"]]
    assert light == list(range(6, 17))  # the hour of dawn and that of dusk are told
    assert [h["dark"] for h in hours_record(hours(survey, day, draws=0))["hours"]] == [
        not 6 <= n <= 16 for n in range(24)
    ]


def test_a_spread_can_be_laid_on_every_blind_named(survey: Survey, found) -> None:
    for number, wind in ((0, NW), (3, SW)):
        row = found.table.loc[number]
        blinds = rank(survey, wind, when=row["time"], spreads_tried=0).blinds.set_index("id")
        blind = blinds.loc[row["blind"]]
        laid = lay_spread(survey, blind, spread_site(survey, blind, gear_carried(survey)))
        assert laid.refused is None
        assert laid.layout == row["layout"]


def test_what_is_closed_between_dates_is_closed_as_for_rank(survey: Survey) -> None:
    """On the one day of the forecast by its date, over several or without a day always."""
    west, south, east, north = survey.layers["candidates"].total_bounds
    shut = {"reason": ["refuge"], "from": ["12-06"], "to": ["01-15"]}
    area = gpd.GeoDataFrame(shut, geometry=[shapely.box(west, south, east, north)], crs=survey.crs)
    closed = replace(survey, layers=ChainMap({"closed_areas": area}, survey.layers))
    never = replace(survey, layers=ChainMap({"closed_areas": area[:0]}, survey.layers))
    assert len(blinds_under_law(closed, on=DAWN.date()).blinds) == len(
        blinds_under_law(never).blinds
    )
    for on in (None, DAWN.date() + timedelta(days=1)):
        with pytest.raises(UsageError, match="no blind that may be hunted"):
            blinds_under_law(closed, on=on)
    one, two = forecast(None), forecast(*[None] * 24)
    assert len(hours(closed, one, draws=0).table) == 1
    with pytest.raises(UsageError):
        hours(closed, two, draws=0)


def test_the_sun_of_the_hour_counts(survey: Survey) -> None:
    """The same wind at first light and at noon: other scores, by the sun alone."""
    noon = Forecast((TimedWind(DAWN.replace(hour=8), NW), TimedWind(DAWN.replace(hour=12), NW)))
    scores = hours(survey, noon, draws=0).scores
    early, late = (group["score"].to_numpy() for _, group in scores.groupby("time"))
    assert np.abs(early - late).max() > 0.01


def test_the_same_input_gives_the_same_answer(survey: Survey, found) -> None:
    again = hours(survey, forecast(NW, None, Wind(0.0, 0.4, None, 80.0), SW, SW), draws=60)
    assert json.dumps(hours_record(again)) == json.dumps(hours_record(found))


def test_an_hour_has_the_same_luck_whatever_else_is_asked(survey: Survey, found) -> None:
    alone = hours(survey, forecast(NW), draws=60).table.iloc[0]
    assert alone["chance"] == found.table.loc[0, "chance"]


def test_chance_is_the_share_of_draws_that_nothing_beats(found) -> None:
    best = found.scores.merge(found.table[["time", "blind", "chance"]], on="time")
    own = best[best["id"] == best["blind"]]
    np.testing.assert_allclose(own["chance_x"], own["chance_y"])
    assert found.scores["chance"].between(0, 1).all()
    assert (found.scores.groupby("time")["chance"].sum() >= 1 - 1e-9).all()


def test_a_sure_forecast_of_a_sure_place_always_holds(survey: Survey) -> None:
    record = dict(survey.record)
    record["assume"] = record["assume"] | {"position_error_m": {"water": 0.0}}
    error = survey.layers["canopy_error"]
    likelihood_words = {
        "canopy_error": Raster(np.zeros_like(error.values), error.grid, error.valid)
    }
    exact = Survey(record, ChainMap(likelihood_words, survey.layers))
    luck = draw_mornings(exact, blinds_under_law(exact), draws=20)
    np.testing.assert_allclose(luck.taller, 1.0)
    # Speed keeps its own error; without it nothing is left to chance.
    steady = Wind(NW.from_deg, 0.0 + NW.speed_mps, None, 0.0)
    from_deg, speed, _ = luck.winds(steady)
    np.testing.assert_allclose(from_deg, NW.from_deg)
    assert speed.std() > 0


def test_draws_have_the_stated_spread(survey: Survey) -> None:
    luck = draw_mornings(survey, blinds_under_law(survey), draws=4000)
    wind = Wind(180.0, 6.0, None, 12.0)
    from_deg, speed, spread = luck.winds(wind)
    assert from_deg.std() == pytest.approx(12.0, rel=0.05)
    assert speed.std() == pytest.approx(SPEED_SHARE * 6.0, rel=0.05)
    assert (speed >= 0).all()
    assert set(spread) == {12.0}


def test_one_steady_choice_for_a_window_or_one_a_morning(survey: Survey, found) -> None:
    assert len(found.steady) == 1
    whole = found.steady.iloc[0]
    assert whole["hours"] == 3
    mean = found.scores.groupby("id")["mean"].mean()
    assert whole["blind"] == mean.idxmax()
    assert whole["score"] == pytest.approx(mean.max())
    record = forecast(NW, None, Wind(0.0, 0.4), SW, SW)
    late = hours(survey, record, start=DAWN + timedelta(hours=3), draws=10)
    assert late.table["time"].tolist() == [h.time for h in record.hours[3:]]
    assert late.steady.iloc[0]["hours"] == 2
    own = late.scores.groupby("id")["mean"].mean()
    assert late.steady.iloc[0]["blind"] == own.idxmax()


def test_without_draws_no_chance_is_claimed(survey: Survey) -> None:
    plain = hours(survey, forecast(NW, SW), draws=0)
    assert plain.table["chance"].isna().all()
    assert plain.steady["chance"].isna().all()
    assert plain.table["blind"].notna().all()


def test_nothing_but_calm_still_answers(survey: Survey) -> None:
    calm = hours(survey, forecast(Wind(0.0, 0.0), None), draws=10)
    assert calm.table["state"].tolist() == ["calm", "gap"]
    assert calm.steady.empty
    assert calm.scores.empty
    json.dumps(hours_record(calm), allow_nan=False)


def test_what_cannot_be_asked_is_refused(survey: Survey) -> None:
    with pytest.raises(ForecastError, match="no hour in this window"):
        hours(survey, forecast(NW), start=DAWN + timedelta(days=9))
    with pytest.raises(UsageError, match="draws"):
        hours(survey, forecast(NW), draws=-1)


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (1.0, "virtually certain"),
        (0.9, "very likely"),
        (0.66, "likely"),
        (0.5, "as likely as not"),
        (0.1, "unlikely"),
    ],
)
def test_words_follow_the_scale_of_the_ipcc_guidance_note(chance: float, words: str) -> None:
    """Mastrandrea et al. 2010, Table 1 (from memory): 99, 90, 66 and 33 %."""
    assert likelihood_words(chance) == words
