"""What is read on the chart is read on any photo, by day and by night, and in any eye's colours."""

from __future__ import annotations

import dataclasses
import io
import re
from itertools import combinations
from pathlib import Path

import map_sample
import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import binary_dilation
from skimage.color import deltaE_ciede2000, rgb2lab

import sitegeo
from sitegeo.webmap import render

Floats = np.ndarray


def pixels(png: bytes) -> Floats:
    with Image.open(io.BytesIO(png)) as image:
        return np.asarray(image.convert("RGB"), float)


def linear(rgb: Floats) -> Floats:
    """Linear light of sRGB in 0 to 255 (IEC 61966-2-1; WCAG 2.2 uses the same curve)."""
    part = rgb / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def luminance(rgb: Floats) -> Floats:
    return linear(rgb) @ [0.2126, 0.7152, 0.0722]


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The sample on the darkest and on the brightest photo."""
    found = {}
    photo = map_sample.photo()
    for name, value in (("dark", 0), ("bright", 255)):
        held = dataclasses.replace(photo, values=np.full_like(photo.values, value))
        found[name] = tmp_path_factory.mktemp(name) / "map.html"
        found[name].write_text(render(map_sample.content(photo=held)), encoding="utf-8")
    return found


LETTERS = """([colour, shadow]) => {
    for (const node of document.querySelectorAll(".letter, .letter *")) {
        node.style.color = colour;
        node.style.textShadow = shadow;
    }
}"""


@pytest.mark.browser
@pytest.mark.parametrize("night", [False, True])
@pytest.mark.parametrize("photo", ["dark", "bright"])
def test_words_on_the_chart_keep_the_contrast_of_wcag_aa(opened, pages, photo, night):
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1, of the ink with what lies right round it."""
    page = opened(pages[photo])
    if night:
        page.get_by_role("button", name="Night").click()
    ink = page.evaluate("getComputedStyle(document.querySelector('.letter')).color")
    chart = page.locator(".folium-map")

    def drawn(colour: str, shadow: str) -> Floats:
        page.evaluate(LETTERS, [colour, shadow])
        return pixels(chart.screenshot())

    written, bare, halo = drawn("", "none"), drawn("transparent", "none"), drawn("transparent", "")
    letters = np.abs(written - bare).max(axis=-1) > 60
    assert letters.sum() > 500
    around = halo[binary_dilation(letters) & ~letters]
    colour = np.array([float(v) for v in re.findall(r"\d+", ink)[:3]])
    one = float(luminance(colour * [1, 0, 0] if night else colour))
    ground = luminance(around)
    contrast = (np.maximum(one, ground) + 0.05) / (np.minimum(one, ground) + 0.05)
    # A leader or a hatch may touch a letter; hardly any of the ground may be too near the ink.
    assert np.percentile(contrast, 5) >= 4.5


# Machado, Oliveira and Fernandes (2009), table of severity 1.0, on linear RGB; from memory.
EYES = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}


def palette() -> dict[str, Floats]:
    css = (Path(sitegeo.__file__).parent / "webmap" / "page.css").read_text(encoding="utf-8")
    found = dict(re.findall(r"--(ink|blue|vermilion|green): #([0-9a-f]{6});", css))
    assert len(found) == 4
    return {name: np.array([int(c[i : i + 2], 16) for i in (0, 2, 4)]) for name, c in found.items()}


@pytest.mark.parametrize("eye", EYES)
def test_colours_of_the_chart_stay_apart_in_the_eyes_of_the_colour_blind(eye: str) -> None:
    """A CIEDE2000 difference of 10 is several times what is just seen (about 1 to 2.3)."""
    turn = np.array(EYES[eye])
    np.testing.assert_allclose(turn.sum(axis=1), 1, atol=1e-4)  # white stays white
    seen = {}
    for name, colour in palette().items():
        light = np.clip(turn @ linear(colour.astype(float)), 0, 1)
        coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        seen[name] = rgb2lab(coded)
    for a, b in combinations(seen, 2):
        assert deltaE_ciede2000(seen[a], seen[b]) > 10, (a, b)


@pytest.mark.browser
def test_parts_of_the_spread_need_no_colour(opened, pages):
    """They are all in ink, told apart by their hatching alone."""
    page = opened(pages["bright"])
    told = page.evaluate(
        """() => [...document.querySelectorAll(".leaflet-container path.plan-group")]
            .map((p) => [getComputedStyle(p).stroke, p.getAttribute("fill")])"""
    )
    assert len({stroke for stroke, _ in told}) == 1
    assert len({fill for _, fill in told}) == len(told) > 1
