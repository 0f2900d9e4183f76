"""Surveying again: same input same bytes, and only what changed is run."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from helpers_cli import process, sitegeo
from test_bad_input import fingerprint


@pytest.fixture
def corner(demo_place: Path, tmp_path: Path) -> Path:
    """A corner of the bundled place, quick to survey."""
    shutil.copytree(demo_place.parent, tmp_path / "place")
    place = tmp_path / "place" / "place.toml"
    area = "area = [-90.556, 44.121, -90.548, 44.127]"
    place.write_text(place.read_text().replace("[place]\n", f"[place]\n{area}\n"))
    return place


def results(folder: Path) -> dict[str, str]:
    return {k: v for k, v in fingerprint(folder).items() if k != "timings.json"}


def test_same_input_same_bytes(corner: Path, tmp_path: Path) -> None:
    for name, run in (("one", sitegeo), ("two", process)):
        assert run("survey", corner, "--out", tmp_path / name).returncode == 0
    assert results(tmp_path / "one") == results(tmp_path / "two")


def test_recalled_steps_give_the_same_bytes(corner: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert sitegeo("survey", corner, "--out", out).returncode == 0
    before = results(out)
    assert sitegeo("survey", corner, "--out", out, "--overwrite").returncode == 0
    assert results(out) == before


def test_only_what_changed_is_run_again(corner: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert sitegeo("survey", corner, "--out", out).returncode == 0
    first = {s["name"]: s["hash"] for s in json.loads((out / "survey.json").read_text())["steps"]}
    corner.write_text(corner.read_text().replace("public_land = {", "# public_land = {"))
    assert sitegeo("survey", corner, "--out", out, "--overwrite").returncode == 0
    second = {s["name"]: s["hash"] for s in json.loads((out / "survey.json").read_text())["steps"]}
    changed = {name for name in first if first[name] != second[name]}
    assert changed == {"candidates", "huntable"}


def test_a_killed_run_costs_nothing(corner: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert sitegeo("survey", corner, "--out", out).returncode == 0
    before = fingerprint(out)
    command = [
        sys.executable,
        "-m",
        "sitegeo",
        "survey",
        str(corner),
        "--out",
        str(out),
        "--overwrite",
    ]
    for wait_s in (0.5, 1.5, 2.5):
        process = subprocess.Popen(command, stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
        time.sleep(wait_s)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        assert sitegeo("check", out, "--json").returncode == 3
        assert results(out) == {k: v for k, v in before.items() if k != "timings.json"}


def test_a_rename_cut_short_is_repaired(corner: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert sitegeo("survey", corner, "--out", out).returncode == 0
    before = fingerprint(out)
    out.rename(tmp_path / ".out.sitegeo-old")
    assert sitegeo("check", out, "--json").returncode == 3
    assert fingerprint(out) == before
