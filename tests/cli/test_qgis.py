"""The provider for QGIS: forms from declarations, a clean child, the command line's own ranking."""

from __future__ import annotations

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import warnings
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import pytest
from helpers_packages import REPO

from sitegeo.cli import options
from sitegeo.qgis.description import QGIS_SCHEMA
from sitegeo.qgis.install import install_plugin
from sitegeo.qgis.plugin import child
from sitegeo.surveys.preview import CLASS_COLOURS, POSITION_COLOURS

# Debian's wrapper adds an option that its own program refuses.
QGIS = shutil.which("qgis_process.bin") or shutil.which("qgis_process")
QGIS_PYTHON = "/usr/bin/python3"


def described(env: dict[str, str] | None = None) -> dict[str, dict[str, object]]:
    done = subprocess.run(
        [sys.executable, "-m", "sitegeo", "qgis", "--describe"],
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


def test_nothing_of_qgis_reaches_the_child() -> None:
    foreign = ("PROJ_LIB", "PROJ_DATA", "GDAL_DATA", "PYTHONPATH", "PYTHONHOME", "LD_LIBRARY_PATH")
    kept = child.environment({**dict.fromkeys(foreign, "/theirs"), "HOME": "/home/me"})
    assert not set(foreign) & set(kept)
    assert kept["HOME"] == "/home/me"


SLOW = """
import sys, time
try:
    print("@progress 0.5 half way", file=sys.stderr, flush=True)
    time.sleep(60)
except KeyboardInterrupt:
    open(sys.argv[1], "w").write("put back")
    sys.exit(130)
"""


def child_running(folder: Path, command: list[str]) -> ModuleType:
    """The plugin's module that runs sitegeo, made to run something else."""
    shutil.copy(Path(child.__file__), folder / "child.py")
    (folder / "environment.json").write_text(json.dumps({"command": command}))
    spec = importlib.util.spec_from_file_location("child_of_test", folder / "child.py")
    assert spec is not None
    assert spec.loader is not None
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


@pytest.mark.skipif(os.name == "nt", reason="a process is ended there, not interrupted")
def test_cancelled_in_the_middle_the_child_is_interrupted(tmp_path: Path) -> None:
    runner = child_running(tmp_path, [sys.executable, "-c", SLOW])
    told: list[str] = []
    with pytest.raises(runner.Cancelled):
        runner.run([str(tmp_path / "end")], on_progress=told.append, cancelled=lambda: bool(told))
    assert told == ["0.5 half way"]
    assert (tmp_path / "end").read_text() == "put back"


def test_what_the_child_says_is_the_error(tmp_path: Path) -> None:
    words = "import sys; print('no such blind', file=sys.stderr); sys.exit(1)"
    runner = child_running(tmp_path, [sys.executable, "-c", words])
    with pytest.raises(runner.ChildError, match="no such blind"):
        runner.run([])
    assert runner.run([], answers=[1]) == ""


def test_plugin_and_command_line_speak_alike_or_are_refused(tmp_path: Path) -> None:
    assert child.SCHEMA == QGIS_SCHEMA
    assert child._PROGRESS == options.PROGRESS_MARK
    words = "import json; print(json.dumps({'schema': 'sitegeo/qgis/0', 'version': '0'}))"
    with pytest.raises(Exception, match="different versions"):
        child_running(tmp_path, [sys.executable, "-c", words]).describe()


@pytest.fixture(scope="module")
def qgis(
    extra_package: dict[str, str], tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, dict[str, str]]:
    """A profile with the provider in it, run with another package's step, and a bad environment."""
    if QGIS is None:
        warnings.warn("NO qgis_process HERE: the provider for QGIS is not tried", stacklevel=1)
        pytest.skip("*** no qgis_process: install QGIS to try its provider ***")
    folder = tmp_path_factory.mktemp("qgis")
    made = install_plugin(folder / "profiles" / "default" / "python" / "plugins")
    extra = extra_package["PYTHONPATH"].split(os.pathsep)[0]
    start = folder / "start.py"
    start.write_text(
        f"import sys; sys.path.insert(0, {extra!r}); from sitegeo.cli import main; main()"
    )
    (made / "environment.json").write_text(json.dumps({"command": [sys.executable, str(start)]}))
    foreign = dict.fromkeys(("PROJ_LIB", "GDAL_DATA", "PYTHONPATH"), "/nowhere")
    return made.parent, {
        **os.environ,
        # QGIS looks for its Python along the path: the system's own comes first.
        "PATH": f"/usr/bin{os.pathsep}{os.environ['PATH']}",
        "QGIS_CUSTOM_CONFIG_PATH": str(folder),
        "QT_QPA_PLATFORM": "offscreen",
        "XDG_RUNTIME_DIR": str(folder),
        **foreign,
    }


def test_the_ranking_in_qgis_is_the_command_lines(
    qgis: tuple[Path, dict[str, str]], demo_survey: Path, tmp_path: Path
) -> None:
    _, env = qgis
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


def test_in_qgis_a_step_takes_a_layer_errors_are_ours_and_results_have_our_colours(
    qgis: tuple[Path, dict[str, str]], demo_survey: Path, demo_place: Path, tmp_path: Path
) -> None:
    plugins, env = qgis
    water = gpd.read_file(demo_place.parent / "layers.gpkg", layer="water").iloc[:1]
    water = water.assign(id=["W1"], area_m2=water.area, source="map")[
        ["id", "area_m2", "source", "geometry"]
    ]
    water.to_file(tmp_path / "mine.gpkg", layer="water")
    water.to_file(tmp_path / "mine.gpkg", layer="other")
    out = tmp_path / "out"
    words = [plugins, demo_place, tmp_path / "mine.gpkg", demo_survey, out]
    done = subprocess.run(
        [QGIS_PYTHON, REPO / "tests" / "qgis_session.py", *words],
        env={k: v for k, v in env.items() if k not in ("PYTHONPATH", "PROJ_LIB", "GDAL_DATA")},
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip
    assert (out / "told.json").exists(), done.stderr[-2000:]
    told = json.loads((out / "told.json").read_text())
    assert told["step"]["fine"], told["step"]["said"]
    edges = gpd.read_file(next(out.glob("*.gpkg")), layer="water_edges")
    assert edges["id"].tolist() == ["W1"]
    assert not told["wrong"]["fine"]
    assert "is not a survey" in told["wrong"]["said"]
    assert told["cover"] == ["paletted", [c for c, _ in CLASS_COLOURS.values()]]
    assert told["positions"] == ["categorizedSymbol", [c for c, _ in POSITION_COLOURS.values()]]
