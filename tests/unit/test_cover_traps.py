"""What is known to fool a photo's reader, one trap at a time, on painted grounds."""

from __future__ import annotations

import numpy as np
import pytest
from helpers_terrain import centres, classified, ground, iou, paint
from pyproj import CRS
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster

FOUR = ("red", "green", "blue", "nir")
NAMES = ("meadow", "water", "forest", "road", "roof", "soil")
SIZE = 300
EAST, UP = centres(SIZE, SIZE)
LAKE = np.hypot(EAST + 60, UP - 60) < 60
WOOD = (EAST > 20) & (UP > 0)


def scene() -> np.ndarray:
    """A lake, a wood, a road and a field; the rest is meadow."""
    plan = np.zeros((SIZE, SIZE), int)
    plan[LAKE], plan[WOOD] = 1, 2
    plan[np.abs(UP + 12) < 5] = 3
    plan[(EAST > 20) & (UP < -40)] = 5
    return plan


def bands() -> np.ndarray:
    return paint(scene(), NAMES).astype(float)


def classes(photo: np.ndarray, names: tuple[str, ...] = FOUR, **more: object) -> np.ndarray:
    values = np.clip(photo, 1, 255).astype(np.uint8)
    return classified(Raster(values, ground(SIZE, SIZE), None, names), **more).band("class")


def painted(where: np.ndarray, means: tuple[float, ...], rough: float, *, grain: float = 1.2):
    """The scene with another ground of given means and roughness."""
    photo = bands()
    rng = np.random.default_rng(11)
    detail = ndimage.gaussian_filter(rng.normal(size=where.shape), grain)
    detail *= rough / detail.std()
    for band, mean in zip(photo, means, strict=True):
        band[where] = mean * (1 + detail[where]) + rng.normal(0, 1, int(where.sum()))
    return photo


# Reflectance of waters by what is in them, as 8-bit means (orders of magnitude from memory).
WATERS = {
    "clear": (40, 60, 66, 20),
    "black": (14, 16, 18, 9),
    "brown": (96, 84, 62, 44),
    "green": (62, 98, 60, 48),
    "turbid": (138, 132, 108, 70),
}


@pytest.mark.parametrize("kind", WATERS)
def test_water_of_any_colour_is_water_with_infrared(kind: str) -> None:
    assert iou(classes(painted(LAKE, WATERS[kind], 0.02)) == Cover.WATER, LAKE) > 0.95


@pytest.mark.parametrize("kind", ["clear", "black", "green"])
def test_water_of_most_colours_is_water_without_infrared(kind: str) -> None:
    found = classes(painted(LAKE, WATERS[kind], 0.02)[:3], FOUR[:3])
    assert iou(found == Cover.WATER, LAKE) > 0.9


def test_sun_glint_on_part_of_the_lake() -> None:
    photo = bands()
    glint = LAKE & (np.hypot(EAST + 75, UP - 75) < 14)
    sparkle = np.random.default_rng(2).random(glint.shape) < 0.3
    photo[:, glint & sparkle] += 70
    assert iou(classes(photo) == Cover.WATER, LAKE) > 0.95


def test_plants_standing_in_water_are_low_cover_not_water() -> None:
    reeds = LAKE & (np.hypot(EAST + 60, UP - 60) > 40) & (EAST < -60)
    found = classes(painted(reeds, (88, 104, 74, 130), 0.10))
    assert (found[ndimage.binary_erosion(reeds, iterations=3)] == Cover.WATER).mean() < 0.05
    assert iou(found == Cover.WATER, LAKE & ~reeds) > 0.9


@pytest.mark.parametrize("where", ["on land", "on water"])
def test_shadow_of_trees(where: str) -> None:
    photo = bands()
    shade = WOOD & (UP < 8) if where == "on land" else LAKE & (EAST > -22)
    if where == "on land":
        shade = (EAST > 20) & (UP < 0) & (UP > -6)
    photo[:, shade] *= np.array([0.40, 0.43, 0.52, 0.36])[:, None]
    found = classes(photo)
    assert iou(found == Cover.WATER, LAKE) > 0.95
    if where == "on land":
        assert not (found[shade] == Cover.WATER).any()


def test_asphalt_and_slate_are_not_water() -> None:
    lot = (np.abs(EAST + 80) < 40) & (np.abs(UP + 90) < 30)
    found = classes(painted(lot, (62, 64, 66, 52), 0.03))
    assert (found[lot] == Cover.WATER).mean() < 0.02
    assert (found[lot] == Cover.BUILT).mean() > 0.8


def test_dark_conifers_are_trees_not_water() -> None:
    firs = (EAST < -20) & (UP < -40)
    found = classes(painted(firs, (34, 44, 40, 66), 0.25))
    assert (found[firs] == Cover.WATER).mean() < 0.01
    assert (found[firs] == Cover.TREE).mean() > 0.85


CROP = (EAST > 20) & (UP < -20)


def test_a_close_green_crop_is_not_water_without_infrared() -> None:
    """Dark in red, wide and even: only its green and its grain tell it from green water."""
    crop = painted(CROP, (56, 92, 65, 160), 0.035)
    assert (classes(crop[:3], FOUR[:3]) == Cover.WATER)[CROP].mean() < 0.01
    pond = painted(CROP, (56, 92, 65, 30), 0.02)
    assert (classes(pond[:3], FOUR[:3]) == Cover.WATER)[CROP].mean() > 0.9


