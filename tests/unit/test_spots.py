"""Blinds on every kind of position of the bundled place, and what rules one out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import sitegeo
from sitegeo.angles import signed_diff_deg
from sitegeo.core.contracts import Cover
from sitegeo.places.config import Assume
from sitegeo.siting.candidates import candidates
from sitegeo.siting.curves import wind_fit
from sitegeo.siting.score import ScoreParams, ripple_score

KINDS = {"tree line", "point", "cove", "timber opening", "cover clump", "open flat"}


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> sitegeo.Survey:
    return sitegeo.Survey.open(demo_survey)


@pytest.fixture(scope="module")
def southerly(survey: sitegeo.Survey) -> sitegeo.Ranking:
    return sitegeo.rank(survey, sitegeo.Wind.parse("S 12 mph"))


def test_every_kind_of_position_has_a_blind_that_may_be_hunted(survey) -> None:
    found = survey.layers["candidates"]
    assert set(found.loc[found["rejected_by"].isna(), "kind"]) == KINDS


def test_hides_stand_in_cover(survey) -> None:
    found = survey.layers["candidates"]
    held = found[found["rejected_by"].isna()]
    classes = survey.layers["cover"].sample(held.geometry.x.to_numpy(), held.geometry.y.to_numpy())
    of = dict(zip(held["id"], classes[0], strict=True))
    for name, kind in zip(held["id"], held["kind"], strict=True):
        if kind == "timber opening":
            assert of[name] == Cover.TREE, name
        elif kind in ("cover clump", "open flat"):
            assert of[name] in (Cover.TREE, Cover.LOW), name


def test_a_clump_and_an_opening_are_looked_at_from_all_round(survey) -> None:
    found = survey.layers["candidates"]
    for kind, apart in (("cover clump", 90.0), ("timber opening", 45.0)):
        for _, blinds in found[found["kind"] == kind].groupby("position_id"):
            facing = np.sort(blinds["facing_deg"].to_numpy())
            turns = np.diff(np.append(facing, facing[0] + 360))
            assert turns == pytest.approx(np.full(len(facing), apart))


def test_openings_are_looked_into(survey) -> None:
    found = survey.layers["candidates"]
    middles = survey.layers["positions"].set_index("id").geometry.representative_point()
    for _, row in found[found["kind"] == "timber opening"].iterrows():
        middle = middles[row["position_id"]]
        east, north = middle.x - row.geometry.x, middle.y - row.geometry.y
        toward = np.degrees(np.arctan2(east, north))
        assert abs(signed_diff_deg(toward, row["facing_deg"])) < 45


def test_too_deep_to_stand_in_is_said_by_what_the_party_wades(survey) -> None:
    layers = survey.layers
    shallow = candidates(
        positions=layers["positions"],
        stations=layers["stations"],
        cover=layers["cover"],
        assume=Assume(),
        depth=layers["depth"],
        wade_m=0.3,
    )
    deep = shallow["rejected_by"].fillna("").str.contains("too deep to stand")
    wading = shallow["kind"].isin(["timber opening", "cover clump", "open flat"])
    assert len(shallow[deep])
    assert (shallow.loc[deep, "stand_m"] > 0.3).all()
    assert not (shallow.loc[wading & shallow["rejected_by"].isna(), "stand_m"] > 0.3).any()
    # The bundled place's party wades 0.9 m.
    kept = layers["candidates"]
    deep = kept["rejected_by"].fillna("").str.contains("too deep to stand")
    assert (kept.loc[deep, "stand_m"] > 0.9).all()


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_every_kind_can_be_planned(survey, southerly, kind) -> None:
    best = southerly.blinds[southerly.blinds["kind"] == kind].head(2)
    plans = (sitegeo.plan(survey, southerly.wind, blind=name) for name in best["id"])
    assert any(plan.spread.refused is None and len(plan.spread.decoys) for plan in plans)


def test_timber_makes_its_own_ripple_and_wants_the_wind_behind() -> None:
    """Common practice, no source."""
    kinds = np.array(["timber opening", "tree line"])
    timber, bank = ripple_score(np.zeros(2), kinds, ScoreParams())
    assert timber > bank == 0
    assert timber == ripple_score(np.full(2, 9.0), kinds, ScoreParams())[0]
    fits = [wind_fit(np.array([t]), kinds[:1])[0] for t in (0.0, 90.0, 150.0)]
    assert fits == sorted(fits)
    assert fits[0] < 0.1


def test_in_a_light_air_nothing_is_claimed_in_timber(survey) -> None:
    ranked = sitegeo.rank(survey, sitegeo.Wind.parse("S 3 mph"))
    timber = ranked.blinds["kind"] == "timber opening"
    assert (ranked.blinds.loc[timber, "wind_side"] == "calm").all()
    assert (ranked.blinds.loc[~timber, "wind_side"] != "calm").any()


def test_the_count_carried_chooses_the_small_spread(survey) -> None:
    wind = sitegeo.Wind.parse("S 12 mph")
    few = sitegeo.rank(survey, wind, decoys=18).blinds
    assert "pair" in set(few["layout"])
    assert "pair" not in set(sitegeo.rank(survey, wind, decoys=36).blinds["layout"])
