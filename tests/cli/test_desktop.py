"""The desktop provider: forms from declarations, a clean child, the command line's own ranking."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import warnings
from pathlib import Path

import pytest

from sitegeo.desktop.installing import install
from sitegeo.desktop.plugin import child

# Debian's wrapper adds an option that its own program refuses.
QGIS = shutil.which("qgis_process.bin") or shutil.which("qgis_process")


def described(env: dict[str, str] | None = None) -> dict[str, dict[str, object]]:
    done = subprocess.run(
        [sys.executable, "-m", "sitegeo", "desktop", "--describe"],
        env=env, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return {a["id"]: a for a in json.loads(done.stdout)["algorithms"]}


def test_verbs_and_steps_of_other_packages_show_up(extra_package: dict[str, str]) -> None:
    found = described(extra_package)
    assert {"survey", "rank", "plan", "scan", "step_shoreline"} <= set(found)
    extra = found["step_extra_step_water_edges"]
    names = [p["name"] for p in extra["parameters"]]  # type: ignore[attr-defined]
    assert names == ["source", "layer_water", "set_tolerance_m", "out"]
    kinds = {p["name"]: p["kind"] for p in found["plan"]["parameters"]}  # type: ignore[attr-defined]
    assert kinds["survey"] == "folder"
    assert kinds["law"] == "file"
    assert kinds["paper"] == "choice"
    assert kinds["out"] == "out"


def test_nothing_of_the_desktops_reaches_the_child() -> None:
    foreign = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "PYTHONPATH", "PYTHONHOME", "LD_LIBRARY_PATH")
    kept = child.environment({**dict.fromkeys(foreign, "/theirs"), "HOME": "/home/me"})
    assert not set(foreign) & set(kept)
    assert kept["HOME"] == "/home/me"


def test_the_ranking_in_qgis_is_the_command_lines(demo_survey: Path, tmp_path: Path) -> None:
    if QGIS is None:
        warnings.warn("NO qgis_process HERE: the desktop provider is not tried", stacklevel=1)
        pytest.skip("*** no qgis_process: install QGIS to try the desktop provider ***")
    install(tmp_path / "profiles" / "default" / "python" / "plugins")
    env = {
        **os.environ,
        "QGIS_CUSTOM_CONFIG_PATH": str(tmp_path),
        "QT_QPA_PLATFORM": "offscreen",
        "XDG_RUNTIME_DIR": str(tmp_path),
        "PROJ_LIB": "/nowhere",
        "GDAL_DATA": "/nowhere",
        "PYTHONPATH": "/nowhere",
    }
    answer = tmp_path / "rank.json"
    subprocess.run([QGIS, "plugins", "enable", "sitegeo_provider"], env=env, check=False)
    done = subprocess.run(
        [QGIS, "run", "sitegeo:rank", f"--survey={demo_survey}", "--wind=NW 12 mph",
         f"--result={answer}"],
        env=env, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert answer.exists(), done.stderr[-2000:]
    plain = subprocess.run(
        [sys.executable, "-m", "sitegeo", "rank", demo_survey, "--wind", "NW 12 mph", "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert json.loads(answer.read_text()) == json.loads(plain.stdout)
    wrong = subprocess.run(
        [QGIS, "run", "sitegeo:rank", f"--survey={tmp_path}", "--wind=NW 12 mph"],
        env=env, capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert "is not a survey" in wrong.stderr + wrong.stdout
