"""Photos nobody prepared: each is surveyed with a plain answer, or refused in words."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
import rasterio
from affine import Affine
from helpers_places import NORTH, WEST, open_data, write_photo
from helpers_terrain import centres, ground, paint
from numpy.typing import NDArray
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.store import read_raster, save_layers
from sitegeo.core.wind import Wind
from sitegeo.errors import SitegeoError, SurveyError
from sitegeo.landcover.cover import ReadingTrust, TrustParams, judge_reading
from sitegeo.landcover.tiling import cut_into_tiles
from sitegeo.places.imagery import open_photo
from sitegeo.places.place import read_place
from sitegeo.plans.plan import plan
from sitegeo.rankings.chosen_hide import chosen_hides
from sitegeo.rankings.ranking import blinds_under_law, rank
from sitegeo.surveys.preview import round_length
from sitegeo.surveys.record import reading_words
from sitegeo.surveys.survey import Survey, survey

FOUR = ("red", "green", "blue", "nir")
NAMES = ("meadow", "water", "forest", "road", "roof", "soil")
NW = Wind.parse("NW 12 mph")

DRY = {"arid-pilbara", "asphalt-riverside", "shadow-eureka", "town-kampala", "forest-kootenay"}
"""Scenes of open data that hold no water."""

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


def surveyed(place: Path, out: Path, *, atlas: bool = True) -> Survey:
    """Survey, save, and open again; no library may warn on the way."""
    with no_library_warns():
        return Survey.open(survey(read_place(place)).save(out, atlas=atlas))


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
        asked: list[Callable[[], object]] = [
            lambda: rank(found, NW),
            lambda: plan(found, NW),
            lambda: blinds_under_law(found),
        ]
        if found.layers["stations"].empty:
            lat, lon = found.grid.centre_latlon
            asked.append(lambda: chosen_hides(found, (lat, lon)))
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
    assert found.reading is not None
    assert found.reading.trusted == (name == "no land")
    assert bool(found.reading_warnings) == (name == "no water")
    assert set(found.reading_warnings) <= set(found.warnings)


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


@pytest.mark.parametrize(
    ("fill", "where"),
    [
        (0, "hole"),
        (255, "hole"),
        (0, "slant"),
        (255, "slant"),
        (128, "border"),
        (17, "border"),
    ],
)
@pytest.mark.parametrize("bands", [FOUR, FOUR[:3]], ids="".join)
def test_what_is_filled_with_one_tone_is_neither_land_nor_water_nor_shore(
    fill: int, where: str, bands: tuple[str, ...], tmp_path: Path
) -> None:
    size = 200
    east, up = centres(size, size)
    filled = {
        "hole": (np.abs(east - 5) < 12) & ((np.abs(up) < 15) | (np.abs(up - 80) < 12)),
        "slant": east + 0.4 * up > 70,
        "border": np.maximum(np.abs(east), np.abs(up)) > 97,
    }[where]
    values = np.where(filled, fill, paint(_pond(size), NAMES)).astype(np.uint8)[: len(bands)]
    values[:, 20, 20] = fill  # a lone pixel is a colour
    place = photo_of(tmp_path, _pond(size), 1.0, bands=bands)
    write_photo(tmp_path / "photo.tif", values, transform=Affine(1, 0, WEST, 0, -1, NORTH))
    found = surveyed(place, tmp_path / "out")
    classes = found.layers["cover"].band("class")
    np.testing.assert_array_equal(classes == Cover.NONE, filled)
    stations = found.layers["stations"]
    row, col = found.grid.rowcol(stations.geometry.x, stations.geometry.y)
    assert not ndimage.binary_dilation(filled, iterations=2)[row, col].any()
    with open_photo(tmp_path / "photo.tif", bands=bands) as photo:
        for part in cut_into_tiles((size, size), 90):
            np.testing.assert_array_equal(
                photo.read(part.rows, part.cols)[1], ~filled[part.rows, part.cols]
            )


@pytest.mark.parametrize(
    ("sure", "trusted"), [(TrustParams().least_water_confidence, True), (40, False)]
)
def test_water_told_with_low_confidence_is_not_trusted(sure: float, trusted: bool) -> None:
    classes = np.where(np.arange(20) < 5, Cover.WATER, Cover.OPEN) + np.zeros((20, 1), np.uint8)
    confidence = np.where(classes == Cover.WATER, sure, 99)
    values = np.stack([classes, confidence]).astype(np.uint8)
    valid = np.arange(20)[:, None] + np.zeros(20) >= 10
    found = judge_reading(Raster(values, ground(20, 20), valid, ("class", "confidence")))
    assert found == ReadingTrust(0.25, float(sure), trusted=trusted)
    assert bool(reading_words(found)) != trusted


def _photos() -> list[str]:
    """Photos of the folder of open data, where there is one, as paths within it."""
    folder = open_data()
    found = sorted(folder.rglob("imagery*.tif"))
    # The smallest of each scene; `benchmarks/accuracy.py` reads them all.
    of_scene = {path.parent: path for path in sorted(found, key=lambda p: -p.stat().st_size)}
    return sorted(str(path.relative_to(folder)) for path in of_scene.values())


def _bands(path: Path) -> tuple[str, ...]:
    if "nir_red_green" in path.name:
        return ("nir", "red", "green")
    with rasterio.open(path) as source:
        return FOUR[: source.count] + ("other",) * (source.count - 4)


@pytest.mark.parametrize("name", _photos())
def test_a_real_photo_alone_is_surveyed_or_refused_in_words(
    name: str, places: Path, tmp_path: Path
) -> None:
    """A dry one shows next to no water, or is said not to be trusted."""
    photo = places / name
    bands = ", ".join(f'"{b}"' for b in _bands(photo))
    place = tmp_path / "place.toml"
    place.write_text(
        f'title = "Real"\n[layers]\nimagery = "{photo}"\n[imagery]\nbands = [{bands}]\n'
    )
    try:
        found = surveyed(place, tmp_path / "out", atlas=False)
    except SitegeoError as refused:
        assert refused.remedy  # noqa: PT017 (either is right)
        return
    if photo.parent.name in DRY:
        assert found.reading is not None
        assert found.reading.water_share < 0.01 or not found.reading.trusted
    with no_library_warns():
        if len(found.layers["candidates"]):
            rank(found, NW)
        else:
            with pytest.raises(SurveyError):
                rank(found, NW)


def test_a_survey_made_before_its_reading_was_judged_says_so() -> None:
    assert reading_words(None)
