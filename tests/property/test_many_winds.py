"""Many winds at once agree with `rank`, which sweeps each wind afresh."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sitegeo import Wind, rank
from sitegeo.exposure.many_directions import even_bearings
from sitegeo.rankings.many_winds import ScoreTables, score_tables, upwind_of_blinds
from sitegeo.rankings.ranking import blinds_under_law
from sitegeo.surveys.morning import assumptions_on
from sitegeo.surveys.survey import Survey

# Stated in docs and in the module: what `hours` may differ from `rank` by.
MEDIAN, PERCENTILE_95 = 0.005, 0.05


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> Survey:
    return Survey.open(demo_survey)


@pytest.fixture(scope="module")
def many(survey: Survey) -> ScoreTables:
    judged = blinds_under_law(survey)
    upwind = upwind_of_blinds(survey, judged.blinds)
    return score_tables(survey, judged.blinds, upwind, assumptions_on(survey, None))


def one(many: ScoreTables, wind: Wind, **more: np.ndarray) -> np.ndarray:
    values = (np.array([v]) for v in (wind.from_deg, wind.speed_mps, wind.spread_deg))
    return many.scores(*values, **more)


def ranked(survey: Survey, many: ScoreTables, wind: Wind):
    return rank(survey, wind, spreads_tried=0).blinds.set_index("id").loc[many.blinds["id"]]


def test_scores_agree_with_rank_within_the_stated_tolerance(
    survey: Survey, many: ScoreTables
) -> None:
    rng = np.random.default_rng(6)
    off, regret = [], []
    for _ in range(12):
        wind = Wind(rng.uniform(0, 360), rng.uniform(1.2, 9.0), None, rng.uniform(10, 20))
        told, truth = one(many, wind).score[0], ranked(survey, many, wind)["score"].to_numpy()
        off.append(np.abs(told - truth))
        regret.append(truth.max() - truth[told.argmax()])
    assert np.median(np.concatenate(off)) < MEDIAN
    assert np.percentile(np.concatenate(off), 95) < PERCENTILE_95
    assert max(regret) < 0.03  # the blind it picks is as good as rank's own


def test_the_atlas_tells_what_a_sweep_tells(survey: Survey, many: ScoreTables) -> None:
    read = upwind_of_blinds(survey, many.blinds)
    swept = upwind_of_blinds(
        replace(survey, folder=None), many.blinds
    )  # without a folder, no atlas
    np.testing.assert_array_equal(read.codes, swept.codes)
    np.testing.assert_array_equal(read.wet, swept.wet)


def test_the_same_blinds_are_left_out_as_by_rank(survey: Survey, many: ScoreTables) -> None:
    ranking = rank(survey, Wind(0.0, 5.0), spreads_tried=0)
    assert set(ranking.blinds["id"]) == set(many.blinds["id"])
    rejected = blinds_under_law(survey).rejected.set_index("id")["rejected_by"]
    assert dict(rejected) == dict(ranking.rejected.set_index("id")["rejected_by"])


def test_without_a_wind_the_scores_are_those_of_rank_exactly(
    survey: Survey, many: ScoreTables
) -> None:
    calm = Wind(0.0, 0.0)
    np.testing.assert_allclose(one(many, calm).score[0], ranked(survey, many, calm)["score"])


def test_at_a_stored_direction_only_the_ripple_is_an_estimate(
    survey: Survey, many: ScoreTables
) -> None:
    wind = Wind(230.0, 6.0)
    parts, truth = one(many, wind).parts, ranked(survey, many, wind)
    for name in sorted(set(parts) - {"ripple"}):
        np.testing.assert_allclose(parts[name][0], truth[f"c_{name}"], atol=1e-9, err_msg=name)


@pytest.mark.parametrize("from_deg", [0.0, 77.0, 201.5, 359.9])
def test_taller_trees_never_raise_the_wind(many: ScoreTables, from_deg: float) -> None:
    wind = Wind(from_deg, 6.0)
    shape = (1, len(many.blinds))
    local = [one(many, wind, taller=np.full(shape, f)).local_mps for f in (0.5, 0.8, 1.0, 1.3, 2)]
    assert (np.diff(local, axis=0) <= 1e-9).all()
    assert local[0].sum() > local[-1].sum()
    np.testing.assert_allclose(local[2], one(many, wind).local_mps)


def test_a_full_turn_changes_nothing(many: ScoreTables) -> None:
    rng = np.random.default_rng(2)
    from_deg, speed, spread = rng.uniform(0, 360, 40), rng.uniform(0, 12, 40), np.full(40, 12.0)
    once = many.scores(from_deg, speed, spread).score
    again = many.scores(from_deg + 360.0, speed, spread).score
    np.testing.assert_allclose(once, again, atol=1e-9)
    assert ((once > 0) & (once <= 1)).all()


def test_a_wind_from_anywhere_scores_as_the_mean_ratio(many: ScoreTables) -> None:
    """Very unsteady wind tends to the plain mean over all directions."""
    from_deg = even_bearings(8)
    steady = many.local.lee[4].mean(axis=0)[:, 0]
    local = many.scores(from_deg, np.full(8, 1.0), np.full(8, 1e6)).local_mps
    assert (local <= steady + 1e-6).all()
