"""`--hide FILE.gpx` and `--water` as a person types them, good and bad."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from helpers_cli import sitegeo

WIND = "S 12 mph"


@pytest.fixture(scope="module")
def best(demo_survey: Path) -> list[dict]:
    done = sitegeo("rank", demo_survey, "--wind", WIND, "--json", "--top", 2)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)["blinds"]


def test_only_the_best_of_each_place_is_listed(best) -> None:
    assert all(b["same_place_as"] is None for b in best)
    needed = {"wind", "ripple", "room", "spread", "hide", "behind", "overhead", "party", "feeding"}
    needed |= {"wading", "access", "drift", "fire", "setback"}
    assert set(best[0]["components"]) == needed  # without a date nothing of the sun


def test_waypoints_are_ranked_beside_each_other(demo_survey: Path, best, tmp_path: Path) -> None:
    points = [f'<wpt lat="{b["lat"]}" lon="{b["lon"]}"><name>{b["id"]}</name></wpt>' for b in best]
    visit = tmp_path / "visit.gpx"
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
    visit.write_text(f"{head}{''.join(points)}</gpx>")
    when = ("--when", "2026-12-05T08:00")
    done = sitegeo("rank", demo_survey, "--wind", WIND, *when, "--hide", visit, "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    everyone = [*told["blinds"], *told["rejected"]]
    assert {b["id"] for b in everyone} == {"X001", "X002"}
    assert {"sun", "birds_sun"} <= set(told["blinds"][0]["components"])


def test_a_drawdown_is_told_and_a_bad_level_refused(demo_survey: Path) -> None:
    low = sitegeo("rank", demo_survey, "--wind", WIND, "--water", "-1 ft", "--top", 1)
    assert low.returncode == 0, low.stderr
    assert "acres of water lost" in low.stderr
    bad = sitegeo("rank", demo_survey, "--wind", WIND, "--water", "down a bit")
    assert bad.returncode == 2
    assert "-2 ft" in bad.stderr


def test_a_file_of_hides_that_is_no_gpx_is_refused(demo_survey: Path, tmp_path: Path) -> None:
    (tmp_path / "notes.gpx").write_text("oak tree, left of the ramp")
    out = tmp_path / "plan"
    done = sitegeo(
        "plan", demo_survey, "--wind", WIND, "--hide", tmp_path / "notes.gpx", "--out", out
    )
    assert done.returncode == 1
    assert "notes.gpx" in done.stderr
    assert "Traceback" not in done.stderr
    assert not out.exists()
