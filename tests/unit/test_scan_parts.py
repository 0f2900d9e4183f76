"""The parts of a scan one by one: tiles, seams, rasters, vectors."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio.shutil
import shapely
from affine import Affine
from helpers_gather import served
from helpers_places import COLS, NORTH, ROWS, UTM17, WEST, scene, write_photo
from mgrs import MGRS
from pyproj import CRS, Geod, Transformer

from sitegeo.core.grid import Grid
from sitegeo.errors import LayerError, UsageError
from sitegeo.places.config import LayerSource
from sitegeo.scan import rasters, vectors
from sitegeo.scan.extracts import sort_extracts
from sitegeo.scan.merging import morning_shares
from sitegeo.scan.region import Region, read_region, read_shapes
from sitegeo.scan.tiling import (
    SEAM_M,
    choose_sightings,
    cut_plates,
    cut_tiles,
    fit_tile_size_m,
    overlap,
    region_ids,
)

UTM = CRS.from_user_input(UTM17)
GRID = Grid(UTM, WEST, NORTH, 1.0, (1000, 1700))


@pytest.mark.parametrize("size_m", [1000.0, 333.0, 250.0])
def test_every_point_lies_in_one_core(size_m: float) -> None:
    pieces = cut_tiles(GRID, size_m=size_m, halo_m=300)
    rng = np.random.default_rng(5)
    x = WEST + rng.uniform(0, 1700, 300)
    y = NORTH - rng.uniform(0, 1000, 300)
    edge = [WEST + size_m, WEST + 1, WEST], [NORTH - 1, NORTH - size_m + 1e-9, NORTH]
    for px, py in zip([*x, *edge[0]], [*y, *edge[1]], strict=True):
        assert sum(p.owns(px, py) for p in pieces) == 1


def test_a_tile_sees_its_halo_and_no_farther_than_the_region() -> None:
    first, *_ = cut_tiles(GRID, size_m=400, halo_m=300)
    assert first.seen.shape == (700, 700)
    middle = next(t for t in cut_tiles(GRID, size_m=400, halo_m=300) if t.name == "tile-r001c001")
    assert middle.seen.shape == (900, 1000)
    assert middle.seen.bounds == (WEST + 100, NORTH - 1000, WEST + 1100, NORTH - 100)


def test_plates_do_not_depend_on_tiles_and_cover_the_region_once() -> None:
    seen = np.zeros(GRID.shape, int)
    for plate in cut_plates(GRID):
        shared = overlap(GRID, plate.core)
        assert shared is not None
        seen[shared[0]] += 1
    assert (seen == 1).all()


def test_tiles_are_cut_to_the_memory_or_refused() -> None:
    given = {"pixel_m": 1.0, "halo_m": 600.0}
    small = fit_tile_size_m(None, memory_bytes=2.5e9, **given)
    large = fit_tile_size_m(None, memory_bytes=4e9, **given)
    assert small < large
    assert fit_tile_size_m(500.0, memory_bytes=4e9, **given) == 500.0
    with pytest.raises(UsageError, match="Give --memory more"):
        fit_tile_size_m(None, memory_bytes=0.6e9, **given)


def sighting(
    name: str, x: float, *, owns: bool, tile: str, kind: str = "point"
) -> dict[str, object]:
    return {"id": name, "kind": kind, "x": x, "y": 0.0, "owns": owns, "tile": tile}


def test_a_position_on_a_seam_stands_once() -> None:
    found = pd.DataFrame(
        [
            sighting("both", 0.5, owns=True, tile="a"),  # each tile owns its own sighting
            sighting("both-b", 1.5, owns=True, tile="b"),
            sighting("none", 200.0, owns=False, tile="a"),  # each places it in the other's core
            sighting("none-b", 203.0, owns=False, tile="b"),
            sighting("plain", 400.0, owns=True, tile="b"),
            sighting("plain-a", 400.0, owns=False, tile="a"),
            sighting("alone", 600.0, owns=False, tile="a"),  # its owner did not see it
            sighting("x", 800.0, owns=True, tile="a"),  # two positions near one another
            sighting("x-b", 800.0, owns=False, tile="b"),
            sighting("y", 800.0 + SEAM_M / 2, owns=True, tile="b"),
            sighting("y-a", 800.0 + SEAM_M / 2, owns=False, tile="a"),
        ]
    )
    assert found["id"][choose_sightings(found)].tolist() == ["both", "none", "plain", "x", "y"]
    backwards = found.iloc[::-1].reset_index(drop=True)
    assert set(backwards["id"][choose_sightings(backwards)]) == {"both", "none", "plain", "x", "y"}


def test_an_id_is_a_grid_reference() -> None:
    positions = gpd.GeoDataFrame(
        {"id": ["P001", "P002", "T001"], "kind": ["point", "point", "tree line"]},
        geometry=[
            shapely.Point(500_000, 4_400_000),
            shapely.Point(500_001, 4_400_001),
            shapely.LineString([(499_900, 4_400_000), (500_100, 4_400_000)]),
        ],
        crs="EPSG:32617",
    )
    lon, lat = Transformer.from_crs(32617, 4326, always_xy=True).transform(500_000, 4_400_000)
    reference = MGRS().toMGRS(lat, lon, MGRSPrecision=4)[-10:]
    names = region_ids(positions)
    assert names["P001"] == f"P-{reference}"
    assert names["P002"] == f"P-{reference}.2"
    assert names["T001"][:2] == "T-"


def test_a_window_over_two_photos_is_the_photo_itself(tmp_path: Path) -> None:
    path = write_photo(tmp_path / "a.tif")
    crs, pixel_m, found, faults = rasters.describe_rasters([str(path)], crs=None, finest_m=0.5)
    assert (crs, pixel_m, faults) == (UTM, 1.0, [])
    grid = Grid(UTM, WEST + 3, NORTH - 5, 1.0, (20, 30))
    photo, _ = rasters.read_photo(found, grid, bands=None)
    whole, _ = rasters.read_photo(found, Grid(UTM, WEST, NORTH, 1.0, (ROWS, COLS)), bands=None)
    assert photo is not None
    assert whole is not None
    assert np.array_equal(photo.values, whole.values[:, 5:25, 3:33])


def test_a_static_catalogue_is_walked(tmp_path: Path) -> None:
    pystac = pytest.importorskip("pystac")
    write_photo(tmp_path / "photo.tif")
    item = {
        "type": "Feature", "stac_version": "1.0.0", "id": "one", "geometry": None,
        "properties": {"datetime": "2025-01-01T00:00:00Z"}, "links": [],
        "assets": {"image": {"href": "./photo.tif", "roles": ["data"]},
                   "thumbnail": {"href": "./small.png", "roles": ["thumbnail"]}},
    }  # fmt: skip
    (tmp_path / "item.json").write_text(json.dumps(item))
    catalogue = pystac.Catalog(id="all", description="photos").to_dict()
    catalogue["links"] = [{"rel": "item", "href": "./item.json"}]
    (tmp_path / "catalogue.json").write_text(json.dumps(catalogue))
    (found,) = rasters.list_rasters(["catalogue.json"], tmp_path)
    assert Path(found).resolve() == (tmp_path / "photo.tif").resolve()


@pytest.mark.parametrize("name", ["houses.gpkg", "houses.parquet"])
def test_layers_near_a_window_and_none_beyond_their_reach(tmp_path: Path, name: str) -> None:
    at = [shapely.Point(WEST + 100, NORTH - 100), shapely.Point(WEST + 9000, NORTH - 100)]
    houses = gpd.GeoDataFrame({"kind": ["house", "barn"]}, geometry=at, crs=UTM).to_crs(4326)
    path = tmp_path / name
    if path.suffix == ".parquet":
        houses.to_parquet(path, write_covering_bbox=True)
    else:
        houses.to_file(path)
    described = vectors.describe_vector("dwellings", LayerSource(path=name), tmp_path)
    assert described is not None
    near, _ = vectors.read_vector(described, Grid(UTM, WEST, NORTH, 1.0, (200, 200)))
    assert near is not None
    assert near["kind"].tolist() == ["house"]
    away, told = vectors.read_vector(described, Grid(UTM, WEST + 20_000, NORTH, 1.0, (200, 200)))
    assert away is None
    assert "does not reach here" in told[0]


def test_a_morning_is_judged_by_the_best_blind_of_the_region(tmp_path: Path) -> None:
    """Worked by hand: on the second morning the other tile's best is out of the first's reach."""
    mean = {"a": [[0.8, 0.7], [0.3, 0.4]], "b": [[0.1], [0.9]]}
    for name, ids in (("a", ["A", "B"]), ("b", ["C"])):
        scores = np.array(mean[name], np.float32)
        np.savez(
            tmp_path / f"{name}.npz",
            ids=np.array(ids),
            dates=np.array(["2025-11-01", "2025-11-02"]),
            mean=scores,
            fair=np.ones(scores.shape, bool),
        )
    share, dates = morning_shares([tmp_path / "a.npz", tmp_path / "b.npz"], {"A", "C"})
    assert share == {"A": 0.5, "C": 0.5}
    assert dates == ("2025-11-01", "2025-11-02")


@pytest.fixture(scope="module")
def photos(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[str, Path]]:
    """A photo in two halves: in a folder, in a VRT, and served on this machine."""
    root = tmp_path_factory.mktemp("served")
    (root / "files").mkdir()
    half = COLS // 2
    for number in (0, 1):
        part = scene()[:, :, number * half : (number + 1) * half]
        corner = Affine(1, 0, WEST + number * half, 0, -1, NORTH)
        write_photo(root / "files" / f"{number}.tif", part, transform=corner)
    write_photo(root / "whole.tif")
    rasterio.shutil.copy(root / "whole.tif", root / "photo.vrt", driver="VRT")
    with served(root) as base:
        yield base, root


@pytest.mark.parametrize(
    "source",
    [
        ["BASE/files/0.tif", "BASE/files/1.tif"],
        ["files"],
        ["photo.vrt"],
        ["files/0.tif", "BASE/files/1.tif"],
    ],
)
def test_a_folder_a_vrt_and_addresses_show_the_same_photo(
    photos: tuple[str, Path], source: list[str]
) -> None:
    base, root = photos
    named = rasters.list_rasters([s.replace("BASE", base) for s in source], root)
    crs, pixel_m, found, faults = rasters.describe_rasters(named, crs=None, finest_m=0.5)
    assert (crs, pixel_m, faults) == (UTM, 1.0, [])
    grid = Grid(UTM, WEST, NORTH, 1.0, (ROWS, COLS // 2 * 2))
    photo, faults = rasters.read_photo(found, grid, bands=None)
    assert not faults
    assert photo is not None
    assert np.array_equal(photo.values, scene()[:, :, : COLS // 2 * 2])


def test_an_address_that_is_not_there_is_a_fault_of_its_own(photos: tuple[str, Path]) -> None:
    base, root = photos
    named = [str(root / "files" / "0.tif"), f"{base}/files/none.tif"]
    _, _, found, faults = rasters.describe_rasters(named, crs=None, finest_m=0.5)
    assert [s.path for s in found] == named[:1]
    assert [path for path, _ in faults] == named[1:]


def region_at(folder: Path, lon: float, lat: float, layers: str) -> Region:
    """A region of one small photo about a spot."""
    crs = CRS.from_epsg(32600 + int((lon + 180) // 6) + 1)
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
    corner = Affine(1, 0, round(x) - 100, 0, -1, round(y) + 100)
    write_photo(folder / "photo.tif", crs=crs.to_string(), transform=corner)
    path = folder / "region.toml"
    path.write_text(f'title = "x"\n[imagery]\nsource = "photo.tif"\n[layers]\n{layers}\n')
    return read_region(path)


def test_an_extract_gives_the_layers_of_a_region(tmp_path: Path) -> None:
    osmium = pytest.importorskip("osmium")
    mutable = osmium.osm.mutable
    lon, lat = -71.43, 42.79
    corners = [(0, 0), (2e-4, 0), (2e-4, 2e-4), (0, 2e-4)]
    with osmium.SimpleWriter(str(tmp_path / "county.osm.pbf")) as out:
        for n, (dx, dy) in enumerate(corners, 1):
            out.add_node(mutable.Node(id=n, location=(lon + dx, lat + dy), version=1))
        out.add_node(mutable.Node(id=9, location=(lon + 1, lat), version=1))
        out.add_node(mutable.Node(id=10, location=(lon + 1.001, lat), version=1))
        out.add_way(mutable.Way(id=1, nodes=[1, 2, 3, 4, 1], tags={"building": "house"}, version=1))
        out.add_way(mutable.Way(id=2, nodes=[1, 3], tags={"highway": "track"}, version=1))
        far = {"leisure": "slipway"}  # the extract's only ramp lies 80 km away
        out.add_way(mutable.Way(id=3, nodes=[9, 10], tags=far, version=1))
    region = region_at(tmp_path, lon, lat, 'vectors = "county.osm.pbf"')
    first = sort_extracts(region, tmp_path / "work")
    assert set(first.vectors) == {"roads", "dwellings"}
    shapes, _ = read_shapes(first, region.grid)
    assert shapes["dwellings"]["kind"].tolist() == ["house"]
    assert shapes["roads"]["class"].tolist() == ["track"]
    # 2e-4 degrees of a parallel and a meridian at this latitude, WGS 84.
    geod = Geod(ellps="WGS84")
    wide = geod.inv(lon, lat, lon + 2e-4, lat)[2] * geod.inv(lon, lat, lon, lat + 2e-4)[2]
    assert shapes["dwellings"].area.sum() == pytest.approx(wide, rel=1e-3)
    held = {p: p.stat().st_mtime_ns for p in (tmp_path / "work").rglob("*.*")}
    sort_extracts(region, tmp_path / "work")
    assert {p: p.stat().st_mtime_ns for p in (tmp_path / "work").rglob("*.*")} == held


def test_a_real_extract_by_the_counts_of_its_readme(places: Path, tmp_path: Path) -> None:
    """nashua-nh: water 14, buildings 311, roads 83; all of it lies within reach of the photo."""
    pytest.importorskip("osmium")
    extract = places / "danube-krems" / "nashua-nh.osm.pbf"
    region = region_at(tmp_path, -71.43, 42.79, f'vectors = "{extract.as_posix()}"')
    found = sort_extracts(region, tmp_path / "work")
    counts = {r: len(gpd.read_parquet(found.vectors[r].path)) for r in ("water", "dwellings")}
    assert counts == {"water": 14, "dwellings": 311}


def test_one_package_of_all_layers_is_read_by_their_names(tmp_path: Path) -> None:
    at = gpd.GeoDataFrame(geometry=[shapely.Point(-81, 40)], crs=4326)
    at.to_file(tmp_path / "all.gpkg", layer="dwellings")
    at.to_file(tmp_path / "all.gpkg", layer="access")
    at.to_file(tmp_path / "all.gpkg", layer="mine")
    region = region_at(tmp_path, -81, 40, 'vectors = "all.gpkg"')
    assert set(region.vectors) == {"dwellings", "access"}
    at.to_file(tmp_path / "other.gpkg", layer="mine")
    with pytest.raises(LayerError, match="has none of the layers water"):
        region_at(tmp_path, -81, 40, 'vectors = "other.gpkg"')
