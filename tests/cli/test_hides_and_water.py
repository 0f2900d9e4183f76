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
    needed = {
        "wind",
        "ripple",
        "room",
        "spread",
        "hide",
        "behind",
        "overhead",
        "in_range",
        "party",
        "feeding",
    }
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


def test_the_order_of_latitude_and_longitude_is_hinted_at(demo_survey: Path) -> None:
    done = sitegeo("rank", demo_survey, "--wind", WIND, "--hide", "-90.55,44.13")
    assert done.returncode == 2
    assert "write the latitude first: 44.13,-90.55" in done.stderr


def test_a_waypoint_off_the_survey_is_told_by_the_commands(demo_survey, best, tmp_path) -> None:
    visit = tmp_path / "visit.gpx"
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="x">'
    near = f'<wpt lat="{best[0]["lat"]}" lon="{best[0]["lon"]}"/>'
    visit.write_text(f'{head}<wpt lat="10" lon="20"><name>far</name></wpt>{near}</gpx>')
    done = sitegeo("rank", demo_survey, "--wind", WIND, "--hide", visit)
    assert done.returncode == 0, done.stderr
    assert "X001 far lies off the survey and is left out" in done.stderr
    assert "X002" in done.stdout + done.stderr


def test_without_a_blind_left_the_reasons_are_told(demo_survey: Path) -> None:
    done = sitegeo("rank", demo_survey, "--wind", WIND, "--water", "-30 ft")
    assert done.returncode == 0, done.stderr
    assert "No blind is left" in done.stdout
    assert "0% of the water in front is open (" in done.stdout
    assert "0 more places" not in done.stderr
    assert "setbacks" not in done.stdout
