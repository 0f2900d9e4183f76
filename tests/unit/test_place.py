"""Reading a place: PLACE.toml, its files brought together, and every fault told in one sentence."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from affine import Affine
from geopandas.testing import assert_geodataframe_equal
from helpers_places import NORTH, ROWS, UTM17, WEST, scene, write_photo, write_place
from pyproj import CRS
from shapely import LineString, MultiPoint, Point, Polygon, box

from sitegeo.core import contracts
from sitegeo.core.contracts import Cover
from sitegeo.errors import CrsError, LayerError, PlaceError, RasterError, SitegeoError
from sitegeo.places import vectors
from sitegeo.places.config import read_place_file
from sitegeo.places.place import Place, read_place
from sitegeo.places.vectors import conform_to_contract

SOUTH = NORTH - ROWS
HOUSE = box(WEST + 20, SOUTH + 20, WEST + 30, SOUTH + 30)
BARN = Point(WEST + 60, SOUTH + 60)
ROAD = LineString([(WEST - 10, SOUTH + 10), (WEST + 300, SOUTH + 10)])
BOW_TIE = Polygon([(0, 0), (10, 10), (10, 0), (0, 10)])


def at(shape: Any) -> Any:
    """A shape given from the photo's south-west corner."""
    return shapely.transform(shape, lambda xy: xy + [WEST, SOUTH])


def save(
    path: Path, shapes: list[Any], *, crs: Any = UTM17, layer: str = "", **columns: Any
) -> Path:
    gpd.GeoDataFrame(columns, geometry=shapes, crs=crs).to_file(path, layer=layer or path.stem)
    return path


def read(folder: Path, given: str = "", rest: str = "") -> Place:
    """Read a place, and hold every layer of it to its contract."""
    found = read_place(write_place(folder, given, rest))
    for name, frame in found.vectors.items():
        contracts.check(frame, contracts.contract(name))
        assert frame.crs == found.crs
    for raster in found.rasters.values():
        assert raster.grid == found.grid
    return found


def refused(
    folder: Path, given: str = "", rest: str = "", *, kind: type[SitegeoError] = LayerError
) -> str:
    with pytest.raises(kind) as caught:
        read_place(write_place(folder, given, rest))
    text = str(caught.value)
    assert "\n" not in text
    assert str(folder) in text
    assert caught.value.exit_code == 1
    return text


# A good place


def test_a_whole_place(tmp_path: Path) -> None:
    save(tmp_path / "v.gpkg", [ROAD], layer="roads", **{"class": ["minor"], "width_m": [4.0]})
    save(tmp_path / "v.gpkg", [HOUSE, BARN], layer="dwellings", kind=["house", "barn"])
    save(tmp_path / "lake.geojson", [box(-81, 37.9, -80.9, 38)], crs=4326)
    heights = scene()[:1].astype(np.float32) / 10
    write_photo(tmp_path / "trees.tif", heights)
    found = read(
        tmp_path,
        'roads = "v.gpkg"\ndwellings = { path = "v.gpkg", layer = "dwellings" }\n'
        'water = "lake.geojson"\ncanopy = "trees.tif"',
        '[imagery]\nbands = ["red", "green", "blue", "nir"]\ntaken = 2014-07-20\n'
        '[place]\nzone = "America/New_York"\n[law]\nfile = "law.toml"\n',
    )
    assert found.title == "Test"
    assert set(found.vectors) == {"roads", "dwellings", "mapped_water"}
    assert found.vectors["roads"]["width_m"].tolist() == [4]
    assert found.vectors["dwellings"]["kind"].tolist() == ["house", "barn"]
    assert np.allclose(found.rasters["canopy"].values, heights[0])
    assert (found.zone, found.taken) == ("America/New_York", "2014-07-20")
    assert found.law_file == tmp_path / "law.toml"
    assert found.notes == ()
    assert {i.role: i.path for i in found.inputs} == {
        "imagery": "photo.tif",
        "water": "lake.geojson",
        "roads": "v.gpkg",
        "dwellings": "v.gpkg",
        "canopy": "trees.tif",
    }
    lake = next(i for i in found.inputs if i.role == "water")
    assert lake.crs == "EPSG:4326"
    assert lake.extent == pytest.approx((-81, 37.9, -80.9, 38))


