"""Thresholds and indices against values other people printed; classes against real photos."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from helpers_terrain import classified, iou, read_photo
from skimage import data

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.landcover.indices import excess_green, ndvi, ndwi, otsu

FOUR = ("red", "green", "blue", "nir")


def test_otsu_of_the_camera_and_the_coins() -> None:
    # scikit-image, tests/skimage/filters/test_thresholding.py: 101 < t < 103, 106 < t < 108.
    assert otsu(data.camera()) == 102
    assert otsu(data.coins()) == 107


def test_otsu_of_a_small_image() -> None:
    # The 5 x 5 image of the same file, threshold 2.
    image = np.array(
        [[0, 0, 1, 3, 5], [0, 1, 4, 3, 4], [1, 2, 5, 4, 1], [2, 4, 5, 2, 1], [4, 5, 1, 0, 0]]
    )
    assert otsu(image) == 2


def test_otsu_of_one_value_is_that_value() -> None:
    # test_otsu_one_color_image of the same file.
    assert otsu(np.full((10, 10), 7)) == 7


def test_water_index_is_green_less_infrared_over_their_sum() -> None:
    # McFeeters 1996, equation 1; by hand: (60 - 20) / 80 and (50 - 150) / 200.
    assert ndwi(np.array([60, 50]), np.array([20, 150])) == pytest.approx([0.5, -0.5])
    # Woebbecke et al. 1995: 2g - r - b of chromatic coordinates, by hand (200 - 40 - 60) / 200.
    assert excess_green(np.array([40.0]), np.array([100.0]), np.array([60.0])) == pytest.approx(0.5)


def test_vegetation_index_is_infrared_less_red_over_their_sum() -> None:
    # Rouse et al. 1974; by hand: (150 - 50) / 200; nothing seen is 0, not a division by zero.
    assert ndvi(np.array([50, 0]), np.array([150, 0])) == pytest.approx([0.5, 0.0])


def test_indices_of_bytes_do_not_wrap() -> None:
    green, nir = np.array([200], np.uint8), np.array([250], np.uint8)
    assert ndwi(green, nir) == pytest.approx([-50 / 450])


@cache
def _ponds(folder: Path, bands: tuple[str, ...]) -> tuple[Raster, np.ndarray]:
    photo = read_photo(folder / "ponds-md" / "imagery.tif", bands)
    # Chesapeake Land Cover classes: 1 water, 2 tree.
    truth = read_photo(folder / "ponds-md" / "landcover.tif", ("code",)).values[0]
    return classified(photo), truth


def _f1(a: np.ndarray, b: np.ndarray) -> float:
    return float(2 * (a & b).sum() / (a.sum() + b.sum()))


def test_ponds_in_forest_with_infrared(places: Path) -> None:
    found, truth = _ponds(places, FOUR)
    classes = found.band("class")
    # Plain NDWI > 0 has an intersection over union of 0.12 here: roads and roofs are positive.
    assert iou(classes == Cover.WATER, truth == 1) >= 0.85
    assert _f1(classes == Cover.TREE, truth == 2) >= 0.87


def test_ponds_in_forest_without_infrared(places: Path) -> None:
    found, truth = _ponds(places, FOUR[:3])
    classes = found.band("class")
    assert iou(classes == Cover.WATER, truth == 1) >= 0.75
    assert _f1(classes == Cover.TREE, truth == 2) >= 0.85
    with_infrared = _ponds(places, FOUR)[0]
    assert found.band("confidence").mean() < with_infrared.band("confidence").mean()


def test_roads_and_roofs_are_not_water(places: Path) -> None:
    found, truth = _ponds(places, FOUR)
    hard = (truth == 5) | (truth == 6)
    assert (found.band("class")[hard] == Cover.WATER).mean() < 0.005


@pytest.mark.parametrize("bands", [FOUR, FOUR[:3]])
def test_a_forest_reservoir_has_its_area(places: Path, bands: tuple[str, ...]) -> None:
    photo = read_photo(places / "reservoir-va" / "imagery.tif", bands)
    classes = classified(photo).band("class")
    # Measured by eye by those who gathered the photo: about 2.0 to 2.2 ha.
    assert 1.7 <= (classes == Cover.WATER).sum() / 1e4 <= 2.4
    assert (classes == Cover.TREE).mean() > 0.6


def test_prairie_water_of_every_colour(places: Path) -> None:
    photo = read_photo(places / "potholes-nd" / "imagery_20140720.tif", FOUR)
    classes = classified(photo).band("class")
    black, green, tan, brown = (700, 280), (467, 443), (186, 590), (30, 490)
    for column, row in (black, green, tan, brown):
        assert classes[row, column] == Cover.WATER
    crop, plough, stubble = (600, 150), (770, 40), (230, 440)
    for column, row in (crop, plough, stubble):
        assert classes[row, column] != Cover.WATER


def test_a_lake_shore_without_infrared_against_its_lidar(places: Path) -> None:
    folder = places / "lakeshore-zurich"
    photo = read_photo(folder / "ortho_rgb_050cm.tif", FOUR[:3])
    terrain = read_photo(folder / "dtm_1m.tif", ("ground",))
    rows, cols = np.indices(photo.grid.shape)
    ground = terrain.sample(*photo.grid.xy(rows.ravel(), cols.ravel()), fill=-9999.0)
    # The lake stands at 405.6 m in this model; the model is empty further out.
    lake = (ground[0] < 405.8).reshape(photo.grid.shape)
    assert iou(classified(photo).band("class") == Cover.WATER, lake) >= 0.85
