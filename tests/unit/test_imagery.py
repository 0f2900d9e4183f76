"""Reading photos and other rasters: what is taken, what is put right, what is refused."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
from affine import Affine
from helpers_places import COLS, NORTH, ROWS, UTM17, WEST, scene, write_photo
from pyproj import CRS, Transformer
from rasterio.warp import transform_bounds

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.errors import CrsError, PlaceError, RasterError, SitegeoError
from sitegeo.places import imagery
from sitegeo.places.imagery import read_imagery
from sitegeo.places.rasters import read_raster_onto, reclassify_land_cover

RGBN = ("red", "green", "blue", "nir")
GRID = Grid(CRS.from_user_input(UTM17), WEST, NORTH, 1.0, (ROWS, COLS))


def refused(path: Path, kind: type[SitegeoError] = RasterError, **options: Any) -> str:
    """The one paragraph a person reads, with the file, and a remedy in it."""
    with pytest.raises(kind) as caught:
        read_imagery(path, **options)
    text = str(caught.value)
    assert str(path) in text
    assert caught.value.remedy
    assert "\n" not in text
    return text


# What is taken as it is


def test_a_utm_photo_is_read_as_it_is(tmp_path: Path) -> None:
    photo, notes = read_imagery(write_photo(tmp_path / "a.tif"))
    assert photo.grid == GRID
    assert np.array_equal(photo.values, scene())
    assert photo.bands == RGBN
    assert photo.valid is None
    assert notes == ["bands taken as red, green, blue, nir, since PLACE.toml names none"]


def test_three_bands_are_a_colour_photo(tmp_path: Path) -> None:
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", scene()[:3]))
    assert photo.bands == ("red", "green", "blue")


def test_declared_bands_are_kept_in_file_order_and_others_left_out(tmp_path: Path) -> None:
    red, green, blue, nir = scene()
    path = write_photo(tmp_path / "a.tif", np.stack([nir, blue, green, red, red]))
    photo, notes = read_imagery(path, bands=("nir", "blue", "green", "red", "other"))
    assert photo.bands == ("nir", "blue", "green", "red")
    assert np.array_equal(photo.band("nir"), nir)
    assert notes == []


def test_sixteen_bits_and_fractions_are_kept(tmp_path: Path) -> None:
    deep = scene().astype(np.uint16) * 200
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", deep))
    assert np.array_equal(photo.values, deep)
    light = (scene() / 250).astype(np.float32)
    light[:, 3, 4] = np.nan
    photo, _ = read_imagery(write_photo(tmp_path / "b.tif", light))
    assert np.isfinite(photo.values).all()
    assert np.argwhere(~photo.mask).tolist() == [[3, 4]]


@pytest.mark.parametrize("code", [2056, 26985, 3763, 31467])
def test_a_true_metric_system_is_kept(tmp_path: Path, code: int) -> None:
    """Swiss oblique Mercator, a state plane in metres, Portuguese TM, northing-first TM."""
    area = CRS.from_epsg(code).area_of_use
    assert area is not None
    to = Transformer.from_crs(4326, code, always_xy=True)
    x, y = to.transform((area.west + area.east) / 2, (area.south + area.north) / 2)
    path = write_photo(tmp_path / "a.tif", crs=f"EPSG:{code}", transform=Affine(1, 0, x, 0, -1, y))
    photo, _ = read_imagery(path)
    assert photo.grid.crs == CRS.from_epsg(code)
    assert np.array_equal(photo.values, scene())


def test_a_vertical_part_of_the_crs_is_left_out(tmp_path: Path) -> None:
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", crs="EPSG:32617+5773"))
    assert photo.grid == GRID


# Void pixels


def test_transparency_is_void(tmp_path: Path) -> None:
    values = scene()
    values[3] = 255
    values[3, :10] = 0
    photo, notes = read_imagery(write_photo(tmp_path / "a.tif", values, alpha="yes"))
    assert photo.bands == ("red", "green", "blue")
    assert np.array_equal(~photo.mask, values[3] == 0)
    assert notes == ["band 4 is all or nothing: taken as transparency"]


def test_transparency_that_is_not_tagged_is_void_too(tmp_path: Path) -> None:
    values = scene()
    values[3] = 255
    values[3, :, -7:] = 0
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", values, photometric="minisblack"))
    assert photo.bands == ("red", "green", "blue")
    assert np.array_equal(~photo.mask, values[3] == 0)


def test_near_infrared_tagged_alpha_is_a_picture(tmp_path: Path) -> None:
    """A trap of public four-band photos: dark water must not become transparent."""
    values = scene()
    values[3, :40, :40] = 0
    photo, notes = read_imagery(write_photo(tmp_path / "a.tif", values, alpha="yes"))
    assert photo.bands == RGBN
    assert photo.mask.all()
    assert np.array_equal(photo.values, values)
    assert "band 4 is tagged alpha but holds a picture: taken as near-infrared" in notes


def test_near_infrared_tagged_alpha_stays_a_picture_when_warped(tmp_path: Path) -> None:
    values = scene(300, 300)
    values[3, 100:200, 100:200] = 0
    path = write_photo(tmp_path / "a.tif", values, alpha="yes")
    photo, _ = read_imagery(path, crs=CRS.from_epsg(32618))
    rows, cols = photo.grid.shape
    middle = (slice(rows // 2 - 20, rows // 2 + 20), slice(cols // 2 - 20, cols // 2 + 20))
    assert photo.mask[middle].all()
    assert (photo.band("nir")[middle] == 0).all()
    assert (photo.band("red")[middle] > 0).all()
    assert not photo.mask[0, 0]  # corners that the turn leaves bare


def test_a_declared_alpha_band_counts_whatever_its_place(tmp_path: Path) -> None:
    alpha = np.full((1, ROWS, COLS), 255, np.uint8)
    alpha[0, :, :30] = 0
    path = write_photo(tmp_path / "a.tif", np.concatenate([scene(), alpha]))
    photo, _ = read_imagery(path, bands=(*RGBN, "alpha"))
    assert photo.bands == RGBN
    assert np.array_equal(~photo.mask, alpha[0] == 0)


def test_nodata_is_void_only_where_every_band_is(tmp_path: Path) -> None:
    values = scene()
    values[:, 5, 5] = 0
    values[0, 6, 6] = 0  # one black band is a colour
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", values, nodata=0))
    assert np.argwhere(~photo.mask).tolist() == [[5, 5]]


def test_nodata_that_is_not_a_number(tmp_path: Path) -> None:
    values = scene().astype(np.float32)
    values[:, :, :9] = np.nan
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", values, nodata=np.nan))
    assert photo.mask.mean() == pytest.approx(1 - 9 / COLS)


def test_a_mask_beside_the_picture_is_heeded(tmp_path: Path) -> None:
    path = write_photo(tmp_path / "a.tif")
    held = np.ones((ROWS, COLS), bool)
    held[:, 50:60] = False
    with rasterio.open(path, "r+") as out:
        out.write_mask(held)
    photo, _ = read_imagery(path)
    assert np.array_equal(photo.mask, held)


# Other grids


def in_crs(crs: str, pixel: float | None = None) -> Affine:
    """A transform in another CRS whose photo covers the same ground in about the same pixels."""
    west, south, east, north = transform_bounds(UTM17, crs, *GRID.bounds)
    return Affine((east - west) / COLS, 0, west, 0, -(north - south) / ROWS, north)


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:2264"])
def test_degrees_web_mercator_and_survey_feet_get_a_utm_grid(tmp_path: Path, crs: str) -> None:
    photo, notes = read_imagery(write_photo(tmp_path / "a.tif", crs=crs, transform=in_crs(crs)))
    assert photo.grid.crs == CRS.from_user_input(UTM17)
    assert photo.grid.pixel_m == pytest.approx(1.0, rel=0.1)
    assert any("reprojected to WGS 84 / UTM zone 17N" in n for n in notes)
    # The dark water lies in the west, and the ground covered is the same.
    assert photo.grid.bounds == pytest.approx(GRID.bounds, abs=4)
    x, y = [WEST + 25, WEST + 120], [NORTH - 60, NORTH - 60]
    row, col = photo.grid.rowcol(x, y)
    dark, light = (
        photo.band("nir")[r - 9 : r + 9, c - 9 : c + 9].mean()
        for r, c in zip(row, col, strict=True)
    )
    assert dark < 0.6 * light
    assert not photo.mask[0, 0] or photo.mask.all()


def test_a_photo_in_degrees_lies_where_it_lay(tmp_path: Path) -> None:
    """A bright cross at a known longitude and latitude is found there again."""
    values = scene()
    values[:, 40:43, 99:102] = 255
    transform = in_crs("EPSG:4326")
    photo, _ = read_imagery(
        write_photo(tmp_path / "a.tif", values, crs="EPSG:4326", transform=transform)
    )
    lon, lat = transform @ (100.5, 41.5)
    x, y = Transformer.from_crs(4326, photo.grid.crs, always_xy=True).transform(lon, lat)
    row, col = photo.grid.rowcol(x, y)
    assert (photo.values[:, row, col] == 255).all()


def test_a_turned_photo_is_set_upright(tmp_path: Path) -> None:
    turned = Affine.translation(WEST, NORTH) @ Affine.rotation(30) @ Affine.scale(1, -1)
    values = scene()
    values[:, 60:63, 80:83] = 255
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", values, transform=turned))
    assert photo.grid.pixel_m == pytest.approx(1.0, rel=0.05)
    row, col = photo.grid.rowcol(*(turned @ (81.5, 61.5)))
    assert (photo.values[:, row, col] == 255).all()
    assert photo.mask.mean() == pytest.approx(
        ROWS * COLS / np.prod(photo.grid.shape) / photo.grid.pixel_m**2, rel=0.05
    )


def test_a_photo_upside_down_is_set_upright(tmp_path: Path) -> None:
    south_up = Affine(1, 0, WEST, 0, 1, NORTH - ROWS)
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", scene()[:, ::-1], transform=south_up))
    assert photo.grid.bounds == pytest.approx(GRID.bounds, abs=0.01)
    assert np.abs(photo.values.astype(int) - scene()).mean() < 1


def test_a_place_across_a_zone_edge_gets_a_projection_of_its_own(tmp_path: Path) -> None:
    across = Affine(1e-5, 0, -84.0008, 0, -1e-5, 38.0)
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", crs="EPSG:4326", transform=across))
    assert abs(photo.grid.convergence_deg) < 0.1
    assert photo.grid.crs.is_projected
    west, south, east, north = photo.grid.bounds
    back = Transformer.from_crs(photo.grid.crs, 4326, always_xy=True)
    assert back.transform((west + east) / 2, (south + north) / 2) == pytest.approx(
        (-84.0, 38 - 60e-5), abs=2e-5
    )
    within = Affine(1e-5, 0, -84.1, 0, -1e-5, 38.0)
    photo, _ = read_imagery(write_photo(tmp_path / "b.tif", crs="EPSG:4326", transform=within))
    assert photo.grid.crs == CRS.from_epsg(32616)


def test_the_places_own_crs_is_obeyed(tmp_path: Path) -> None:
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif"), crs=CRS.from_epsg(26917))
    assert photo.grid.crs == CRS.from_epsg(26917)


# Size and part


def test_fine_pixels_are_averaged(tmp_path: Path) -> None:
    photo, notes = read_imagery(write_photo(tmp_path / "a.tif"), finest_m=1.5)
    assert photo.grid == Grid(GRID.crs, WEST, NORTH, 2.0, (ROWS // 2, COLS // 2))
    blocks = scene().reshape(4, ROWS // 2, 2, COLS // 2, 2).mean(axis=(2, 4))
    assert np.abs(photo.values - blocks).max() <= 0.51
    assert "pixels averaged 2 to 1, to 2 m" in notes


def test_averages_leave_out_void_pixels(tmp_path: Path) -> None:
    values = np.clip(scene(), 100, 250)
    values[:, :, 1::2] = 0
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif", values, nodata=0), finest_m=2)
    assert photo.values[:, photo.mask].min() >= 100


def test_a_warped_photo_is_averaged_without_dark_edges(tmp_path: Path) -> None:
    values = np.clip(scene(), 100, 250)
    path = write_photo(tmp_path / "a.tif", values, crs="EPSG:4326", transform=in_crs("EPSG:4326"))
    photo, _ = read_imagery(path, finest_m=3)
    assert photo.grid.pixel_m == pytest.approx(3, rel=0.1)
    assert photo.values[:, photo.mask].min() >= 99


def test_pixels_are_never_made_finer(tmp_path: Path) -> None:
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif"), finest_m=0.3)
    assert photo.grid.pixel_m == 1.0


def test_a_part_of_the_photo(tmp_path: Path) -> None:
    wanted = (WEST + 20, NORTH - 80, WEST + 90, NORTH - 30)
    area = transform_bounds(UTM17, "EPSG:4326", *wanted)
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif"), area=area)
    assert photo.grid.bounds == pytest.approx(wanted, abs=2)
    row, col = GRID.rowcol(*photo.grid.xy(0, 0))
    rows, cols = photo.grid.shape
    assert np.array_equal(photo.values, scene()[:, row : row + rows, col : col + cols])


def test_a_part_beyond_the_edge_is_cut_to_the_photo(tmp_path: Path) -> None:
    area = transform_bounds(UTM17, "EPSG:4326", WEST - 500, NORTH - 60, WEST + 50, NORTH + 500)
    photo, _ = read_imagery(write_photo(tmp_path / "a.tif"), area=area)
    assert photo.grid.bounds == pytest.approx((WEST, NORTH - 60, WEST + 50, NORTH), abs=2)


# Refusals


def test_no_crs(tmp_path: Path) -> None:
    text = refused(write_photo(tmp_path / "a.tif", crs=None), CrsError)
    assert "has no coordinate reference system" in text
    assert "never guesses" in text


@pytest.mark.filterwarnings("ignore:The given matrix is equal")
def test_no_position(tmp_path: Path) -> None:
    path = write_photo(tmp_path / "a.tif", transform=Affine.identity())
    assert "does not say where it lies" in refused(path, CrsError)


def test_coordinates_that_do_not_fit_the_crs(tmp_path: Path) -> None:
    """Metres called degrees, and latitude before longitude."""
    path = write_photo(tmp_path / "a.tif", crs="EPSG:4326")
    assert "do not fit its CRS" in refused(path, CrsError)
    swapped = Affine(1e-5, 0, 38.0, 0, -1e-5, -99.0)
    path = write_photo(tmp_path / "b.tif", crs="EPSG:4326", transform=swapped)
    assert "longitude comes before latitude" in refused(path, CrsError)


@pytest.mark.parametrize("count", [1, 2])
def test_too_few_bands(tmp_path: Path, count: int) -> None:
    text = refused(write_photo(tmp_path / "a.tif", scene()[:count]))
    assert "too few bands" in text
    assert f"got '{count} band" in text


def test_bands_nobody_named(tmp_path: Path) -> None:
    text = refused(write_photo(tmp_path / "a.tif", np.concatenate([scene(), scene()])))
    assert "8 bands" in text
    assert "[imagery] bands" in text


@pytest.mark.parametrize(
    "bands",
    [
        ("red", "green", "blue"),
        ("red", "red", "green", "blue"),
        ("red", "other", "blue", "nir"),
        ("red", "green", "other", "other"),
        ("red", "green", "alpha", "alpha"),
    ],
)
def test_bands_that_do_not_fit(tmp_path: Path, bands: tuple[str, ...]) -> None:
    assert "[imagery] bands" in refused(write_photo(tmp_path / "a.tif"), bands=bands)


@pytest.mark.parametrize("order", [o for o in permutations(RGBN) if o[3] != "nir"])
def test_near_infrared_called_by_another_name(tmp_path: Path, order: tuple[str, ...]) -> None:
    text = refused(write_photo(tmp_path / "a.tif"), bands=order)
    assert f"the band called '{order[3]}' behaves like near-infrared" in text


def test_a_hidden_band_is_not_judged(tmp_path: Path) -> None:
    photo, _ = read_imagery(
        write_photo(tmp_path / "a.tif"), bands=("red", "green", "blue", "other")
    )
    assert photo.bands == ("red", "green", "blue")


@pytest.mark.filterwarnings("ignore:The dataset's nodata attribute is shadowing")
def test_void_photos(tmp_path: Path) -> None:
    void = np.zeros((4, ROWS, COLS), np.uint8)
    assert "holds no data" in refused(write_photo(tmp_path / "a.tif", void, nodata=0))
    assert "holds no data" in refused(write_photo(tmp_path / "b.tif", void, alpha="yes"))
    gone = np.full((4, ROWS, COLS), np.nan, np.float32)
    assert "holds no data" in refused(write_photo(tmp_path / "c.tif", gone))


def test_a_photo_of_one_colour(tmp_path: Path) -> None:
    flat = np.full((3, ROWS, COLS), 77, np.uint8)
    text = refused(write_photo(tmp_path / "a.tif", flat))
    assert "one flat colour" in text
    assert "[77, 77, 77]" in text


def test_a_place_beyond_the_photo(tmp_path: Path) -> None:
    text = refused(write_photo(tmp_path / "a.tif"), area=(10.0, 50.0, 10.1, 50.1))
    assert "[place] area lies outside the photo" in text


def test_too_few_pixels(tmp_path: Path) -> None:
    assert "too few pixels" in refused(write_photo(tmp_path / "a.tif"), finest_m=60)


def test_a_photo_too_large_to_hold_is_averaged_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_photo(tmp_path / "a.tif")
    whole, _ = read_imagery(path)
    monkeypatch.setattr(imagery, "MOST_PHOTO_PIXELS", whole.values[0].size // 3)
    held, notes = read_imagery(path)
    assert held.grid.pixel_m == 2 * whole.grid.pixel_m
    assert (held.grid.west, held.grid.north) == (whole.grid.west, whole.grid.north)
    assert "million pixels" in notes[-1]


TILED = {"tiled": True, "blockxsize": 64, "blockysize": 64}


@pytest.mark.parametrize("keep", [0.0, 0.002, 0.4, 0.97])
@pytest.mark.parametrize(
    "profile", [{}, {**TILED, "compress": "deflate"}, {"compress": "lzw", "interleave": "pixel"}]
)
@pytest.mark.parametrize("warped", [False, True])
def test_a_file_cut_short(
    tmp_path: Path, keep: float, profile: dict[str, Any], warped: bool
) -> None:
    path = write_photo(tmp_path / "a.tif", scene(400, 400), **profile)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    text = refused(path, SitegeoError, crs=CRS.from_epsg(32618) if warped else None)
    # Cut in its header, the file may still open and lack its CRS.
    assert "cut short" in text or (keep < 0.01 and "no coordinate reference system" in text)


def test_what_is_no_raster(tmp_path: Path) -> None:
    (tmp_path / "a.tif").write_text("not a picture")
    assert "cannot be read as a raster" in refused(tmp_path / "a.tif")
    assert "no such file" in refused(tmp_path / "none.tif")
    assert "is a folder" in refused(tmp_path)


# Other rasters


def write_plane(path: Path, values: np.ndarray[Any, Any], **options: Any) -> Path:
    return write_photo(path, values[np.newaxis], **options)


SLOPE = np.add.outer(np.zeros(ROWS), np.arange(COLS)).astype(np.float32)


def test_a_raster_on_the_same_grid_is_read_as_it_is(tmp_path: Path) -> None:
    ground = read_raster_onto(write_plane(tmp_path / "a.tif", SLOPE), GRID)
    assert ground.grid == GRID
    assert ground.values.dtype == np.float32
    assert np.array_equal(ground.values, SLOPE)
    assert ground.valid is None


def test_a_coarser_raster_in_another_crs_is_brought_onto_the_grid(tmp_path: Path) -> None:
    """A plane that rises a metre a metre eastward still does; beside it there is nothing."""
    west, south, east, north = transform_bounds(UTM17, "EPSG:4326", *GRID.bounds)
    cell = Affine((east - west) / 80, 0, west, 0, -(north - south) / 60, north)
    lon = west + (np.arange(40) + 0.5) * cell.a  # the western half alone
    lat = north - (np.arange(60) + 0.5) * (north - south) / 60
    x, _ = Transformer.from_crs(4326, 32617, always_xy=True).transform(*np.meshgrid(lon, lat))
    path = write_plane(
        tmp_path / "a.tif", x.astype(np.float32) - WEST, crs="EPSG:4326", transform=cell
    )
    ground = read_raster_onto(path, GRID)
    inside = ground.mask.copy()
    inside[:, 76:] = inside[:, :4] = False
    eastings = np.broadcast_to(np.arange(COLS) + 0.5, (ROWS, COLS))
    assert np.abs(ground.values - eastings)[inside].max() < 0.3
    assert ground.mask[10:-10, 5:75].all()
    assert not ground.mask[:, 85:].any()


def test_voids_stay_voids_and_hold_nought(tmp_path: Path) -> None:
    values = SLOPE.copy()
    values[:, :20] = -9999
    values[5, 50] = np.nan
    ground = read_raster_onto(write_plane(tmp_path / "a.tif", values, nodata=-9999), GRID)
    assert not ground.mask[:, :20].any()
    assert not ground.mask[5, 50]
    assert (ground.values[~ground.mask] == 0).all()
    assert np.array_equal(ground.values[ground.mask], SLOPE[ground.mask])


def test_scale_and_offset_of_the_file_are_applied(tmp_path: Path) -> None:
    path = write_plane(tmp_path / "a.tif", (SLOPE * 10).astype(np.int16))
    with rasterio.open(path, "r+") as out:
        out.scales, out.offsets = (0.1,), (400.0,)
    assert np.allclose(read_raster_onto(path, GRID).values, SLOPE + 400, atol=1e-4)


def test_codes_are_never_mixed(tmp_path: Path) -> None:
    codes = np.where(np.indices((40, 54)).sum(axis=0) % 2, 1, 9).astype(np.uint8)
    transform = Affine(3.1, 0, WEST, 0, -3.1, NORTH)
    found = read_raster_onto(
        write_plane(tmp_path / "a.tif", codes, transform=transform), GRID, categories=True
    )
    assert set(np.unique(found.values)) == {1, 9}


@pytest.mark.parametrize(
    ("options", "kind", "words"),
    [
        ({"crs": None}, CrsError, "no coordinate reference system"),
        ({"transform": Affine(1, 0, WEST + 9000, 0, -1, NORTH)}, RasterError, "does not overlap"),
        ({"crs": "EPSG:32633"}, RasterError, "does not overlap"),
        ({"nodata": 5.0, "values": np.full((ROWS, COLS), 5.0)}, RasterError, "holds no data"),
        ({"crs": "EPSG:4326", "transform": Affine(1e-5, 0, 38, 0, -1e-5, -81)}, RasterError, "not"),
    ],
)
def test_rasters_that_cannot_be_used(
    tmp_path: Path, options: dict[str, Any], kind: type[SitegeoError], words: str
) -> None:
    path = write_plane(tmp_path / "a.tif", options.pop("values", SLOPE), **options)
    with pytest.raises(kind, match=words) as caught:
        read_raster_onto(path, GRID)
    assert caught.value.where == path
    assert caught.value.remedy


@pytest.mark.filterwarnings("ignore:Dataset has no geotransform")
@pytest.mark.parametrize("keep", [0.0, 0.003, 0.5])
def test_a_raster_cut_short(tmp_path: Path, keep: float) -> None:
    path = write_plane(tmp_path / "a.tif", SLOPE, **TILED)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * keep)])
    with pytest.raises(SitegeoError, match=r"cut short|no coordinate reference system"):
        read_raster_onto(path, GRID)


# Land cover


def test_land_cover_in_our_classes() -> None:
    codes = Raster(np.array([[1, 2], [7, -3]]), Grid(GRID.crs, 0, 0, 1.0, (2, 2)))
    ours = reclassify_land_cover(codes, {"1": "water", "-3": "Tree"}, where="p.toml")
    assert ours.values.tolist() == [[Cover.WATER, 0], [0, Cover.TREE]]
    assert ours.mask.tolist() == [[True, False], [False, True]]


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({}, r"needs \[classes.landcover\]"),
        ({"1": "lake"}, r'got \'1 = "lake"\'.*none, water, tree, low, open, built'),
        ({"one": "water"}, "whole number"),
        ({"8": "water"}, r"none of the codes.*It holds \[1, 2\]"),
    ],
)
def test_land_cover_tables_that_do_not_fit(table: dict[str, str], words: str) -> None:
    codes = Raster(np.array([[1, 2]]), Grid(GRID.crs, 0, 0, 1.0, (1, 2)))
    with pytest.raises(PlaceError, match=words):
        reclassify_land_cover(codes, table, where="p.toml")


# Real photos


@pytest.mark.parametrize("folder", ["reservoir-va/imagery.tif", "ponds-md/imagery.tif"])
def test_aerial_photos_whose_near_infrared_is_tagged_alpha(places: Path, folder: str) -> None:
    photo, notes = read_imagery(places / folder)
    assert photo.bands == RGBN
    assert photo.mask.all()
    assert any("tagged alpha" in n for n in notes)
    for order in (("nir", *RGBN[:3]), ("red", "nir", "blue", "green")):
        assert f"'{order[3]}' behaves like near-infrared" in refused(places / folder, bands=order)


def test_potholes_with_nodata_nought(places: Path) -> None:
    photo, _ = read_imagery(places / "potholes-nd" / "imagery_20140720.tif")
    assert (photo.grid.pixel_m, photo.grid.shape) == (5.0, (723, 934))
    assert photo.bands == RGBN
    assert photo.mask.mean() > 0.99


def test_lake_shore_in_a_national_system(places: Path) -> None:
    folder = places / "lakeshore-zurich"
    photo, _ = read_imagery(folder / "ortho_rgb_050cm.tif")
    assert photo.grid.crs == CRS.from_epsg(2056)
    assert photo.bands == ("red", "green", "blue")
    ground = read_raster_onto(folder / "dtm_1m.tif", photo.grid)
    surface = read_raster_onto(folder / "dsm_1m.tif", photo.grid)
    trees = read_raster_onto(folder / "vegheight_1m.tif", photo.grid)
    assert 400 < ground.values[ground.mask].min() < ground.values[ground.mask].max() < 430
    assert surface.mask.mean() < 0.5  # void over open water
    assert 0 <= trees.values.min() < 3 < trees.values.max() < 50