def test_reading_twice_gives_the_same(tmp_path: Path) -> None:
    save(tmp_path / "roads.gpkg", [ROAD])
    one, two = (read(tmp_path, 'roads = "roads.gpkg"') for _ in range(2))
    assert one.inputs == two.inputs
    assert_geodataframe_equal(one.vectors["roads"], two.vectors["roads"])


def test_vectors_land_where_they_lie(tmp_path: Path) -> None:
    """A corner of the photo given in longitude and latitude comes back in metres."""
    save(tmp_path / "a.geojson", [Point(WEST, NORTH)], crs=UTM17)
    frame = gpd.read_file(tmp_path / "a.geojson").to_crs(4326)
    frame.to_file(tmp_path / "b.geojson")
    found = read(tmp_path, 'access = "b.geojson"')
    (point,) = found.vectors["access"].geometry
    assert (point.x, point.y) == pytest.approx((WEST, NORTH), abs=0.01)


def test_vectors_are_kept_two_kilometres_around(tmp_path: Path) -> None:
    shapes = [Point(WEST - d, NORTH) for d in (0, 1900, 2100, 9000)]
    save(tmp_path / "houses.gpkg", shapes, kind=["a", "b", "c", "d"])
    assert read(tmp_path, 'dwellings = "houses.gpkg"').vectors["dwellings"]["kind"].tolist() == [
        "a",
        "b",
    ]


def test_a_filter(tmp_path: Path) -> None:
    save(tmp_path / "houses.gpkg", [HOUSE, BARN], kind=["house", "barn"])
    found = read(tmp_path, 'dwellings = { path = "houses.gpkg", where = "kind = \'barn\'" }')
    assert found.vectors["dwellings"]["kind"].tolist() == ["barn"]


def test_the_key_of_an_input_follows_its_content_and_how_it_is_read(tmp_path: Path) -> None:
    def key(given: str, rest: str = "", role: str = "dwellings") -> str:
        return next(i.key for i in read(tmp_path, given, rest).inputs if i.role == role)

    save(tmp_path / "houses.gpkg", [HOUSE, BARN], kind=["house", "barn"])
    whole = key('dwellings = "houses.gpkg"')
    assert whole == key('dwellings = "houses.gpkg"')
    assert whole != key('dwellings = { path = "houses.gpkg", where = "kind = \'barn\'" }')
    photo = key("", role="imagery")
    assert photo != key("", "[imagery]\nfinest_m = 2", role="imagery")
    save(tmp_path / "houses.gpkg", [HOUSE], kind=["house"])
    assert whole != key('dwellings = "houses.gpkg"')


def test_attributes_beside_a_shapefile_are_part_of_its_content(tmp_path: Path) -> None:
    def digest() -> str:
        return next(
            i for i in read(tmp_path, 'dwellings = "h.shp"').inputs if i.role != "imagery"
        ).sha256

    save(tmp_path / "h.shp", [HOUSE], kind=["house"])
    before = digest()
    save(tmp_path / "h.shp", [HOUSE], kind=["barns"])
    assert digest() != before


# Repairs, all counted


def test_invalid_shapes_are_repaired_and_counted(tmp_path: Path) -> None:
    save(tmp_path / "w.gpkg", [at(BOW_TIE), at(box(40, 40, 50, 50))])
    found = read(tmp_path, 'water = "w.gpkg"')
    water = found.vectors["mapped_water"]
    assert water.area.tolist() == pytest.approx([50, 100])
    assert found.notes == ("water: 1 invalid shapes repaired",)
    assert found.inputs[1].note == "1 invalid shapes repaired"


