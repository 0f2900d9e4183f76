"""A place gathered from services on this machine is the place the services were made from."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Iterator, Sequence
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from helpers_gather import AT, IMAGERY, WORLD, Clock, all_sources, client, source, write_geojson
from pyproj import Transformer
from rasterio.enums import ColorInterp, Resampling
from rasterio.warp import calculate_default_transform, reproject

from sitegeo.errors import GatherError, PlaceError, StepError, UsageError
from sitegeo.gather.client import Client
from sitegeo.gather.gathering import PLACE_ROLES, Gathered, gather
from sitegeo.gather.mosaic import Scene, mosaic_scenes, order_scenes
from sitegeo.gather.sources import (
    SOURCE_GROUP,
    DataSource,
    GatherArea,
    Service,
    SourceData,
    list_sources,
)
from sitegeo.gather.writing import write_gathered
from sitegeo.places.place import read_place

RADIUS_M = 250.0
AREA = GatherArea(*AT, RADIUS_M)
BANDS = ("red", "green", "blue", "nir")
ALL = PLACE_ROLES | {"forecast"}
Asking = Callable[..., Gathered]


def listed(folder: Path, text: str) -> tuple[DataSource, ...]:
    path = folder / "sources.toml"
    path.write_text(text, encoding="utf-8")
    return list_sources([path])


@pytest.fixture(scope="module")
def cache(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def whole(
    local_services: tuple[str, Path], cache: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Gathered, Client]:
    """Everything the services hold of the area, and the client that fetched it."""
    folder = tmp_path_factory.mktemp("whole")
    made = client(cache)
    known = listed(folder, all_sources(local_services[0]))
    return gather(AREA, known, made, roles=ALL), made


@pytest.fixture
def ask(local_services: tuple[str, Path], tmp_path: Path) -> Iterator[Asking]:
    """Gather from one source, described as in a file."""
    made = client(tmp_path / "cache")

    def asked(name: str, *described: Any, area: GatherArea = AREA, **options: Any) -> Gathered:
        text = "alone = true\n" + source(local_services[0], name, *described)
        found = gather(area, listed(tmp_path, text), made, **options)
        found.client = made  # type: ignore[attr-defined]
        return found

    yield asked
    made.close()


def demo_layer(demo_place: Path, name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(demo_place.parent / "layers.gpkg", layer=name)


def demo_crop(demo_place: Path, name: str, transform: Any, shape: tuple[int, int]) -> Any:
    """The same pixels of a raster of the demo place, read directly."""
    with rasterio.open(demo_place.parent / name) as held:
        col, row = ~held.transform @ (transform.c, transform.f)
        assert (col, row) == (round(col), round(row))
        window = rasterio.windows.Window(int(col), int(row), shape[1], shape[0])
        return held.read(window=window)


def near(frame: gpd.GeoDataFrame, area: GatherArea = AREA) -> gpd.GeoDataFrame:
    """Features that meet what is asked for, 2 km around the area."""
    box = shapely.box(*area.bounds(margin_m=2000.0))
    return frame[frame.to_crs(4326).intersects(box)]


def same_shapes(one: gpd.GeoDataFrame, two: gpd.GeoDataFrame, *, within_m: float) -> bool:
    """Whether two layers hold the same shapes, in whatever order."""
    if len(one) != len(two):
        return False
    tree = shapely.STRtree(two.geometry.to_numpy())
    pairs = tree.nearest(shapely.centroid(one.geometry.to_numpy()))
    gaps = shapely.hausdorff_distance(one.geometry.to_numpy(), two.geometry.to_numpy()[pairs])
    return bool((gaps < within_m).all())


# The photo


def test_the_photo_is_the_pixels_of_the_sheets_and_has_no_seam(
    whole: tuple[Gathered, Client], demo_place: Path
) -> None:
    photo = whole[0].pictures["imagery"]
    shape = photo.valid.shape
    assert photo.valid.all()
    assert min(shape) >= 2 * RADIUS_M
    direct = demo_crop(demo_place, "imagery.tif", photo.transform, shape)
    assert np.array_equal(photo.values, direct)
    assert photo.taken == ("2025-09-14", "2025-09-20")
    (part,) = [p for p in whole[0].parts if p.layers == ("imagery",)]
    assert part.notes == ("joined from images of 2025-09-14, 2025-09-20",)


@pytest.mark.parametrize("name", ["canopy", "ground"])
def test_heights_come_from_an_api_and_from_a_catalogue_of_files(
    whole: tuple[Gathered, Client], demo_place: Path, name: str
) -> None:
    picture = whole[0].pictures[name]
    direct = demo_crop(demo_place, f"{name}.tif", picture.transform, picture.valid.shape)
    assert np.array_equal(picture.values, direct)


def stored_bytes(path: Path, picture: Any) -> int:
    """Bytes of the tiles of a file that a picture's window touches."""
    with rasterio.open(path) as held:
        col, row = (round(v) for v in ~held.transform @ (picture.transform.c, picture.transform.f))
        rows, cols = picture.valid.shape
        size = held.block_shapes[0][0]
        total = 0
        for down in range(max(0, row) // size, (min(row + rows, held.height) - 1) // size + 1):
            for along in range(max(0, col) // size, (min(col + cols, held.width) - 1) // size + 1):
                name = f"BLOCK_SIZE_{along}_{down}"
                total += int(held.get_tag_item(name, "TIFF", bidx=1) or 0)
        return total


def test_little_more_is_fetched_than_the_window(
    ask: Asking, local_services: tuple[str, Path]
) -> None:
    """At most twice the window's bytes, counted as pixels and as the tiles they lie in."""
    base, root = local_services
    found = ask("photo", "stac", "/stac", ["imagery"], IMAGERY.format(base=base))
    photo = found.pictures["imagery"]
    fetched = found.client.fetched_bytes  # type: ignore[attr-defined]
    sheets = ("sheet_west", "sheet_east")
    tiles = sum(stored_bytes(root / f"files/signed/{name}.tif", photo) for name in sheets)
    assert tiles > 200_000
    assert 0.9 * tiles <= fetched <= 2 * tiles
    assert fetched <= 2 * photo.values.nbytes


def test_overviews_serve_where_finer_pixels_are_not_wanted(
    ask: Asking, local_services: tuple[str, Path]
) -> None:
    options = IMAGERY.format(base=local_services[0])
    fine = ask("photo", "stac", "/stac", ["imagery"], options)
    bytes_fine = fine.client.fetched_bytes  # type: ignore[attr-defined]
    coarse = ask("photo", "stac", "/stac", ["imagery"], options, finest_m=2.5)
    bytes_both = coarse.client.fetched_bytes  # type: ignore[attr-defined]
    photo = coarse.pictures["imagery"]
    assert photo.transform.a == pytest.approx(2.0)
    assert photo.valid.all()
    assert bytes_both - bytes_fine < 0.6 * bytes_fine
    blocks = fine.pictures["imagery"].values[:, :400, :400].astype(float)
    mean = blocks.reshape(4, 200, 2, 200, 2).mean(axis=(2, 4))
    assert abs(mean - photo.values[:, :200, :200]).mean() < 25


def test_gaps_are_filled_from_older_images(ask: Asking, local_services: tuple[str, Path]) -> None:
    """At the corner the newest year holds a part; the newest whole year stands first."""
    to_wgs84 = Transformer.from_crs(26915, 4326, always_xy=True)
    lon, lat = to_wgs84.transform(WORLD[0] + 90, WORLD[3] - 90)
    options = IMAGERY.format(base=local_services[0])
    inside = ask("photo", "stac", "/stac", ["imagery"], options, area=GatherArea(lat, lon, 60))
    assert inside.pictures["imagery"].taken == ("2026-06-01",)
    lon, lat = to_wgs84.transform(WORLD[0] + 200, WORLD[3] - 90)
    across = ask("photo", "stac", "/stac", ["imagery"], options, area=GatherArea(lat, lon, 60))
    assert across.pictures["imagery"].taken == ("2025-09-14",)
    lon, lat = to_wgs84.transform(WORLD[0] + 20, WORLD[3] - 300)
    beyond = ask("photo", "stac", "/stac", ["imagery"], options, area=GatherArea(lat, lon, 60))
    assert 0.5 < beyond.pictures["imagery"].covered < 0.8
    (part,) = beyond.parts
    assert any("% of the area" in note for note in part.notes)


def scene(name: str, day: str, *box: float) -> Scene:
    return Scene(name, (f"http://x.test/{name}.tif",), day, shapely.box(*box))


def test_the_newest_complete_coverage_comes_first() -> None:
    area = GatherArea(44.0, -90.0, 1000)
    west, south, east, north = area.bounds()
    middle = (west + east) / 2
    scenes = [
        scene("old", "2017-06-01", west - 1, south - 1, east + 1, north + 1),
        scene("left", "2021-07-01", west - 1, south - 1, middle, north + 1),
        scene("right", "2021-07-09", middle, south - 1, east + 1, north + 1),
        scene("part", "2023-05-01", west - 1, south - 1, middle, north + 1),
        scene("away", "2024-05-01", east + 1, south - 1, east + 2, north + 1),
    ]
    by_year = [s.id for s in order_scenes(scenes, area, by="year")]
    assert by_year == ["right", "left", "part", "old"]
    by_day = [s.id for s in order_scenes(scenes, area, by="day")]
    assert by_day == ["old", "part", "right", "left"]
    assert order_scenes(scenes[4:], area, by="day") == []


def test_files_of_a_band_each_are_put_together(
    ask: Asking, local_services: tuple[str, Path]
) -> None:
    held = json.loads((local_services[1] / "items.json").read_text())
    (one,) = [i for i in held if i["collection"] == "canopy"]
    href = one["assets"]["data"]["href"]
    names = ("red", "green", "blue")
    bands = {**one, "collection": "bands", "assets": {n: {"href": href} for n in names}}
    path = local_services[1] / "items.json"
    path.write_text(json.dumps([*held, bands]))
    options = f'collection = "bands"\nassets = {json.dumps(names)}'
    found = ask("photo", "stac", "/stac", ["imagery"], options)
    path.write_text(json.dumps(held))
    assert len(found.pictures["imagery"].values) == 3


# Images in other forms


def put(path: Path, values: Any, crs: Any, transform: Any, **profile: Any) -> Path:
    """Write a tiled file where the services find it."""
    shape = {"count": len(values), "height": values.shape[1], "width": values.shape[2]}
    held = {"driver": "GTiff", "dtype": values.dtype, "crs": crs, "transform": transform}
    tiles = {"tiled": True, "blockxsize": 128, "blockysize": 128}
    tags = profile.pop("tags", None)
    with rasterio.open(path, "w", **held, **shape, **tiles, **profile) as out:
        out.write(values)
        if tags:
            out.colorinterp = tags
    return path


def turned(demo_place: Path, name: str, box: Sequence[float], crs: str) -> tuple[Any, Any]:
    """Part of a raster of the demo place in another CRS, 0 where there is none."""
    with rasterio.open(demo_place.parent / name) as held:
        window = rasterio.windows.from_bounds(*box, held.transform)
        values, start = held.read(window=window), held.window_transform(window)
        rows, cols = values.shape[1:]
        to, width, height = calculate_default_transform(held.crs, crs, cols, rows, *box)
        out = np.zeros((len(values), height, width), values.dtype)
        reproject(
            values, out, src_transform=start, src_crs=held.crs, dst_transform=to, dst_crs=crs,
            resampling=Resampling.bilinear,
        )  # fmt: skip
    return out, to


def cut(services: tuple[str, Path], folder: Path, *paths: Path, area: GatherArea = AREA) -> Any:
    """The area cut out of served files, the first one first."""
    scenes = [
        Scene(p.stem, (f"{services[0]}/files/{p.name}",), "2020-01-01", shapely.box(0, 0, 1, 1))
        for p in paths
    ]
    fetcher = client(folder / "cache").fetcher(pause_s=0)
    return mosaic_scenes(scenes, area, fetcher, finest_m=1.0, bands=BANDS, void=0)


WEST, SOUTH, EAST, NORTH = WORLD
MIDDLE = (WEST + EAST) / 2


def test_sheets_of_two_zones_are_joined_without_a_gap(
    local_services: tuple[str, Path], demo_place: Path, tmp_path: Path
) -> None:
    files = local_services[1] / "files"
    left, start = turned(demo_place, "imagery.tif", (WEST, SOUTH, MIDDLE, NORTH), "EPSG:26915")
    right, corner = turned(
        demo_place, "imagery.tif", (MIDDLE - 40, SOUTH, EAST, NORTH), "EPSG:26916"
    )
    one = put(files / "zone15.tif", left, "EPSG:26915", start)
    two = put(files / "zone16.tif", right, "EPSG:26916", corner)
    photo = cut(local_services, tmp_path, one, two)
    assert photo.valid.all()
    direct = demo_crop(demo_place, "imagery.tif", photo.transform, photo.valid.shape)
    seam = int(MIDDLE - photo.transform.c)
    assert np.array_equal(photo.values[:, :, :seam], direct[:, :, :seam])
    off = np.abs(photo.values[:, :, seam:].astype(float) - direct[:, :, seam:])
    beside = np.abs(np.roll(direct[:, :, seam:].astype(float), 2, axis=2) - direct[:, :, seam:])
    assert off.mean() < 0.5 * beside.mean()  # resampled twice, and in its place


def test_heights_in_degrees(
    local_services: tuple[str, Path], demo_place: Path, tmp_path: Path
) -> None:
    values, corner = turned(demo_place, "ground.tif", WORLD, "EPSG:4269")
    path = put(local_services[1] / "files" / "degrees.tif", values, "EPSG:4269", corner)
    ground = cut(local_services, tmp_path, path)
    assert ground.crs.to_epsg() == 4269
    assert ground.valid.all()
    col, row = (int(v) for v in ~ground.transform @ (AREA.lon, AREA.lat))
    with rasterio.open(demo_place.parent / "ground.tif") as held:
        spot = Transformer.from_crs(4326, held.crs, always_xy=True).transform(AREA.lon, AREA.lat)
        (direct,) = next(held.sample([spot]))
    assert ground.values[0, row, col] == pytest.approx(direct, abs=1.0)


def test_near_infrared_tagged_as_transparency_hides_nothing(
    local_services: tuple[str, Path], demo_place: Path, tmp_path: Path
) -> None:
    """Dark water in near-infrared would be transparent."""
    values, corner = turned(demo_place, "imagery.tif", WORLD, "EPSG:26915")
    values[3, 300:500, 300:500] = 0
    tags = [ColorInterp.red, ColorInterp.green, ColorInterp.blue, ColorInterp.alpha]
    path = put(local_services[1] / "files" / "alpha.tif", values, "EPSG:26915", corner, tags=tags)
    photo = cut(local_services, tmp_path, path)
    assert photo.valid.all()
    assert (photo.values[3] == 0).sum() >= 40_000


def test_an_image_that_is_cut_short(
    local_services: tuple[str, Path], demo_place: Path, tmp_path: Path
) -> None:
    values, corner = turned(demo_place, "imagery.tif", WORLD, "EPSG:26915")
    path = put(local_services[1] / "files" / "cut.tif", values, "EPSG:26915", corner)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(GatherError, match="the file is cut short"):
        cut(local_services, tmp_path, path)


# Features


@pytest.mark.parametrize("name", ["water", "public_land", "access"])
def test_features_are_those_of_the_place(
    whole: tuple[Gathered, Client], demo_place: Path, name: str
) -> None:
    got = whole[0].frames[name].to_crs(26915)
    assert same_shapes(got, near(demo_layer(demo_place, name)), within_m=1e-3)


def test_openstreetmap_and_the_list_of_buildings_are_put_together(
    whole: tuple[Gathered, Client], demo_place: Path
) -> None:
    roads = whole[0].frames["roads"]
    given = near(demo_layer(demo_place, "roads"))
    assert same_shapes(roads.to_crs(26915), given.explode(), within_m=0.02)
    assert sorted(roads["class"]) == sorted(given.explode()["class"])
    houses = demo_layer(demo_place, "dwellings")
    assert len(whole[0].frames["dwellings"]) == 2 * len(near(houses))
    parts = [p.source.id for p in whole[0].parts if "dwellings" in p.layers]
    assert parts == ["osm", "houses"]


def test_public_is_not_open_to_hunting(whole: tuple[Gathered, Client]) -> None:
    """The table of this source says so: whatever the service calls open is not known here."""
    assert set(whole[0].frames["public_land"]["hunting"]) <= {"unknown", "closed", "restricted"}


def test_forecast_and_zone(whole: tuple[Gathered, Client], ask: Asking) -> None:
    forecast = whole[0].forecast
    assert forecast is not None
    assert [h.wind is None for h in forecast.hours] == [False, False, True]
    assert forecast.hours[0].wind is not None
    assert (forecast.hours[0].wind.from_deg, forecast.hours[0].wind.gust_mps) == (315, 8)
    assert whole[0].zone == "America/Chicago"
    found = ask("weather", "nws", "", ["forecast", "zone"], roles={"forecast"})
    assert found.forecast is not None
    assert found.forecast.hours[0].time.isoformat() == "2026-12-05T05:00:00-06:00"


# What is written


def test_what_is_written_is_a_place(whole: tuple[Gathered, Client], tmp_path: Path) -> None:
    path = write_gathered(whole[0], tmp_path / "out", title='A "lake"', finest_m=1.0)
    held = tomllib.loads(path.read_text(encoding="utf-8"))
    assert held["title"] == 'A "lake"'
    assert "law" not in held
    assert "complete" not in held.get("assume", {})
    assert held["place"]["zone"] == "America/Chicago"
    place = read_place(path)
    photo = whole[0].pictures["imagery"]
    assert np.array_equal(place.imagery.values, photo.values)
    assert place.grid.transform == photo.transform
    assert set(place.vectors) == {"mapped_water", "roads", "dwellings", "public_land", "access"}
    assert set(place.rasters) == {"canopy", "ground"}
    credited = {layer for credit in place.credits for layer in credit.layers}
    assert credited == {"imagery", "canopy", "ground", "water", *place.vectors} - {"mapped_water"}
    assert "© The osm makers (CC0)" in " ".join(c.words for c in place.credits)
    assert all(c.gathered == "2026-11-20" for c in place.credits)
    record = json.loads((tmp_path / "out" / "gather.json").read_text())
    assert set(record["missing"]) == {"closed_areas", "depth", "observations", "surface"}


def files_of(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}


def test_the_same_answers_give_the_same_bytes_and_nothing_is_fetched_twice(
    whole: tuple[Gathered, Client], cache: Path, local_services: tuple[str, Path], tmp_path: Path
) -> None:
    write_gathered(whole[0], tmp_path / "one", title="x", finest_m=1.0)
    later = Clock()
    later.seconds = 1800
    again = client(cache, later, offline=True)
    known = listed(tmp_path, all_sources(local_services[0]))
    found = gather(AREA, known, again, roles=ALL)
    write_gathered(found, tmp_path / "two", title="x", finest_m=1.0)
    assert again.requests == 0
    assert files_of(tmp_path / "one") == files_of(tmp_path / "two")


class Killed(BaseException):
    """A run that ends at once."""


@pytest.mark.parametrize("after", [2, 14])
def test_a_killed_run_goes_on_where_it_stopped(
    whole: tuple[Gathered, Client], local_services: tuple[str, Path], tmp_path: Path, after: int
) -> None:
    known = listed(tmp_path, all_sources(local_services[0]))
    dying = client(tmp_path / "cache")

    def die(_count: int) -> None:
        if dying.requests > after:
            raise Killed

    dying.on_bytes = die
    with pytest.raises(Killed):
        gather(AREA, known, dying, roles=ALL)
    second = client(tmp_path / "cache")
    found = gather(AREA, known, second, roles=ALL)
    write_gathered(found, tmp_path / "again", title="x", finest_m=1.0)
    write_gathered(whole[0], tmp_path / "undisturbed", title="x", finest_m=1.0)
    assert files_of(tmp_path / "again") == files_of(tmp_path / "undisturbed")
    assert second.fetched_bytes < whole[1].fetched_bytes


# What fails


@pytest.mark.parametrize(
    ("service", "url", "options", "words"),
    [
        ("overpass", "/bad/remark", "", "gave up: runtime error: Query timed out"),
        ("overpass", "/bad/html", "", "something else than OpenStreetMap data"),
        ("overpass", "/bad/short", "", "something else than OpenStreetMap data"),
        ("overpass", "/bad/cut", "", "no usable answer"),
        ("overpass", "/bad/xmlbomb", "", "XML entities are not supported"),
        ("arcgis", "/bad/error", "", "without features: Invalid query"),
        ("ogc_features", "/bad", 'collection = "x"', "status 404"),
        ("wfs", "/bad/html", 'collection = "x"', "a web page, not JSON"),
        ("wfs", "/bad/error", 'collection = "x"', "without features: Invalid query"),
        ("wfs", "/bad/lastpage", 'collection = "x"', "gave 0 of 9 features"),
        ("wfs", "/bad/nofeature", 'collection = "x"', "not GeoJSON"),
        ("wfs", "/bad/swapped", 'collection = "x"', "its axes may be swapped"),
        ("wfs", "/bad/samepage", 'collection = "x"\npage = 1', "same page again and again"),
        ("download", "/bad/html", "", "not a map file"),
        ("download", "/files/photo.vrt", "", "not a map file"),
        ("download", "/files/access.zip", 'member = "none.shp"', "no map file of that name"),
        ("stac", "/files/small.json", 'collection = "x"\nassets = ["a"]', "no image of this place"),
        ("stac", "/bad/html", 'collection = "x"\nassets = ["a"]', "a web page, not JSON"),
        ("nws", "/bad", "", "status 404"),
        ("open_meteo", "/bad/nothing", "", "no known time zone"),
    ],
)
def test_a_source_that_fails_leaves_its_layer_out_and_says_why(
    ask: Asking, service: str, url: str, options: str, words: str
) -> None:
    role = {"stac": "canopy", "nws": "zone", "open_meteo": "zone"}.get(service, "roads")
    found = ask("broken", service, url, [role], options)
    assert found.lacks(role)
    assert words in found.reasons[role]
    assert found.parts == []


def test_a_catalogue_that_points_at_this_machine_is_not_followed(ask: Asking) -> None:
    options = 'collection = "x"\nassets = ["a"]'
    found = ask("hostile", "stac", "/files/catalogue/hostile.json", ["imagery"], options)
    assert "only http and https addresses are fetched" in found.reasons["imagery"]


def test_a_source_that_breaks_a_library_is_told_not_fatal(
    ask: Asking, local_services: tuple[str, Path]
) -> None:
    (local_services[1] / "files" / "odd.json").write_text('{"type": "Feature", "bbox": null}')
    found = ask("odd", "stac", "/files/odd.json", ["imagery"], 'collection="x"\nassets=["a"]')
    assert "gave an answer that cannot be used (" in found.reasons["imagery"]


def test_a_layer_without_a_feature_counts_as_not_given(ask: Asking) -> None:
    far = GatherArea(10.0, 10.0, 500)
    found = ask("lakes", "ogc_features", "/ogc", ["water"], 'collection = "water"', area=far)
    assert found.reasons["water"] == "Local lakes: holds nothing of it here"


def test_no_photo_no_place(ask: Asking, tmp_path: Path) -> None:
    found = ask("lakes", "ogc_features", "/ogc", ["water"], 'collection = "water"')
    with pytest.raises(GatherError, match="no photo of this spot was found"):
        write_gathered(found, tmp_path / "out", title="x", finest_m=1.0)
    assert not (tmp_path / "out").exists()


# Sources as data


def test_every_shipped_source_can_be_read_and_says_its_terms() -> None:
    shipped = list_sources()
    assert len({s.id for s in shipped}) == len(shipped)
    gives = {role for s in shipped for role in s.gives}
    assert {"imagery", "canopy", "ground", "water", "roads", "dwellings", "public_land"} <= gives
    assert {"forecast", "zone", "access"} <= gives
    # Nothing that is shipped knows what is closed to hunting, and to know a part is to know none.
    assert "closed_areas" not in gives
    assert all(s.url.startswith("https://") and s.link for s in shipped)
    photos = [s.id for s in shipped if "imagery" in s.gives]
    assert photos == ["naip", "sentinel-2"]
    for s in shipped:
        assert s.gives != ("public_land",) or s.options["fixed"]["hunting"] == "unknown"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('id = "x"', "'source.0.service' is required|the key"),
        ("licence", "not TOML"),
    ],
)
def test_faults_in_a_file_of_sources(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(PlaceError, match=words):
        listed(tmp_path, f"[[source]]\n{text}\n")


def test_a_source_without_terms_or_of_no_service_is_refused(tmp_path: Path) -> None:
    whole = source("https://x.test", "x", "stac", "/a", ["imagery"])
    with pytest.raises(PlaceError, match=r"'source\.0\.licence' is required"):
        listed(tmp_path, whole.replace('licence = "CC0"', ""))
    with pytest.raises(PlaceError, match=r"no such service; installed are arcgis.*'sta'"):
        listed(tmp_path, whole.replace('"stac"', '"sta"'))
    with pytest.raises(PlaceError, match="gives"):
        listed(tmp_path, whole.replace('["imagery"]', '["imagry"]'))


def test_ones_own_sources_come_first_and_replace(tmp_path: Path) -> None:
    own = listed(tmp_path, source("https://x.test", "naip", "stac", "/a", ["imagery"]))
    assert own[0].title == "Local naip"
    assert [s.id for s in own].count("naip") == 1
    assert "openstreetmap" in [s.id for s in own]


def brought(monkeypatch: pytest.MonkeyPatch, *values: str) -> None:
    """Another package offers these."""
    ours = tuple(entry_points(group=SOURCE_GROUP))
    points = ours + tuple(EntryPoint("mine", value, SOURCE_GROUP) for value in values)
    monkeypatch.setattr("sitegeo.gather.sources.entry_points", lambda group: points)


def test_another_package_brings_a_service_and_its_sources(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    path = tmp_path / "ours.toml"
    path.write_text(source("https://x.test", "ours", "mine", "", ["access"]))
    point = gpd.GeoDataFrame({"kind": ["ramp"]}, geometry=[shapely.Point(*AT[::-1])], crs=4326)
    made = Service(lambda wanted, fetcher: SourceData({"access": point}), path)
    monkeypatch.setattr("helpers_gather.MINE", made, raising=False)
    brought(monkeypatch, "helpers_gather:MINE")
    known = list_sources()
    assert known[0].id == "ours"
    found = gather(AREA, known[:1], client(tmp_path / "cache"), roles={"access"})
    assert list(found.frames["access"]["kind"]) == ["ramp"]


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (["helpers_gather:AT"], "is no Service"),
        (["no_such_package:X"], "cannot be imported"),
        (["sitegeo.gather.stac:STAC", "sitegeo.gather.overpass:OVERPASS"], "two packages"),
    ],
)
def test_services_that_cannot_be_used(
    monkeypatch: pytest.MonkeyPatch, values: list[str], words: str
) -> None:
    brought(monkeypatch, *values)
    with pytest.raises(StepError, match=words):
        list_sources()


