"""Photos nobody prepared: each is surveyed with a plain answer, or refused in words."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from affine import Affine
from helpers_places import NORTH, WEST, write_photo
from helpers_terrain import centres, ground, paint
from numpy.typing import NDArray

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.store import read_raster, save_layers
from sitegeo.core.wind import Wind
from sitegeo.errors import SurveyError
from sitegeo.places.place import read_place
from sitegeo.plans.plan import plan
from sitegeo.rankings.ranking import blinds_under_law, rank
from sitegeo.surveys.preview import round_length
from sitegeo.surveys.survey import Survey, survey

FOUR = ("red", "green", "blue", "nir")
NAMES = ("meadow", "water", "forest", "road", "roof", "soil")
NW = Wind.parse("NW 12 mph")

Plan = NDArray[np.int_]


def _blank(rows: int = 120, columns: int = 120) -> Plan:
    return np.zeros((rows, columns), int)


def _dry() -> Plan:
    return _blank()


def _all_water() -> Plan:
    return np.ones((120, 120), int)


def _sliver() -> Plan:
    return np.where(np.arange(120) < 3, 1, _blank())


def _band(rows: int = 12) -> Plan:
    """A photo of few rows, water on one side."""
    return np.where(np.arange(120) < 60, 1, _blank(rows))


def _built_bank() -> Plan:
    """A lake in bare paving: nothing to hide in or behind."""
    east, up = centres(240, 240)
    return np.where(np.hypot(east, up) < 80, 1, 3)


def _one_body_to_every_edge() -> Plan:
    """Water all round, one rock in it."""
    east, up = centres(120, 120)
    return np.where(np.hypot(east - 20, up) < 4, 5, 1)


def _pond(size: int = 120) -> Plan:
    east, up = centres(size, size)
    plan = np.where(np.hypot(east, up) < size / 4, 1, 0)
    plan[np.abs(east) > size * 0.4] = 2
    return plan


PHOTOS: dict[str, tuple[Callable[[], Plan], float]] = {
    "no water": (_dry, 1.0),
    "no land": (_all_water, 1.0),
    "a sliver of water": (_sliver, 1.0),
    "a strip of a photo": (_band, 1.0),
    "no cover on the bank": (_built_bank, 1.0),
    "one body that fills the photo": (_one_body_to_every_edge, 1.0),
    "pixels of 30 m": (_pond, 30.0),
    "3 km at 5 m": (lambda: _pond(600), 5.0),
    "the least that counts as a photo": (lambda: _pond(8), 1.0),
}


def photo_of(folder: Path, plan: Plan, pixel_m: float, *, bands: tuple[str, ...] = FOUR) -> Path:
    """Write a photo of a drawn plan and a place with nothing but it; return the place file."""
    values = paint(plan, NAMES)[: len(bands)]
    transform = Affine(pixel_m, 0, WEST, 0, -pixel_m, NORTH)
    write_photo(folder / "photo.tif", values, transform=transform)
    place = folder / "place.toml"
    names = ", ".join(f'"{b}"' for b in bands)
    place.write_text(
        f'title = "Nobody\'s"\n[layers]\nimagery = "photo.tif"\n[imagery]\nbands = [{names}]\n',
        encoding="utf-8",
    )
    return place


@contextmanager
def no_library_warns() -> Iterator[None]:
    """Raise what Python shows a person by default: not what it tells developers alone."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for hidden in (DeprecationWarning, PendingDeprecationWarning, ResourceWarning):
            warnings.simplefilter("ignore", hidden)
        yield


def surveyed(place: Path, out: Path) -> Survey:
    """Survey, save, and open again; no library may warn on the way."""
    with no_library_warns():
        return Survey.open(survey(read_place(place)).save(out))


@pytest.mark.parametrize("bands", [FOUR, FOUR[:3]], ids="".join)
@pytest.mark.parametrize("name", PHOTOS)
def test_each_photo_is_surveyed_and_ranked_or_answered_in_words(
    name: str, bands: tuple[str, ...], tmp_path: Path
) -> None:
    draw, pixel_m = PHOTOS[name]
    found = surveyed(photo_of(tmp_path, draw(), pixel_m, bands=bands), tmp_path / "out")
    blinds = len(found.layers["candidates"])
    assert (tmp_path / "out" / "survey.png").stat().st_size
    with no_library_warns():
        if blinds:
            ranking = rank(found, NW)
            assert len(ranking.blinds) + len(ranking.rejected) == blinds
            return
        asked = lambda: rank(found, NW), lambda: plan(found, NW), lambda: blinds_under_law(found)
        for ask in asked:
            with pytest.raises(SurveyError) as refused:
                ask()
            assert refused.value.exit_code == 1
            assert refused.value.remedy


@pytest.mark.parametrize("name", ["no water", "no land"])
def test_a_photo_without_water_or_without_land_is_said_to_be_so(name: str, tmp_path: Path) -> None:
    draw, pixel_m = PHOTOS[name]
    found = surveyed(photo_of(tmp_path, draw(), pixel_m), tmp_path / "out")
    wet = found.layers["cover"].band("class") == Cover.WATER
    assert wet.mean() == (0.0 if name == "no water" else 1.0)
    assert len(found.layers["stations"]) == 0


@pytest.mark.parametrize("longest_m", [0.5, 1.0, 999.9999999, 1000.0, 1000.0000001, 8e5])
def test_a_scale_bar_fits_whatever_the_photo(longest_m: float) -> None:
    assert 0.2 * longest_m <= round_length(longest_m) <= longest_m


def test_a_photo_with_voids_is_written_without_a_word_of_the_library(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    values = np.random.default_rng(1).integers(0, 255, (2, 700, 700)).astype(np.uint8)
    valid = np.arange(700)[:, None] + np.zeros(700) > 100
    cover = Raster(values, ground(700, 700), valid, ("class", "confidence"))
    save_layers(tmp_path, {"cover": cover}, {})
    assert capfd.readouterr() == ("", "")
    np.testing.assert_array_equal(read_raster(tmp_path / "cover.tif").mask, valid)