def test_missing_and_empty_shapes_are_dropped_and_counted(tmp_path: Path) -> None:
    save(tmp_path / "h.gpkg", [HOUSE, None, Polygon(), BARN])
    found = read(tmp_path, 'dwellings = "h.gpkg"')
    assert len(found.vectors["dwellings"]) == 2
    assert found.notes == ("dwellings: 2 missing or empty shapes dropped",)


def geojson(path: Path, *geometries: Any) -> Path:
    features = [{"type": "Feature", "properties": {}, "geometry": g} for g in geometries]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def test_broken_rings_are_closed_or_dropped_never_fatal(tmp_path: Path) -> None:
    here = [-81.0, 37.9465]
    open_ring = [here, [-80.9999, 37.9465], [-80.9999, 37.9466]]
    geojson(
        tmp_path / "h.geojson",
        {"type": "Point", "coordinates": here},
        {"type": "Polygon", "coordinates": [open_ring]},
        {"type": "LineString", "coordinates": [here]},
        None,
    )
    found = read(tmp_path, 'dwellings = "h.geojson"')
    assert found.vectors["dwellings"].geom_type.tolist() == ["Point", "Polygon"]
    assert found.notes == ("dwellings: 2 missing or empty shapes dropped",)


def test_a_house_without_area_is_still_a_house(tmp_path: Path) -> None:
    flat = Polygon([(5, 5), (9, 5), (5, 5)])
    save(tmp_path / "h.gpkg", [HOUSE, at(flat)])
    found = read(tmp_path, 'dwellings = "h.gpkg"')
    point = found.vectors["dwellings"].geometry[1]
    assert (point.x, point.y) == pytest.approx((WEST + 7, SOUTH + 5))
    assert found.notes == ("dwellings: 1 invalid shapes repaired",)


def test_points_and_collections_are_taken_apart(tmp_path: Path) -> None:
    mixed = shapely.GeometryCollection([at(Point(9, 9)), HOUSE, ROAD])
    save(tmp_path / "h.gpkg", [at(MultiPoint([(1, 1), (2, 2)])), mixed], kind=["house", "barn"])
    found = read(tmp_path, 'dwellings = "h.gpkg"')
    houses = found.vectors["dwellings"]
    assert houses["kind"].tolist() == ["house", "house", "barn", "barn"]
    assert houses.geom_type.tolist() == ["Point", "Point", "Point", "Polygon"]
    assert found.notes == ("dwellings: 1 shapes dropped that are not MultiPolygon, Point, Polygon",)


def test_areas_stand_for_roads_and_ramps(tmp_path: Path) -> None:
    save(tmp_path / "a.gpkg", [HOUSE])
    found = read(tmp_path, 'roads = "a.gpkg"\naccess = "a.gpkg"')
    assert found.vectors["roads"].area.tolist() == pytest.approx([HOUSE.area])
    assert HOUSE.contains(found.vectors["access"].geometry[0])
    assert found.notes == ("access: 1 areas taken as a point inside them",)


def test_heights_of_points_are_left_out(tmp_path: Path) -> None:
    save(tmp_path / "h.gpkg", [Point(WEST, SOUTH, 99.0)])
    assert not read(tmp_path, 'dwellings = "h.gpkg"').vectors["dwellings"].has_z.any()


def test_attributes_that_make_no_sense_are_unknown_and_counted(tmp_path: Path) -> None:
    save(
        tmp_path / "r.gpkg",
        [ROAD] * 5,
        width_m=["4", "about 6", "-1", "", None],
        surface=["gravel", None, " ", "paved", "paved"],
        name=["A", "B", "C", "D", None],
        lanes=[1, 2, 3, 4, 5],
    )
    found = read(tmp_path, 'roads = "r.gpkg"')
    roads = found.vectors["roads"]
    assert roads["width_m"].fillna(-9).tolist() == [4, -9, -9, -9, -9]
    assert roads["surface"].tolist()[:1] == ["gravel"]
    assert roads["surface"].isna().tolist() == [False, True, True, False, False]
    assert list(roads.columns) == ["name", "class", "width_m", "surface", "geometry"]
    assert found.notes[0].startswith("roads: ")
    assert "values of 'width_m' make no sense" in found.notes[0]


