"""survey.png shows what the survey holds, where it lies."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from sitegeo.core.contracts import Cover
from sitegeo.surveys.preview import PANEL_PX, preview_image
from sitegeo.surveys.survey import Survey

MARGIN, TOP = 28, 80


@pytest.fixture(scope="module")
def survey(demo_survey: Path) -> Survey:
    return Survey.open(demo_survey)


@pytest.fixture(scope="module")
def drawn(survey: Survey) -> np.ndarray:
    return np.asarray(picture(survey))


def picture(survey: Survey) -> Image.Image:
    return preview_image(survey.layers, title=survey.title, warnings=survey.warnings)


def panel(drawn: np.ndarray, number: int) -> np.ndarray:
    left = MARGIN + number * (PANEL_PX + MARGIN)
    return drawn[TOP : TOP + PANEL_PX, left : left + PANEL_PX].astype(int)


def test_the_same_survey_gives_the_same_file(survey: Survey, tmp_path: Path) -> None:
    one, two = (survey.save(tmp_path / n, atlas=False) / "survey.png" for n in ("one", "two"))
    assert one.read_bytes() == two.read_bytes()
    with Image.open(one) as image:
        assert image.format == "PNG"
        assert image.width == 2 * PANEL_PX + 3 * MARGIN


def test_each_class_is_washed_in_its_own_colour(survey: Survey, drawn: np.ndarray) -> None:
    code = survey.layers["cover"].band("class")
    half = code.shape[0] // PANEL_PX
    small = code[half // 2 :: half, half // 2 :: half]
    right = panel(drawn, 1)

    def lean(member: Cover) -> np.ndarray:
        mean = right[small == member].mean(axis=0)
        return mean - mean.mean()

    water, tree, low, built = (lean(c) for c in (Cover.WATER, Cover.TREE, Cover.LOW, Cover.BUILT))
    assert water.argmax() == 2
    assert tree.argmax() == 1
    assert low.argmin() == 2
    assert built.argmin() == 1


def test_tree_lines_lie_on_their_banks(survey: Survey, drawn: np.ndarray) -> None:
    grid = survey.grid
    found = survey.layers["positions"]
    left = panel(drawn, 0)
    for line in found[found["kind"] == "tree line"].geometry:
        at = line.interpolate(0.25, normalized=True)
        scale = PANEL_PX / max(grid.shape) / grid.pixel_m
        column, row = int((at.x - grid.west) * scale), int((grid.north - at.y) * scale)
        around = left[row - 3 : row + 4, column - 3 : column + 4].reshape(-1, 3)
        assert (np.abs(around - (230, 159, 0)).sum(axis=1) < 30).any()


def test_a_survey_without_positions_is_drawn_too(survey: Survey) -> None:
    layers = {n: survey.layers[n] for n in ("photo", "cover", "water", "positions")}
    layers["positions"] = layers["positions"].iloc[:0]
    bare = np.asarray(picture(replace(survey, layers=layers)))
    full = np.asarray(picture(survey))
    assert bare.shape == full.shape
    assert not np.array_equal(panel(bare, 0), panel(full, 0))
