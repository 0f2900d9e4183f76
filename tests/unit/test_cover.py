"""Cover classes of painted grounds, where every pixel's class is known."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
from helpers_terrain import NORTH, WEST, centres, classified, ground, iou, paint
from shapely.geometry import box

from sitegeo.core import contracts
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.errors import CrsError, RasterError
from sitegeo.surveys.record import photo_caveats

FOUR = ("red", "green", "blue", "nir")
NAMES = ("meadow", "water", "forest", "road", "roof", "soil")
SIZE = 300


def plan() -> np.ndarray:
    """A round lake, a wood, a road, a street of dark roofs, a ploughed field, meadow between."""
    east, north = centres(SIZE, SIZE)
    out = np.zeros((SIZE, SIZE), int)
    out[np.hypot(east + 60, north - 60) < 50] = 1
    out[(east > 20) & (north > 10)] = 2
    out[np.abs(north + 10) < 5] = 3
    for left in range(-130, 0, 30):
        out[(east > left) & (east < left + 16) & (north < -30) & (north > -42)] = 4
    out[(east > 20) & (north < -40)] = 5
    return out


@pytest.fixture(scope="module")
def truth() -> np.ndarray:
    return plan()


@pytest.fixture(scope="module")
def photo(truth: np.ndarray) -> Raster:
    return Raster(paint(truth, NAMES), ground(SIZE, SIZE), None, FOUR)


@pytest.fixture(scope="module")
def classes(photo: Raster) -> np.ndarray:
    return classified(photo).band("class")


def pick(photo: Raster, bands: tuple[str, ...]) -> Raster:
    return Raster(np.stack([photo.band(b) for b in bands]), photo.grid, photo.valid, bands)


def test_keeps_its_contract(photo: Raster) -> None:
    found = classified(photo)
    contracts.check(found, contracts.contract("cover"))
    assert found.values.dtype == np.uint8
    assert found.band("confidence").max() <= 100
    assert set(np.unique(found.band("class"))) <= {int(c) for c in Cover}


def test_each_ground_gets_its_class(classes: np.ndarray, truth: np.ndarray) -> None:
    assert iou(classes == Cover.WATER, truth == 1) > 0.95
    assert iou(classes == Cover.TREE, truth == 2) > 0.9
    assert (classes[truth == 3] == Cover.BUILT).mean() > 0.8
    assert (classes[truth == 0] == Cover.OPEN).mean() > 0.8
    assert (classes[truth == 5] == Cover.BUILT).mean() > 0.8


def test_dark_roofs_are_not_ponds(classes: np.ndarray, truth: np.ndarray) -> None:
    # McFeeters' index is positive on them.
    assert not (classes[truth == 4] == Cover.WATER).any()


def test_shade_on_bare_soil_is_not_water(truth: np.ndarray) -> None:
    east, north = centres(SIZE, SIZE)
    bands = paint(truth, NAMES).astype(float)
    shade = (np.abs(east - 80) < 25) & (np.abs(north + 90) < 6)
    # Shade takes most of the light and leaves the blue of the sky.
    bands[:, shade] *= np.array([0.40, 0.43, 0.52, 0.36])[:, None]
    dark = Raster(np.clip(bands, 1, 255).astype(np.uint8), ground(SIZE, SIZE), None, FOUR)
    classes = classified(dark).band("class")
    assert not (classes[shade] == Cover.WATER).any()
    assert iou(classes == Cover.WATER, truth == 1) > 0.95


def test_without_infrared_the_lake_is_found_with_less_confidence(
    photo: Raster, truth: np.ndarray
) -> None:
    found = classified(pick(photo, FOUR[:3]))
    assert iou(found.band("class") == Cover.WATER, truth == 1) > 0.9
    lake = truth == 1
    full = classified(photo)
    assert found.band("confidence")[lake].mean() < full.band("confidence")[lake].mean()


def test_a_survey_says_what_its_photo_shows_poorly(photo: Raster) -> None:
    assert photo_caveats(photo) == []
    colours = Raster(photo.values[:3], photo.grid, None, FOUR[:3])
    (told,) = photo_caveats(colours)
    assert "no near-infrared" in told
    assert "ponds" not in told
    coarse = ground(SIZE, SIZE, 5.0)
    told, crowns = photo_caveats(Raster(photo.values[:3], coarse, None, FOUR[:3]))
    assert "ponds of a few acres are missed" in told
    assert "5 m" in crowns


def test_colour_infrared_reads_as_well_as_four_bands(
    photo: Raster, classes: np.ndarray, truth: np.ndarray
) -> None:
    found = classified(pick(photo, ("nir", "red", "green"))).band("class")
    assert iou(found == Cover.WATER, truth == 1) > 0.95
    assert (found == classes).mean() > 0.98


def test_sixteen_bits_give_the_classes_of_eight(photo: Raster, classes: np.ndarray) -> None:
    deep = Raster(photo.values.astype(np.uint16) * 257, photo.grid, None, FOUR)
    assert np.array_equal(classified(deep).band("class"), classes)


def test_same_input_same_bytes_and_nothing_changed(photo: Raster) -> None:
    before = photo.values.copy()
    assert np.array_equal(classified(photo).values, classified(photo).values)
    assert np.array_equal(photo.values, before)


def test_pixels_without_data_stay_so(photo: Raster, truth: np.ndarray) -> None:
    valid = np.ones(truth.shape, bool)
    valid[:, :40] = False
    values = np.where(valid, photo.values, 0)
    found = classified(Raster(values, photo.grid, valid, FOUR))
    assert (found.values[:, ~valid] == 0).all()
    assert (found.band("class")[valid] != Cover.NONE).all()
    assert iou(found.band("class") == Cover.WATER, (truth == 1) & valid) > 0.95


def test_given_land_cover_replaces_the_photo(photo: Raster, classes: np.ndarray) -> None:
    codes = np.zeros(photo.grid.shape, np.uint8)
    codes[:50] = Cover.LOW
    found = classified(photo, landcover=Raster(codes, photo.grid)).band("class")
    assert (found[:50] == Cover.LOW).all()
    assert np.array_equal(found[50:], classes[50:])


def test_measured_heights_decide_what_is_a_tree(photo: Raster, truth: np.ndarray) -> None:
    height = np.zeros(photo.grid.shape, np.float32)
    height[truth == 2] = 1.0
    height[truth == 0] = 9.0
    found = classified(photo, canopy=Raster(height, photo.grid)).band("class")
    assert (found[truth == 0] == Cover.TREE).all()
    assert not (found[truth == 2] == Cover.TREE).any()


def test_a_survey_of_heights_that_missed_the_reeds_leaves_them_standing() -> None:
    east, north = centres(SIZE, SIZE)
    scene = np.where(np.hypot(east, north) < 120, 1, 0)
    reeds = np.hypot(east, north) < 9
    scene[reeds] = 2
    photo = Raster(paint(scene, NAMES), ground(SIZE, SIZE), None, FOUR)
    bare = Raster(np.zeros((SIZE, SIZE), np.float32), photo.grid)
    found = classified(photo, canopy=bare).band("class")
    core = np.hypot(east, north) < 6
    # No tree, since it was measured; but not open ground either.
    assert not (found == Cover.TREE).any()
    assert (found[core] != Cover.WATER).all()


def test_mapped_water_anchors_what_the_photo_missed(photo: Raster, truth: np.ndarray) -> None:
    # Mapped: the lake, and a pool on the soil where the photo shows no water.
    pool = box(WEST + 200, NORTH - 280, WEST + 240, NORTH - 250)
    lake = box(WEST, NORTH - 150, WEST + 160, NORTH)
    mapped = gpd.GeoDataFrame(geometry=[pool], crs=photo.grid.crs)
    found = classified(photo, mapped_water=mapped)
    inside = np.s_[251:279, 201:239]
    assert (found.band("class")[inside] == Cover.WATER).all()
    both = classified(
        photo, mapped_water=gpd.GeoDataFrame(geometry=[pool, lake], crs=photo.grid.crs)
    )
    sure = both.band("confidence")
    assert sure[truth == 1].mean() > sure[inside].mean()


def test_mapped_water_elsewhere_on_earth_is_refused(photo: Raster) -> None:
    mapped = gpd.GeoDataFrame(geometry=[box(0, 0, 1, 1)], crs="EPSG:32618")
    with pytest.raises(CrsError):
        classified(photo, mapped_water=mapped)


def test_bands_that_cannot_be_read_are_refused(photo: Raster) -> None:
    with pytest.raises(RasterError, match="red and green"):
        classified(pick(photo, ("red", "nir")))


def test_a_photo_without_data_is_refused(photo: Raster) -> None:
    empty = Raster(photo.values, photo.grid, np.zeros(photo.grid.shape, bool), FOUR)
    with pytest.raises(RasterError, match="no data"):
        classified(empty)


def test_a_photo_of_one_colour_gives_no_water() -> None:
    flat = Raster(np.full((4, 60, 60), 120, np.uint8), ground(60, 60), None, FOUR)
    assert not (classified(flat).band("class") == Cover.WATER).any()