def test_only_open_counts_as_open(tmp_path: Path) -> None:
    values = ["open", "Open", "yes", None, "closed", "restricted"]
    save(tmp_path / "p.gpkg", [HOUSE] * 6, hunting=values)
    found = read(tmp_path, 'public_land = "p.gpkg"')
    assert found.vectors["public_land"]["hunting"].tolist() == [
        *("open", "open", "unknown", "unknown", "closed", "restricted")
    ]
    assert found.notes == (
        "public_land: 1 values of 'hunting' make no sense and are taken as unknown",
    )
    save(tmp_path / "q.gpkg", [HOUSE])
    silent = read(tmp_path, 'public_land = "q.gpkg"').vectors["public_land"]
    assert silent["hunting"].tolist() == ["unknown"]


def test_dates_and_flags_come_as_text(tmp_path: Path) -> None:
    days = pd.to_datetime(["2026-11-01", None])
    save(tmp_path / "c.gpkg", [HOUSE, HOUSE], **{"from": days, "reason": ["nesting", None]})
    closed = read(tmp_path, 'closed_areas = "c.gpkg"').vectors["closed_areas"]
    assert closed["from"][0].startswith("2026-11-01")
    assert closed["from"].isna().tolist() == [False, True]


def test_a_layer_without_features_counts_as_not_given(tmp_path: Path) -> None:
    """It may be a failed export, and missing is never the same as clear."""
    geojson(tmp_path / "h.geojson")
    gpd.GeoDataFrame({"kind": []}, geometry=[], crs=UTM17).to_file(tmp_path / "r.gpkg")
    found = read(tmp_path, 'dwellings = "h.geojson"\nroads = "r.gpkg"')
    assert not found.vectors
    assert set(found.notes) == {
        f"{role}: the layer holds no features and counts as not given"
        for role in ("dwellings", "roads")
    }


def test_a_full_layer_with_nothing_near_is_a_layer(tmp_path: Path) -> None:
    far = [Point(WEST - 9000, SOUTH - 9000), Point(WEST + 9000, NORTH + 9000)]
    save(tmp_path / "h.gpkg", far)
    assert read(tmp_path, 'dwellings = "h.gpkg"').vectors["dwellings"].empty


# Large files


