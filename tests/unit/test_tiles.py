"""A photo classified tile by tile: alike however it is cut, in memory set by the tile."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from helpers_cover import classify_file
from helpers_terrain import centres, ground, paint
from numpy.typing import NDArray

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.landcover.photo_cover import classify, photo_cover
from sitegeo.landcover.tiling import PhotoInMemory, Tile, cut_into_tiles
from sitegeo.places import imagery, rasters
from sitegeo.places.place import read_place

FOUR = ("red", "green", "blue", "nir")
NAMES = ("meadow", "water", "forest", "road", "roof", "soil")
SIZE = 330
EAST, UP = centres(SIZE, SIZE)


def scene() -> NDArray[np.int_]:
    """A lake, a wood, a creek and a road that run through every seam; islands on the seams."""
    plan = np.zeros((SIZE, SIZE), int)
    plan[EAST > 60] = 2
    plan[np.abs(UP + 40 + 20 * np.sin(EAST / 30)) < 4] = 1
    plan[np.hypot(EAST + 20, UP - 30) < 75] = 1
    plan[np.hypot(EAST, UP - 30) < 9] = 2
    plan[np.abs(EAST - UP / 3 - 120) < 4] = 3
    plan[(np.abs(EAST + 120) < 25) & (np.abs(UP + 110) < 20)] = 5
    return plan


@pytest.fixture(scope="module")
def photo() -> Raster:
    return Raster(paint(scene(), NAMES), ground(SIZE, SIZE), None, FOUR)


def in_tiles(photo: Raster, tile_px: int) -> NDArray[np.uint8]:
    out = np.zeros((2, *photo.grid.shape), np.uint8)

    def keep(tile: Tile, part: NDArray[np.uint8]) -> None:
        out[:, tile.rows, tile.cols] = part

    classify(PhotoInMemory(photo), keep, tile_px=tile_px)
    return out


@pytest.mark.parametrize("bands", [FOUR, FOUR[:3], ("nir", "red", "green")], ids="".join)
def test_one_four_and_nine_tiles_are_one_picture(photo: Raster, bands: tuple[str, ...]) -> None:
    seen = Raster(np.stack([photo.band(b) for b in bands]), photo.grid, None, bands)
    # A tile of the photo's own size is halved: two by two.
    sizes = {4 * SIZE: 1, SIZE: 4, 110: 9}
    assert {n: len(cut_into_tiles(photo.grid.shape, n)) for n in sizes} == sizes
    whole, *cut = (in_tiles(seen, n) for n in sizes)
    for tiled in cut:
        np.testing.assert_array_equal(tiled, whole)
    assert set(np.unique(whole[0])) >= {Cover.WATER, Cover.TREE, Cover.OPEN}


def test_tiles_narrower_than_their_margins_change_nothing(photo: Raster) -> None:
    part = Raster(photo.values[:, 90:210, 90:200], ground(120, 110), None, FOUR)
    np.testing.assert_array_equal(in_tiles(part, 23), in_tiles(part, 1000))


def test_a_slanting_border_without_data_changes_nothing(photo: Raster) -> None:
    valid = EAST + 0.4 * UP > -100
    torn = Raster(np.where(valid, photo.values, 0), photo.grid, valid, FOUR)
    np.testing.assert_array_equal(in_tiles(torn, 110), in_tiles(torn, 1000))


def test_planes_on_disk_change_nothing(photo: Raster, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = in_tiles(photo, 1000)
    monkeypatch.setattr(rasters, "HELD_PX", 0)
    np.testing.assert_array_equal(in_tiles(photo, 110), whole)


@pytest.mark.parametrize(("radius", "kept"), [(10.0, True), (6.0, False)])
def test_a_pond_on_the_corner_of_four_tiles_counts_whole(radius: float, kept: bool) -> None:
    """Waters under 200 square metres are dropped; a quarter of this pond has fewer."""
    east, up = centres(200, 200)
    plan = np.where(np.hypot(east, up) < radius, 1, 0)
    pond = Raster(paint(plan, NAMES), ground(200, 200), None, FOUR)
    found = in_tiles(pond, 100)[0] == Cover.WATER
    assert found.any() == kept
    if kept:
        assert found.sum() == pytest.approx(np.pi * radius**2, rel=0.15)


def test_an_island_on_a_seam_is_an_island_and_the_mainland_is_not() -> None:
    east, up = centres(240, 240)
    plan = np.where(np.hypot(east, up) < 100, 1, 0)
    plan[np.hypot(east, up) < 12] = 2
    lake = Raster(paint(plan, NAMES), ground(240, 240), None, FOUR)
    np.testing.assert_array_equal(in_tiles(lake, 120), in_tiles(lake, 1000))


def write(photo: Raster, path: Path) -> Path:
    count, rows, cols = photo.values.shape
    with rasterio.open(
        path, "w", driver="GTiff", count=count, height=rows, width=cols, dtype="uint8",
        crs=photo.grid.crs.to_wkt(), transform=photo.grid.transform, compress="deflate",
        tiled=True, blockxsize=128, blockysize=128, photometric="rgb", alpha="no",
    ) as target:  # fmt: skip
        target.write(photo.values)
    return path


def test_from_file_to_file_as_from_memory(photo: Raster, tmp_path: Path) -> None:
    path = write(photo, tmp_path / "photo.tif")
    out = classify_file(path, tmp_path / "cover.tif", bands=FOUR, tile_px=128)
    with rasterio.open(out) as found:
        np.testing.assert_array_equal(found.read(), photo_cover(imagery=photo).values)


def test_a_place_too_large_to_hold_is_classified_at_its_own_pixels(
    photo: Raster, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(photo, tmp_path / "photo.tif")
    (tmp_path / "place.toml").write_text(
        'title = "Large"\n[layers]\nimagery = "photo.tif"\n'
        '[imagery]\nbands = ["red", "green", "blue", "nir"]\n'
    )
    monkeypatch.setattr(imagery, "MOST_PHOTO_PIXELS", SIZE * SIZE // 9)
    place = read_place(tmp_path / "place.toml")
    assert place.grid.pixel_m == 3.0
    found = photo_cover(imagery=place.imagery, fine_photo=place.fine_photo).band("class")
    fine = photo_cover(imagery=photo).band("class")
    blocks = fine.reshape(SIZE // 3, 3, SIZE // 3, 3)
    counts = np.stack([(blocks == c).sum(axis=(1, 3)) for c in range(1, 6)])
    np.testing.assert_array_equal(found, counts.argmax(axis=0) + 1)


HELPERS = Path(__file__).parents[1]

PEAK = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv.pop())
from helpers_cover import classify_file

def peak():
    return next(int(line.split()[1]) for line in open("/proc/self/status") if "VmHWM" in line)

small, large, out = map(Path, sys.argv[1:])
four = ("red", "green", "blue", "nir")
classify_file(small, out, bands=four, tile_px=256)
before = peak()
classify_file(large, out, bands=four, tile_px=256)
print(peak() - before)
"""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
def test_memory_is_set_by_the_tile_and_not_by_the_photo(tmp_path: Path) -> None:
    """A photo of 9 times the pixels takes about as much: held whole, each of some thirty planes
    of floats would take 5 MB more."""
    rng = np.random.default_rng(5)
    paths = []
    for side in (400, 1200):
        plan = np.zeros((side, side), int)
        plan[side // 4 : side // 2, side // 3 : side // 2] = 1
        looks = np.array([(110, 128, 95, 172), (62, 75, 78, 36)])[plan]
        values = np.moveaxis(looks, -1, 0) + rng.integers(-2, 3, plan.shape)
        photo = Raster(values.astype(np.uint8), ground(side, side), None, FOUR)
        paths.append(write(photo, tmp_path / f"{side}.tif"))
    code = f"from sitegeo.places import rasters; rasters.HELD_PX = 0\n{PEAK}"
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, (*paths, tmp_path / "out.tif", HELPERS))],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert int(done.stdout) < 40_000
