"""Bad input: one paragraph with the file, the value and the remedy; earlier output untouched."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers_cli import sitegeo


def fingerprint(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def assert_one_paragraph(text: str, *words: str) -> None:
    lines = [line for line in text.splitlines() if line.strip()]
    assert len(lines) == 1, text
    assert "Traceback" not in text
    for word in words:
        assert word in text


@pytest.mark.parametrize(
    ("wind", "word"),
    [
        ("NWN 12", "compass"),
        ("NWN 12 mph", "compass"),
        ("-3 mph", "-3 mph"),
        ("NW -3 mph", "negative"),
        ("400° 5 mph", "360"),
        ("NW 12", "unit"),
        ("NW twelve mph", "NW twelve"),
        ("NW 12 furlongs", "furlongs"),
        ("NW 300 mph", "60 m/s"),
        ("", "cannot be read"),
    ],
)
def test_bad_wind(demo_survey: Path, wind: str, word: str) -> None:
    done = sitegeo("rank", demo_survey, "--wind", wind)
    assert done.returncode == 2
    assert done.stdout == ""
    assert_one_paragraph(
        done.stderr, word, "Write for example" if "compass" not in word else "N NNE"
    )


@pytest.fixture
def copied(demo_place: Path, tmp_path: Path) -> Path:
    """The bundled place in a folder of its own, to be spoilt."""
    shutil.copytree(demo_place.parent, tmp_path / "place")
    return tmp_path / "place" / "place.toml"


def edit(place: Path, change: Callable[[str], str]) -> None:
    place.write_text(change(place.read_text()))


SPOILT = {
    "unknown key": (lambda t: t.replace("roads = {", "raods = {"), ["raods", "roads"]),
    "missing file": (lambda t: t.replace('"imagery.tif"', '"imagry.tif"'), ["imagry.tif"]),
    "wrong band order": (
        lambda t: t.replace('["red", "green", "blue", "nir"]', '["nir", "red", "green", "blue"]'),
        ["bands", "imagery.tif"],
    ),
    "not toml": (lambda t: t + "\n[layers\n", ["TOML"]),
    "bad value": (lambda t: t.replace("party = 2", 'party = "two"'), ["party", "two"]),
}


@pytest.mark.parametrize("name", SPOILT)
def test_spoilt_place_leaves_earlier_output(
    name: str, copied: Path, demo_survey: Path, tmp_path: Path
) -> None:
    change, words = SPOILT[name]
    out = tmp_path / "survey"
    shutil.copytree(demo_survey, out)
    before = fingerprint(out)
    edit(copied, change)
    done = sitegeo("survey", copied, "--out", out, "--overwrite")
    assert done.returncode == 1
    assert_one_paragraph(done.stderr, *words)
    assert fingerprint(out) == before
    assert {p.name for p in tmp_path.iterdir()} == {"place", "survey"}


def test_truncated_photo(copied: Path, tmp_path: Path) -> None:
    photo = copied.parent / "imagery.tif"
    photo.write_bytes(photo.read_bytes()[: photo.stat().st_size // 2])
    done = sitegeo("survey", copied, "--out", tmp_path / "out")
    assert done.returncode == 1
    assert_one_paragraph(done.stderr, "imagery.tif")
    assert not (tmp_path / "out").exists()


def test_output_folder_that_exists(demo_place: Path, demo_survey: Path) -> None:
    before = fingerprint(demo_survey)
    done = sitegeo("survey", demo_place, "--out", demo_survey)
    assert done.returncode == 1
    assert_one_paragraph(done.stderr, "--overwrite", str(demo_survey))
    assert fingerprint(demo_survey) == before


def test_a_folder_of_other_things_is_never_replaced(demo_place: Path, tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("mine")
    done = sitegeo("survey", demo_place, "--out", tmp_path, "--overwrite")
    assert done.returncode == 1
    assert_one_paragraph(done.stderr, "left alone")
    assert (tmp_path / "letters.txt").read_text() == "mine"


def test_not_a_survey(tmp_path: Path) -> None:
    for folder in (tmp_path, tmp_path / "nowhere"):
        done = sitegeo("rank", folder, "--wind", "N 5 mph")
        assert done.returncode == 1
        assert_one_paragraph(done.stderr, str(folder))


def test_damaged_survey(demo_survey: Path, tmp_path: Path) -> None:
    out = tmp_path / "survey"
    shutil.copytree(demo_survey, out)
    (out / "survey.gpkg").write_bytes(b"nothing of the kind")
    done = sitegeo("rank", out, "--wind", "N 5 mph")
    assert done.returncode == 1
    assert_one_paragraph(done.stderr, "survey.gpkg", "--overwrite")


def test_a_survey_under_another_model_of_the_law(demo_survey: Path, tmp_path: Path) -> None:
    out = tmp_path / "survey"
    shutil.copytree(demo_survey, out)
    record = json.loads((out / "survey.json").read_text())
    record["law"]["rules"]["hours"] = None
    (out / "survey.json").write_text(json.dumps(record))
    done = sitegeo("check", out)
    assert done.returncode == 1
    assert_one_paragraph(done.stderr, "'hours'", "another version", "Run 'sitegeo survey' again")


def test_unknown_blind_and_hide_off_the_map(demo_survey: Path, tmp_path: Path) -> None:
    for words in (("--blind", "Z999"), ("--hide", "10.0,10.0")):
        done = sitegeo("plan", demo_survey, "--wind", "N 5 mph", *words, "--out", tmp_path / "p")
        assert done.returncode == 1
        assert_one_paragraph(done.stderr)
        assert not (tmp_path / "p").exists()


def test_usage_errors_exit_2(demo_survey: Path, tmp_path: Path) -> None:
    plan = ("plan", demo_survey, "--wind", "N 5 mph", "--out", tmp_path / "p")
    for words in (
        ("rank", demo_survey),
        ("plan", demo_survey, "--wind", "N 5 mph"),
        (*plan, "--hide", "here"),
        (*plan, "--decoys", "500"),
        (*plan, "--when", "tomorrow"),
        ("frobnicate",),
        ("check",),
    ):
        done = sitegeo(*words)
        assert done.returncode == 2, words
        assert "Traceback" not in done.stderr