@pytest.mark.parametrize("name", ["h.gpkg", "h.shp", "h.geojson"])
def test_streaming_gives_what_reading_gives(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(5)
    corners = np.column_stack([rng.uniform(-4000, 4000, 300), rng.uniform(-4000, 4000, 300)])
    houses = [at(box(x, y, x + 10, y + 10)) for x, y in corners] + [at(BOW_TIE)]
    frame = gpd.GeoDataFrame(
        {"kind": [*("house", "barn", None) * 100, "shed"]}, geometry=houses, crs=UTM17
    )
    frame.to_crs(4326 if name.endswith("json") else UTM17).to_file(tmp_path / name)
    for where in ("", "kind = 'barn'"):
        given = (
            f'dwellings = {{ path = "{name}", where = "{where}" }}'
            if where
            else f'dwellings = "{name}"'
        )
        monkeypatch.setattr(vectors, "STREAM_ABOVE", 1000)
        whole = read(tmp_path, given)
        monkeypatch.setattr(vectors, "STREAM_ABOVE", 10)
        streamed = read(tmp_path, given)
        assert 10 < len(whole.vectors["dwellings"]) < 301
        assert_geodataframe_equal(
            streamed.vectors["dwellings"], whole.vectors["dwellings"], check_dtype=False
        )
        assert streamed.notes == whole.notes


# Vectors that are refused


def test_all_missing_files_are_named_at_once(tmp_path: Path) -> None:
    text = refused(tmp_path, 'roads = "r.gpkg"\ncanopy = "c.tif"', kind=PlaceError)
    assert "roads = 'r.gpkg', canopy = 'c.tif'" in text
    assert "the folder that holds this file" in text


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
@pytest.mark.parametrize("name", ["h.shp", "h.gpkg"])
def test_vectors_without_crs(tmp_path: Path, name: str) -> None:
    save(tmp_path / name, [HOUSE], crs=None)
    text = refused(tmp_path, f'dwellings = "{name}"', kind=CrsError)
    assert "no coordinate reference system" in text
    assert "never guesses" in text


def test_vectors_elsewhere(tmp_path: Path) -> None:
    save(tmp_path / "h.gpkg", [Point(WEST + 50_000, NORTH)])
    text = refused(tmp_path, 'dwellings = "h.gpkg"')
    assert "does not overlap the photo" in text
    assert "Check its coordinate reference system" in text


def test_swapped_longitude_and_latitude(tmp_path: Path) -> None:
    geojson(tmp_path / "h.geojson", {"type": "Point", "coordinates": [37.9465, -81.0]})
    text = refused(tmp_path, 'dwellings = "h.geojson"')
    assert "coordinates look swapped" in text
    assert "Write longitude, then latitude" in text


def test_several_layers_need_a_name(tmp_path: Path) -> None:
    for name in ("houses", "streets"):
        save(tmp_path / "v.gpkg", [HOUSE], layer=name)
    text = refused(tmp_path, 'dwellings = "v.gpkg"')
    assert "holds several layers: houses, streets" in text
    assert 'dwellings = { path = "v.gpkg", layer = "…" }' in text
    text = refused(tmp_path, 'dwellings = { path = "v.gpkg", layer = "homes" }')
    assert "has no layer 'homes'; it holds houses, streets" in text
    found = read(tmp_path, 'dwellings = { path = "v.gpkg", layer = "houses" }')
    assert len(found.vectors["dwellings"]) == 1


def test_shapes_of_the_wrong_kind_alone(tmp_path: Path) -> None:
    """A road layer given as houses must not make the place look free of houses."""
    save(tmp_path / "r.gpkg", [ROAD])
    text = refused(tmp_path, 'dwellings = "r.gpkg"')
    assert "none of its 1 features near the photo can be used" in text
    assert "right file and layer" in text


@pytest.mark.parametrize("where", ["kind = 'castle'", "colour = 'red'", "kind = = 3"])
@pytest.mark.parametrize("stream_above", [0, 1000])
def test_filters_that_select_nothing(
    tmp_path: Path, where: str, stream_above: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(vectors, "STREAM_ABOVE", stream_above)
    save(tmp_path / "h.gpkg", [HOUSE], kind=["house"])
    text = refused(tmp_path, f'dwellings = {{ path = "h.gpkg", where = "{where}" }}')
    assert f"where = '{where}'" in text


def test_files_that_are_no_vectors(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("a list of houses")
    assert "cannot be read as vectors" in refused(tmp_path, 'dwellings = "a.txt"')
    assert "cannot be read as vectors" in refused(tmp_path, 'dwellings = "photo.tif"')
    (tmp_path / "a.csv").write_text("name,kind\nMill,house\n")
    assert "holds no shapes" in refused(tmp_path, 'dwellings = "a.csv"')
    (tmp_path / "cut.geojson").write_text('{"type": "FeatureCollection", "features": [{"ty')
    assert "cannot be read as vectors" in refused(tmp_path, 'dwellings = "cut.geojson"')
    (tmp_path / "houses").mkdir()
    save(tmp_path / "houses" / "h.shp", [HOUSE])
    assert "is a folder, not a file" in refused(tmp_path, 'dwellings = "houses"')


@pytest.mark.parametrize("keep", [0.001, 0.3, 0.9])
def test_a_geopackage_cut_short(tmp_path: Path, keep: float) -> None:
    save(tmp_path / "h.gpkg", [at(box(i, i, i + 5, i + 5)) for i in range(500)])
    data = (tmp_path / "h.gpkg").read_bytes()
    (tmp_path / "h.gpkg").write_bytes(data[: int(len(data) * keep)])
    assert "cannot be read" in refused(tmp_path, 'dwellings = "h.gpkg"')


# Rasters, and the photo, through a place


@pytest.mark.filterwarnings("ignore:The given matrix is equal")
def test_rasters_elsewhere(tmp_path: Path) -> None:
    write_photo(tmp_path / "c.tif", scene()[:1], transform=Affine(1, 0, 0, 0, -1, 0))
    text = refused(tmp_path, 'canopy = "c.tif"', kind=RasterError)
    assert "does not overlap the photo" in text
    write_photo(tmp_path / "d.tif", scene()[:1], crs=None)
    text = refused(tmp_path, 'ground = "d.tif"', kind=CrsError)
    assert "no coordinate reference system" in text


def test_land_cover_through_its_table(tmp_path: Path) -> None:
    codes = np.where(np.arange(160) < 80, 11, 42)[np.newaxis, np.newaxis].repeat(ROWS, axis=1)
    write_photo(tmp_path / "lc.tif", codes.astype(np.uint8))
    found = read(tmp_path, 'landcover = "lc.tif"', '[classes.landcover]\n11 = "water"\n42 = "tree"')
    assert found.rasters["landcover"].values[0, [0, 159]].tolist() == [Cover.WATER, Cover.TREE]
    assert "[classes.landcover]" in refused(tmp_path, 'landcover = "lc.tif"', kind=PlaceError)


def test_the_crs_and_area_of_the_place(tmp_path: Path) -> None:
    found = read(tmp_path, "", '[place]\ncrs = "EPSG:26917"\narea = [-81.0, 37.9, -80.9995, 38.0]')
    assert found.crs == CRS.from_epsg(26917)
    assert found.grid.shape[1] < 60


# PLACE.toml itself


def toml(folder: Path, text: str) -> str:
    path = folder / "place.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlaceError) as caught:
        read_place_file(path)
    assert str(caught.value).startswith(f"{path}: ")
    return str(caught.value)


GOOD = 'title = "t"\n[layers]\nimagery = "a.tif"\n'


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (GOOD + "[imagry]\nx = 1\n", "unknown key 'imagry' (the nearest known one is 'imagery')"),
        (GOOD + 'dwelings = "x"\n', "'layers.dwelings' (the nearest known one is 'dwellings')"),
        (
            GOOD + 'roads = { path = "x", laier = "y" }\n',
            "'layers.roads.laier' (the nearest known one is 'layer')",
        ),
        (GOOD + "[gear]\ndecoy = 3\n", "'gear.decoy' (the nearest known one is 'decoys')"),
        (
            GOOD + "[assume.complete]\ndwelling = true\n",
            "'assume.complete.dwelling' (the nearest known one is 'dwellings')",
        ),
        (
            GOOD + '[classes.landcovers]\n1 = "water"\n',
            "'classes.landcovers' (the nearest known one is 'landcover')",
        ),
        (GOOD + "roads = 3\n", "'layers.roads': must be a path, or {path"),
        (GOOD + 'roads = { layer = "y" }\n', "the key 'layers.roads.path' is required"),
        ('title = "t"\nlayers = "a.tif"\n', "'layers': must be a table (got 'a.tif')"),
        ("", "the key 'title' is required; the key 'layers' is required"),
        (GOOD + "[imagery]\nfinest_m = 0\n", "'imagery.finest_m': must be greater than 0 (got 0)"),
        (GOOD + "[imagery]\nfinest_m = inf\n", "must be a finite number (got inf)"),
        (GOOD + '[imagery]\nbands = ["red", "grean"]\n', "(got 'grean')"),
        (GOOD + '[imagery]\nbands = "rgbn"\n', "'imagery.bands': must be a list (got 'rgbn')"),
        (GOOD + '[imagery]\ntaken = "July"\n', "must be an ISO 8601 date or time (got 'July')"),
        (GOOD + '[assume]\ncanopy_height_m = "tall"\n', "must be a valid number (got 'tall')"),
        (GOOD + '[assume]\nleaf_off = "maybe"\n', "must be true or false (got 'maybe')"),
        (
            GOOD + "[assume.position_error_m]\nroads = -1\n",
            "must be greater than or equal to 0 (got -1)",
        ),
        (GOOD + "[place]\narea = [2, 1, 1, 2]\n", "west, south, east, north in degrees (got [2, 1"),
        (GOOD + "[place]\narea = [1, 2]\n", "'place.area' holds too few values"),
        (GOOD + '[place]\nzone = "America/Chicagoo"\n', "no such time zone"),
        (GOOD + '[place]\ncrs = "EPSG:4326"\n', "not projected in metres; write for example EPSG:"),
        (GOOD + '[place]\ncrs = "UTM"\n', "no such CRS; write for example EPSG:32617 (got 'UTM')"),
        ("title = ", "is not TOML: "),
        (GOOD + 'title = "again"\n', "unknown key 'layers.title'"),
    ],
)
def test_every_fault_of_the_file_is_told_in_plain_words(
    tmp_path: Path, text: str, words: str
) -> None:
    assert words in toml(tmp_path, text)


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    told = toml(tmp_path, GOOD + 'rods = "x"\n[gear]\ndecoys = 500\n[place]\nzone = "Mars/Base"\n')
    assert [k in told for k in ("layers.rods", "gear.decoys", "place.zone")] == [True] * 3


def test_files_that_are_no_place(tmp_path: Path) -> None:
    for path, words in (
        (tmp_path / "none.toml", "no such file"),
        (tmp_path, "is a folder, not a TOML file"),
        (write_photo(tmp_path / "photo.tif"), "is not TOML"),
    ):
        with pytest.raises(PlaceError, match=words):
            read_place(path)


def test_dates_of_the_photo(tmp_path: Path) -> None:
    for written, kept in (
        ("2014-07-20", "2014-07-20"),
        ("2014-07-20T10:30:00", "2014-07-20T10:30:00"),
        ('"2014-07-20"', "2014-07-20"),
    ):
        path = tmp_path / "place.toml"
        path.write_text(GOOD + f"[imagery]\ntaken = {written}\n")
        assert read_place_file(path).imagery.taken == kept


def test_another_programs_proj_data_is_found_out(tmp_path: Path) -> None:
    path = write_place(tmp_path)
    (tmp_path / "foreign").mkdir()
    code = (
        "import sys; from sitegeo.places.place import read_place\n"
        "from sitegeo.errors import SitegeoError\n"
        "try: read_place(sys.argv[1])\n"
        "except SitegeoError as error: print(error)"
    )
    env = {**os.environ, "PROJ_DATA": str(tmp_path / "foreign"), "PYTHONPATH": ":".join(sys.path)}
    told = subprocess.run(
        [sys.executable, "-c", code, str(path)], env=env, capture_output=True, text=True, check=True
    ).stdout
    assert f"PROJ_DATA={tmp_path / 'foreign'}" in told
    assert "Unset PROJ_DATA and run again" in told


# Real places


def real(folder: Path, given: str, rest: str = "") -> Place:
    path = folder / "place.toml"
    path.write_text(f'title = "Real"\n[layers]\n{given}\n{rest}\n')
    found = read_place(path)
    for name, frame in found.vectors.items():
        contracts.check(frame, contracts.contract(name))
    return found


def test_a_photo_alone(places: Path, tmp_path: Path) -> None:
    found = real(tmp_path, f'imagery = "{places}/reservoir-va/imagery.tif"')
    assert not found.vectors
    assert not found.rasters
    assert (found.crs, found.grid.pixel_m) == (CRS.from_epsg(26917), 1.0)


def test_potholes(places: Path, tmp_path: Path) -> None:
    found = real(tmp_path, f'imagery = "{places}/potholes-nd/imagery_20140720.tif"')
    assert found.grid.pixel_m == 5.0
    assert found.imagery.bands == ("red", "green", "blue", "nir")


def test_a_lake_shore_with_heights(places: Path, tmp_path: Path) -> None:
    shore = places / "lakeshore-zurich"
    found = real(
        tmp_path,
        f'imagery = "{shore}/ortho_rgb_050cm.tif"\ncanopy = "{shore}/vegheight_1m.tif"\n'
        f'ground = "{shore}/dtm_1m.tif"\nsurface = "{shore}/dsm_1m.tif"',
    )
    assert set(found.rasters) == {"canopy", "ground", "surface"}
    assert all(r.grid == found.grid for r in found.rasters.values())
    assert found.rasters["surface"].mask.mean() < 0.5 < found.rasters["ground"].mask.mean()


def test_ponds_with_labels(places: Path, tmp_path: Path) -> None:
    ponds = places / "ponds-md"
    found = real(
        tmp_path,
        f'imagery = "{ponds}/imagery.tif"\nlandcover = "{ponds}/landcover.tif"\n'
        f'water = {{ path = "{ponds}/truth.gpkg", layer = "water" }}\n'
        f'roads = {{ path = "{ponds}/truth.gpkg", layer = "road" }}',
        '[classes.landcover]\n1 = "water"\n2 = "tree"\n3 = "low"\n4 = "open"\n5 = "built"\n'
        '6 = "built"',
    )
    water = found.vectors["mapped_water"].area.sum()
    assert water == pytest.approx(37_300, abs=100)  # the README of the data says 3.73 ha
    mapped = (found.rasters["landcover"].values == Cover.WATER).sum()
    assert mapped == pytest.approx(water, rel=0.001)


def test_a_river_town_from_open_street_map(places: Path, tmp_path: Path) -> None:
    """Its vectors around a photo of our own: 4326 to UTM 33, hundreds of houses and roads."""
    write_photo(
        tmp_path / "photo.tif", crs="EPSG:32633", transform=Affine(1, 0, 547_800, 0, -1, 5_361_500)
    )
    file = tmp_path / "layers.gpkg"
    shutil.copy(places / "danube-krems" / "layers.gpkg", file)
    found = real(
        tmp_path,
        f'imagery = "photo.tif"\nwater = "{file}"\nroads = "{file}"\n'
        'dwellings = { path = "layers.gpkg", layer = "buildings", where = "building IS NOT NULL"'
        " }\n"
        'public_land = { path = "layers.gpkg", layer = "protected" }',
    )
    assert found.crs == CRS.from_epsg(32633)
    assert len(found.vectors["dwellings"]) > 300
    assert len(found.vectors["roads"]) > 300
    assert found.vectors["mapped_water"].area.max() > 50_000
    assert set(found.vectors["public_land"]["hunting"]) == {"unknown"}


def test_a_house_drawn_as_its_outline_is_a_house(tmp_path: Path) -> None:
    square = shapely.box(0, 0, 12, 8)
    frame = gpd.GeoDataFrame(
        {"kind": ["house", "fence"]},
        geometry=[
            shapely.LineString(square.exterior.coords),
            shapely.LineString([(20, 0), (30, 5)]),
        ],
        crs=32617,
    )
    found, notes = conform_to_contract(frame, contracts.CONTRACTS["dwellings"])
    assert list(found["kind"]) == ["house"]
    assert found.geometry.iloc[0].equals(square)
    assert any("1 closed lines" in n for n in notes)
    assert any("dropped" in n for n in notes)


def test_credits_are_kept_and_worded(tmp_path: Path) -> None:
    credit = (
        '[[credit]]\nlayers = ["roads", "public_land"]\nsource = "Map"\n'
        'attribution = "© Map makers"\nlicence = "ODbL 1.0"\ngathered = 2026-11-01\n'
    )
    (found,) = read_place(write_place(tmp_path, rest=credit)).credits
    assert found.words == "roads, public land: © Map makers (ODbL 1.0)"
    assert found.gathered == "2026-11-01"


def test_a_credit_without_its_licence_is_refused(tmp_path: Path) -> None:
    credit = '[[credit]]\nlayers = ["roads"]\nsource = "Map"\nattribution = "© Map makers"\n'
    with pytest.raises(PlaceError, match="licence"):
        read_place(write_place(tmp_path, rest=credit))
