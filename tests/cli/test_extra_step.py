"""A step of another package, installed through a real entry point, runs in the survey."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import geopandas as gpd


def test_survey_runs_a_step_of_another_package(
    demo_place: Path, extra_package: dict[str, str], tmp_path: Path
) -> None:
    shutil.copytree(demo_place.parent, tmp_path / "place")
    place = tmp_path / "place" / "place.toml"
    # A corner of the place is enough, and quick.
    text = place.read_text().replace(
        "[place]\n", "[place]\narea = [-90.556, 44.121, -90.548, 44.127]\n"
    )
    place.write_text(text)

    def run(*words: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "sitegeo", *map(str, words)]
        return subprocess.run(
            command, capture_output=True, text=True, env=extra_package, check=False
        )

    listed = json.loads(run("steps", "--json").stdout)
    assert next(s for s in listed if s["name"] == "water_edges")["package"] == "extra_step"
    done = run("survey", place, "--out", tmp_path / "survey")
    assert done.returncode == 0, done.stderr
    edges = gpd.read_file(tmp_path / "survey" / "survey.gpkg", layer="water_edges")
    water = gpd.read_file(tmp_path / "survey" / "survey.gpkg", layer="water")
    assert list(edges["id"]) == list(water["id"])
    assert (edges["length_m"] > 0).all()
    record = json.loads((tmp_path / "survey" / "survey.json").read_text())
    assert "water_edges" in {s["name"] for s in record["steps"]}
    ranked = run("rank", tmp_path / "survey", "--wind", "NW 12 mph", "--json")
    assert ranked.returncode == 0, ranked.stderr