def test_one_lake_of_two_maps_is_one_lake(
    local_services: tuple[str, Path], tmp_path: Path, demo_place: Path
) -> None:
    lakes = demo_layer(demo_place, "water")
    shifted = lakes.assign(geometry=lakes.translate(8.0, 5.0))
    extra = shapely.Point(lakes.total_bounds[:2] - 200).buffer(20)
    other = gpd.GeoDataFrame(geometry=[*shifted.geometry, extra], crs=lakes.crs)
    write_geojson(other, local_services[1] / "other.geojson")
    text = "alone = true\n" + "".join(
        source(local_services[0], n, "ogc_features", "/ogc", ["water"], f'collection = "{n}"')
        for n in ("water", "other")
    )
    made = client(tmp_path / "cache")
    found = gather(AREA, listed(tmp_path, text), made, roles={"water"})
    assert len(found.frames["water"]) == len(near(lakes)) + 1


def test_options_are_checked_where_they_are_used(ask: Asking) -> None:
    found = ask("photo", "stac", "/stac", ["imagery"], 'collection = "aerial"\nasset = "x"')
    assert "asset" in found.reasons["imagery"]


@pytest.mark.parametrize(
    ("lat", "lon", "radius"), [(89.0, 0.0, 100), (44.0, 200.0, 100), (44.0, 0.0, 20_000)]
)
def test_areas_that_cannot_be(lat: float, lon: float, radius: float) -> None:
    with pytest.raises(UsageError):
        GatherArea(lat, lon, radius)
