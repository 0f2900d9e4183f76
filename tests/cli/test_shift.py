"""sitegeo shift: what to move on a saved plan, from the folder alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

import sitegeo
from sitegeo.cli import cli
from sitegeo.core import store


def shifted(folder: Path, wind: str) -> dict:
    done = CliRunner().invoke(cli, ["shift", str(folder), "--wind", wind, "--json", "-q"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_the_plan_itself_tells_four_turns(demo_plan) -> None:
    told = store.read_json(demo_plan / "plan.json")["shift"]
    assert [s["turn_deg"] for s in told] == [-60, -30, 30, 60]
    assert all(s["verdict"] for s in told)


def test_the_command_says_what_the_plan_said(demo_plan) -> None:
    for told in store.read_json(demo_plan / "plan.json")["shift"]:
        found = shifted(demo_plan, f"{told['from_deg']:.0f} 12 mph")
        assert [m["words"] for m in found["moves"]] == [m["words"] for m in told["moves"]]


def test_the_same_wind_moves_nothing(demo_plan) -> None:
    assert shifted(demo_plan, "NW 12 mph")["moves"] == []
    assert shifted(demo_plan, "300 12 mph")["moves"] == []


def test_calm_claims_no_direction(demo_plan) -> None:
    assert "not predictable" in shifted(demo_plan, "calm")["verdict"]


def test_not_a_plan(tmp_path) -> None:
    with pytest.raises(sitegeo.SitegeoError, match="not a plan"):
        CliRunner().invoke(
            cli, ["shift", str(tmp_path), "--wind", "N 5 mph"], catch_exceptions=False
        )


def plan_for(demo_survey: Path, out: Path, *words: str) -> Path:
    done = CliRunner().invoke(cli, ["plan", str(demo_survey), *words, "--out", str(out), "-q"])
    assert done.exit_code == 0, done.output
    return out


def test_the_motion_decoy_is_moved_too(demo_plan) -> None:
    (move,) = [m for m in shifted(demo_plan, "W 12 mph")["moves"] if m["source"] == "motion"]
    assert move["words"].startswith("the motion decoy to ")


def test_a_plan_of_motion_alone_has_something_to_move(demo_survey, tmp_path) -> None:
    words = ("--wind", "NW 12 mph", "--blind", "P001a", "--decoys", "0")
    out = plan_for(demo_survey, tmp_path / "plan", *words)
    found = shifted(out, "NE 12 mph")
    assert [m["source"] for m in found["moves"]] == ["motion"]
    assert found["verdict"].startswith("Move the motion decoy")


def minded(folder: Path, wind: str) -> str:
    return " ".join(shifted(folder, wind)["cautions"])


def test_more_wind_from_the_same_side_is_not_passed_over(demo_plan) -> None:
    said = minded(demo_plan, "NW 30 mph")
    assert "30 mph" in said
    assert "12 mph" in said
    assert "waves" in said
    assert "cold" in said
    assert "gusting 35 mph" in minded(demo_plan, "NW 12 mph gust 35")


def test_much_less_wind_makes_less_ripple(demo_plan) -> None:
    assert "ripple" in minded(demo_plan, "NW 4 mph")


@pytest.mark.parametrize("wind", ["NW 12 mph", "NW 15 mph", "NW 10 mph"])
def test_much_the_same_wind_needs_no_word(demo_plan, wind) -> None:
    assert minded(demo_plan, wind) == ""


@pytest.mark.parametrize("wind", ["SW 3 mph", "NW 3 mph"])
def test_in_light_wind_birds_may_not_land_into_it(demo_plan, wind) -> None:
    assert "Light wind: birds may not land into it" in minded(demo_plan, wind)


def test_a_plan_made_in_calm_air_has_no_wind_to_turn_from(demo_survey, tmp_path) -> None:
    """It is laid as for wind from behind, even on both hands: a wind in the face is a turn."""
    out = plan_for(demo_survey, tmp_path / "plan", "--wind", "calm", "--blind", "P001a")
    facing = store.read_json(out / "plan.json")["facing_deg"]
    assert shifted(out, f"{facing:.0f} 12 mph")["moves"]
    assert "this small" in shifted(out, f"{(facing + 180) % 360:.0f} 12 mph")["verdict"]
