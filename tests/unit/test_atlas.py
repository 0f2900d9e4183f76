"""The wind atlas: true bearings, what its files promise, windows and refusals."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest
import rasterio
from pyproj import CRS

from sitegeo.core.grid import Grid, Raster
from sitegeo.errors import SurveyError, UsageError
from sitegeo.exposure.atlas import Atlas, atlas_key, write_atlas
from sitegeo.exposure.sweep import HORIZON_STEPS, NO_FETCH, encode_surface, sweep

# A long way from the central meridian, so that true and grid north differ by almost 2 degrees.
GRID = Grid(CRS.from_epsg(32615), 720_000.0, 4_880_000.0, 5.0, (600, 700))


def lake():
    rng = np.random.default_rng(3)
    row, column = np.indices(GRID.shape)
    water = np.hypot(row - 300, (column - 350) * 0.8) < 260
    water &= np.hypot(row - 250, column - 300) > 30
    water[280:320, 500:] = True  # an arm that leaves the data in the east
    heights = np.where(water, 0, 8 + 12 * rng.random(GRID.shape))
    density = (rng.random(GRID.shape) < 0.9).astype(np.uint8)
    return Raster(encode_surface(water, heights, density=density), GRID)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    obstacles, folder = lake(), tmp_path_factory.mktemp("atlas")
    write_atlas(obstacles, folder)
    return obstacles, Atlas.open(folder)


def swept(obstacles, true_deg):
    bearing = float(obstacles.grid.to_grid_bearing(true_deg))
    return sweep(obstacles.values, from_grid_deg=bearing, pixel_m=5.0, bands=2)


def test_thirty_six_true_bearings_are_stored_as_swept(made):
    obstacles, atlas = made
    assert abs(GRID.convergence_deg) > 1.5
    assert atlas.directions_deg == tuple(range(0, 360, 10))
    assert atlas.grid == GRID
    for bearing in (0, 10, 90, 200):
        expected = swept(obstacles, bearing)
        stored = atlas.fetch(bearing)
        water = expected.fetch_m != NO_FETCH
        assert np.array_equal(np.isfinite(stored.fetch_m), water)
        assert np.array_equal(stored.fetch_m[water], expected.fetch_m[water])
        assert np.array_equal(stored.at_least, expected.at_least)
        assert np.array_equal(atlas.horizon(bearing), HORIZON_STEPS[expected.horizon_code])
    assert atlas.fetch(90).at_least.any()
    assert not atlas.fetch(270).at_least.any()


def test_a_window_is_that_part_of_the_whole(made):
    _, atlas = made
    window = slice(100, 260), slice(333, 411)
    assert np.array_equal(
        atlas.fetch(70, window).fetch_m, atlas.fetch(70).fetch_m[window], equal_nan=True
    )
    assert np.array_equal(atlas.horizon(70, window), atlas.horizon(70)[:, *window])


def test_the_files_are_cloud_optimised_and_say_what_they_hold(made):
    _, atlas = made
    with rasterio.open(atlas.folder / "fetch_010.tif") as fetch:
        assert fetch.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert fetch.tags(ns="IMAGE_STRUCTURE")["PREDICTOR"] == "2"
        assert (fetch.dtypes, fetch.nodata, fetch.units) == (("uint16",), NO_FETCH, ("m",))
        assert fetch.tags()["from_true_deg"] == "10"
        assert fetch.overviews(1)
        # Nearest, so that no value is invented between water and nodata.
        small = fetch.read(1, out_shape=(150, 175))
        assert set(np.unique(small)) <= set(np.unique(fetch.read(1)))
    with rasterio.open(atlas.folder / "horizon_010.tif") as horizon:
        assert horizon.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert horizon.descriptions == ("solid", "open")
        steps = np.array(horizon.tags()["height_per_distance"].split(), float)
        assert steps == pytest.approx(HORIZON_STEPS, rel=1e-5)
        codes = np.arange(1, 256)
        linear = 2 ** (codes * horizon.scales[0] + horizon.offsets[0])
        assert linear == pytest.approx(steps[1:], rel=0.031)
    with rasterio.open(atlas.folder / "at_least_090.tif") as at_least:
        assert set(np.unique(at_least.read(1))) == {0, 1}


def test_a_raw_fetch_between_directions_is_refused(made):
    _, atlas = made
    with pytest.raises(UsageError, match="never interpolated"):
        atlas.fetch(15)


def test_a_fetch_goes_on_over_the_halo_and_the_horizon_stays_a_bound(made, tmp_path):
    obstacles, _ = made
    # Mapped water 1,000 m to the east of the photo, in which its eastern arm goes on.
    wide = Grid(GRID.crs, GRID.west - 1000, GRID.north + 1000, 10.0, (500, 650))
    x, y = wide.xy(*np.indices(wide.shape))
    arm = (y < GRID.north - 1200) & (y > GRID.north - 1800) & (x > 722_500) & (x < 724_000)
    write_atlas(obstacles, tmp_path, halo=Raster(encode_surface(arm), wide), sectors=4)
    stored = Atlas.open(tmp_path).fetch(90)
    alone = swept(obstacles, 90)
    off = alone.at_least & (np.indices(GRID.shape)[1] > 600)
    assert off.any()
    assert not stored.at_least[off].any()
    assert stored.fetch_m[off] == pytest.approx(alone.fetch_m[off] + 500.0, abs=15)
    with rasterio.open(tmp_path / "at_least_090.tif") as codes:
        assert (codes.read(1)[off] == 2).all()


def test_missing_or_damaged_atlas_is_said(made, tmp_path):
    with pytest.raises(SurveyError, match="no wind atlas"):
        Atlas.open(tmp_path)
    obstacles, _ = made
    write_atlas(obstacles, tmp_path, sectors=4)
    atlas = Atlas.open(tmp_path)
    assert atlas.directions_deg == (0, 90, 180, 270)
    (tmp_path / "fetch_090.tif").write_bytes(b"nothing")
    with pytest.raises(SurveyError, match="damaged"):
        atlas.fetch(90)
    with pytest.raises(UsageError, match="divide 360"):
        write_atlas(obstacles, tmp_path, sectors=7)


def test_same_obstacles_same_bytes_and_key(made, tmp_path):
    obstacles, atlas = made
    write_atlas(obstacles, tmp_path)
    for path in sorted(atlas.folder.iterdir()):
        one, two = (hashlib.sha256(p.read_bytes()).digest() for p in (path, tmp_path / path.name))
        assert one == two, path.name
    assert atlas_key(obstacles) == atlas_key(lake())
    changed = obstacles.values.copy()
    changed[0, 0] += 4
    assert atlas_key(Raster(changed, GRID)) != atlas_key(obstacles)
    assert atlas_key(obstacles, sectors=72) != atlas_key(obstacles)
