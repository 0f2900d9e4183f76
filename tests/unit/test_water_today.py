"""The bundled place at another stage of its water, and how a stage is written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import sitegeo
from sitegeo.errors import UsageError
from sitegeo.surveys.water_level import (
    ACRE_M2,
    WATER_TODAY,
    read_water_change,
    water_level_words,
    with_water_level,
)


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> sitegeo.Survey:
    return sitegeo.Survey.open(demo_survey)


@pytest.fixture(scope="module")
def low(survey: sitegeo.Survey) -> sitegeo.Survey:
    return with_water_level(survey, -0.5)


@pytest.mark.parametrize(
    ("text", "change_m"),
    [("-2 ft", -0.6096), ("+0.3 m", 0.3), ("\u22121ft", -0.3048), ("247.4 m", 0.4), ("247 m", 0.0)],
)
def test_a_change_or_a_stage(survey, text: str, change_m: float) -> None:
    """The international foot is 0.3048 m; the bundled photo's level is 247.0 m."""
    assert read_water_change(text, survey) == pytest.approx(change_m)


@pytest.mark.parametrize(
    ("text", "word"), [("low", "not a level"), ("-2 fathoms", "unit"), ("12 ft", "10 m")]
)
def test_a_level_that_makes_no_sense(survey, text: str, word: str) -> None:
    with pytest.raises(UsageError, match=word):
        read_water_change(text, survey)


def test_a_stage_needs_the_stage_in_the_photo(survey) -> None:
    assume = {**survey.record["assume"], "water_level_m": None}
    nowhere = sitegeo.Survey({**survey.record, "assume": assume}, survey.layers)
    with pytest.raises(UsageError, match="stage in the photo"):
        read_water_change("247.4 m", nowhere)
    gauge = sitegeo.Survey({**survey.record, "assume": assume, "stage_m": 3.0}, survey.layers)
    assert read_water_change("2.4 m", gauge) == pytest.approx(-0.6)


def test_a_drawdown_moves_the_shore_and_says_so(survey, low) -> None:
    lost = low.record[WATER_TODAY]["lost_m2"]
    was, now = (float(s.layers["water"].area.sum()) for s in (survey, low))
    assert lost > 10_000
    assert was - now == pytest.approx(lost, rel=0.25)  # the smallest pools are dropped
    words = " ".join(water_level_words(low))
    assert "lower than in the photo" in words
    assert f"{lost / ACRE_M2:.1f} acres of water lost" in words
    assert water_level_words(survey) == ()


def test_blinds_keep_their_ids_and_are_judged_anew(survey, low) -> None:
    was, now = survey.layers["candidates"], low.layers["candidates"]
    assert was["id"].tolist() == now["id"].tolist()
    assert was.geometry.equals(now.geometry)
    both = was["depth_m"].notna() & now["depth_m"].notna() & (was["depth_m"] > 1.2)
    np.testing.assert_allclose(now.loc[both, "depth_m"], was.loc[both, "depth_m"] - 0.5, atol=0.02)
    newly = was["rejected_by"].isna() & now["rejected_by"].notna()
    assert newly.any()
    assert set(low.record[WATER_TODAY]["dry"]) & set(now.loc[newly, "id"])


def test_it_is_ranked_and_planned_like_any_survey(low) -> None:
    wind = sitegeo.Wind.parse("NW 12 mph")
    plan = sitegeo.plan(low, wind)
    assert plan.blind["id"] not in low.record[WATER_TODAY]["dry"]
    assert any("lower than in the photo" in c for c in plan.record["cautions"])
    assert plan.record["water_today"]["change_m"] == -0.5


def test_no_change_is_the_survey_itself(survey) -> None:
    assert with_water_level(survey, 0.0) is survey


def test_without_layers_it_is_said(survey) -> None:
    layers = {n: survey.layers[n] for n in survey.layers if n not in ("depth", "ground")}
    for change, name in ((-0.3, "No depth layer"), (0.3, "No ground layer")):
        bare = with_water_level(sitegeo.Survey(survey.record, layers), change)
        assert any(name in words for words in water_level_words(bare))