def test_a_wet_ploughed_field_is_bare_not_water() -> None:
    field = (EAST < -20) & (UP < -40)
    found = classes(painted(field, (74, 62, 50, 72), 0.05))
    assert (found[field] == Cover.WATER).mean() < 0.02
    assert (found[field] == Cover.BUILT).mean() > 0.8


def test_haze_lifts_every_band_and_changes_little() -> None:
    hazy = bands() * 0.75 + np.array([38.0, 44.0, 58.0, 18.0])[:, None, None]
    found = classes(hazy)
    assert iou(found == Cover.WATER, LAKE) > 0.95
    assert iou(found == Cover.TREE, WOOD) > 0.85


def test_a_seam_between_two_dates_is_not_a_shore() -> None:
    photo = bands()
    later = EAST > -60
    photo[:, later] *= np.array([0.85, 0.88, 0.9, 0.8])[:, None]
    found = classes(photo)
    assert iou(found == Cover.WATER, LAKE) > 0.95
    assert iou(found == Cover.TREE, WOOD) > 0.85


def test_a_slanting_border_without_data_is_neither_water_nor_bank() -> None:
    valid = EAST + 0.4 * UP > -100
    values = np.where(valid, bands(), 0).astype(np.uint8)
    found = classified(Raster(values, ground(SIZE, SIZE), valid, FOUR)).band("class")
    assert (found[~valid] == Cover.NONE).all()
    assert iou(found == Cover.WATER, LAKE & valid) > 0.95


def test_eleven_bits_in_sixteen() -> None:
    deep = (np.clip(bands(), 1, 255) * 8).astype(np.uint16)
    found = classified(Raster(deep, ground(SIZE, SIZE), None, FOUR)).band("class")
    assert iou(found == Cover.WATER, LAKE) > 0.95
    assert iou(found == Cover.TREE, WOOD) > 0.9


def test_a_photo_of_nothing_but_water_is_water() -> None:
    sea = paint(np.ones((SIZE, SIZE), int), NAMES)
    found = classified(Raster(sea, ground(SIZE, SIZE), None, FOUR)).band("class")
    assert (found == Cover.WATER).mean() > 0.99


@pytest.mark.parametrize("pixel_m", [0.3, 0.5, 2.0, 10.0])
def test_water_at_pixels_of_all_sizes(pixel_m: float) -> None:
    """The same picture at another scale: a lake of 18 to 600 m across its half."""
    values = np.clip(bands(), 1, 255).astype(np.uint8)
    seen = Raster(values, ground(SIZE, SIZE, pixel_m), None, FOUR)
    assert iou(classified(seen).band("class") == Cover.WATER, LAKE) > 0.95


def test_the_coordinate_system_does_not_matter() -> None:
    values = np.clip(bands(), 1, 255).astype(np.uint8)
    here = ground(SIZE, SIZE)
    found = classified(Raster(values, here, None, FOUR)).values
    for crs in ("EPSG:2056", "EPSG:25832", "EPSG:32733"):
        there = Grid(CRS.from_user_input(crs), 5e5, 2e5, 1.0, here.shape)
        assert np.array_equal(classified(Raster(values, there, None, FOUR)).values, found)


@pytest.mark.parametrize("trap", ["haze", "glint", "seam", "shadow on land"])
def test_traps_without_infrared(trap: str) -> None:
    photo = bands()
    if trap == "haze":
        photo = photo * 0.75 + np.array([38.0, 44.0, 58.0, 18.0])[:, None, None]
    elif trap == "glint":
        sparkle = np.random.default_rng(2).random(LAKE.shape) < 0.3
        photo[:, LAKE & sparkle & (np.hypot(EAST + 75, UP - 75) < 10)] += 70
    elif trap == "seam":
        photo[:, EAST > 40] *= np.array([0.9, 0.92, 0.93, 0.85])[:, None]
    else:
        shade = (EAST > 20) & (UP < 0) & (UP > -6)
        photo[:, shade] *= np.array([0.40, 0.43, 0.52, 0.36])[:, None]
    found = classes(photo[:3], FOUR[:3])
    assert iou(found == Cover.WATER, LAKE) > 0.85


def test_roofs_in_a_canopy_layer_stay_built_and_crowns_stay_trees() -> None:
    """A height layer of everything that stands up: gabled roofs as well as trees."""
    rows = [(left < EAST) & (left + 20 > EAST) & (UP < -60) & (UP > -76) for left in (-130, -90)]
    roofs = np.any(rows, axis=0)
    photo = painted(roofs, (85, 90, 95, 70), 0.03)
    crowns = ndimage.gaussian_filter(np.random.default_rng(4).normal(size=LAKE.shape), 1.5)
    height = np.where(WOOD, 14 + 12 * crowns, 0.0)
    height[roofs] = 9.0 - 0.5 * np.abs(UP[roofs] + 68)
    tall = Raster(height.astype(np.float32), ground(SIZE, SIZE))
    found = classes(photo, canopy=tall)
    inside = ndimage.binary_erosion(roofs, iterations=2)
    assert (found[inside] == Cover.BUILT).mean() > 0.9
    assert (found[ndimage.binary_erosion(WOOD, iterations=2)] == Cover.TREE).mean() > 0.95
