"""OpenStreetMap's objects sorted into layers; packed downloads opened with care."""

from __future__ import annotations

import gzip
import stat
import zipfile
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from sitegeo.errors import GatherError
from sitegeo.gather.download import MAX_ZIP_FILES, unpack_zip
from sitegeo.gather.osm import layers_of_area, layers_of_node, layers_of_way, read_osm
from sitegeo.gather.overpass import OverpassOptions, overpass_query
from sitegeo.law.features import PAVEMENT_M, building_targets, plain_word

WORLD = (-180.0, -85.0, 180.0, 85.0)


def counts(layer: gpd.GeoDataFrame) -> dict[str, int]:
    return {str(k): int(n) for k, n in layer.geom_type.value_counts().items()}


def test_a_town_by_the_counts_of_its_readme(places: Path) -> None:
    """danube-krems: 36 waters, 1,195 buildings, 836 roads; its two riverbanks stand there among
    the waterways. Beside them one building and one square of road are mapped otherwise."""
    path = places / "danube-krems" / "krems.osm.gz"
    layers = read_osm(path, WORLD, where=path).layers
    water, roads, dwellings = (layers[n] for n in ("water", "roads", "dwellings"))
    assert isinstance(water, gpd.GeoDataFrame)
    assert isinstance(roads, gpd.GeoDataFrame)
    assert isinstance(dwellings, gpd.GeoDataFrame)
    assert int((water["kind"] != "riverbank").sum()) == 36
    assert int((water["kind"] == "riverbank").sum()) == 2
    assert counts(dwellings) == {"MultiPolygon": 1195, "Point": 1}
    assert counts(roads) == {"LineString": 836, "MultiPolygon": 1}
    by_class = roads[roads.geom_type == "LineString"]["class"].value_counts().to_dict()
    given = gpd.read_file(places / "danube-krems" / "layers.gpkg", layer="roads")
    assert by_class == given["highway"].value_counts().to_dict()
    given = gpd.read_file(places / "danube-krems" / "layers.gpkg", layer="buildings")
    drawn = dwellings[dwellings.geom_type == "MultiPolygon"]
    assert drawn["kind"].str.partition(";")[0].value_counts().to_dict() == (
        given["building"].value_counts().to_dict()
    )
    gaps = shapely.STRtree(given.geometry.to_numpy()).query_nearest(
        drawn.geometry.to_numpy(), return_distance=True
    )[1]
    assert gaps.max() == 0


def test_an_extract_by_the_counts_of_its_readme(places: Path) -> None:
    """nashua-nh: water 14, buildings 311, roads 83."""
    path = places / "danube-krems" / "nashua-nh.osm.pbf"
    layers = read_osm(path, WORLD, where=path).layers
    found = {n: len(layers[n]) for n in ("water", "dwellings", "roads")}  # type: ignore[arg-type]
    assert found == {"water": 14, "dwellings": 311, "roads": 83}
    small = (-71.43, 42.79, -71.42, 42.80)
    near = read_osm(path, small, where=path).layers["dwellings"]
    assert isinstance(near, gpd.GeoDataFrame)
    box = shapely.box(*small)
    assert 0 < len(near) < 311
    assert near.intersects(box).all()


def test_an_extract_that_is_cut_short(places: Path, tmp_path: Path) -> None:
    whole = gzip.decompress((places / "danube-krems" / "krems.osm.gz").read_bytes())
    packed = (places / "danube-krems" / "nashua-nh.osm.pbf").read_bytes()
    for name, data in (("cut.osm", whole[:200_000]), ("cut.osm.pbf", packed[:20_000])):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(GatherError, match="cannot be read as OpenStreetMap data"):
            read_osm(tmp_path / name, WORLD, where=name)
    with pytest.raises(GatherError, match="no such file"):
        read_osm(tmp_path / "none.osm", WORLD, where="x")


OPEN_HOUSE = b"""<?xml version="1.0"?><osm version="0.6">
<node id="1" lat="0.001" lon="0.001"/><node id="2" lat="0.001" lon="0.002"/>
<node id="3" lat="0.002" lon="0.002"/>
<way id="1"><nd ref="1"/><nd ref="2"/><nd ref="3"/><tag k="building" v="house"/></way>
<way id="2"><nd ref="1"/><nd ref="9"/><nd ref="3"/><nd ref="1"/><tag k="building" v="yes"/></way>
<way id="3"><nd ref="1"/><nd ref="9"/><nd ref="3"/><tag k="highway" v="track"/></way>
</osm>"""


def test_a_house_whose_outline_does_not_close_is_still_a_house() -> None:
    """Node 9 is missing, as at the edge of an extract."""
    found = read_osm(OPEN_HOUSE, WORLD, where="x")
    houses, roads = found.layers["dwellings"], found.layers["roads"]
    assert isinstance(houses, gpd.GeoDataFrame)
    assert isinstance(roads, gpd.GeoDataFrame)
    assert sorted(houses["kind"]) == ["house", "yes"]
    assert len(roads.geometry.iloc[0].coords) == 2
    assert found.notes == ("2 dwellings with parts missing were drawn from what is there",)


@pytest.mark.parametrize(
    ("tags", "layer", "column", "word"),
    [
        ({"building": "yes"}, "dwellings", "kind", "yes"),
        ({"building": "school", "amenity": "school"}, "dwellings", "kind", "school;school"),
        ({"building": "yes", "amenity": "bar"}, "dwellings", "kind", "yes"),
        ({"natural": "water", "water": "pond"}, "water", "kind", "pond"),
        ({"landuse": "reservoir"}, "water", "kind", "reservoir"),
        ({"waterway": "riverbank"}, "water", "kind", "riverbank"),
        ({"highway": "pedestrian", "area": "yes"}, "roads", "class", "pedestrian"),
        ({"boundary": "national_park"}, "public_land", "hunting", "unknown"),
        ({"leisure": "park", "hunting": "no"}, "public_land", "hunting", "closed"),
        ({"leisure": "park", "hunting": "yes"}, "public_land", "hunting", "unknown"),
        ({"leisure": "nature_reserve", "ownership": "state"}, "public_land", "hunting", "unknown"),
        ({"leisure": "slipway"}, "access", "kind", "ramp"),
        ({"landuse": "forest"}, "landcover", "cover", "tree"),
    ],
)
def test_areas(tags: dict[str, str], layer: str, column: str, word: str) -> None:
    found = dict(layers_of_area(tags))
    assert found[layer][column] == word


@pytest.mark.parametrize(
    "tags",
    [
        {"building": "no"},
        {"building": "razed"},
        {"leisure": "swimming_pool"},
        {"leisure": "nature_reserve"},  # whose it is is not told
        {"boundary": "protected_area", "ownership": "private"},
        {"boundary": "national_park", "access": "private"},
        {"highway": "pedestrian"},
        {},
    ],
)
def test_areas_of_no_layer(tags: dict[str, str]) -> None:
    assert not dict(layers_of_area(tags))


def test_lines_and_points() -> None:
    (road,) = dict(
        layers_of_way({"highway": "track", "width": "3 m", "surface": "gravel"})
    ).values()
    assert road == {"class": "track", "width_m": 3.0, "surface": "gravel", "name": None}
    assert dict(layers_of_way({"highway": "construction"}))["roads"]["class"] == "construction"
    for gone in ("proposed", "razed", "platform"):
        assert not dict(layers_of_way({"highway": gone}))
    assert dict(layers_of_way({"highway": "service", "width": "wide"}))["roads"]["width_m"] is None
    assert dict(layers_of_node({"place": "isolated_dwelling"}))["dwellings"]["kind"] == "house"
    assert dict(layers_of_node({"highway": "trailhead", "name": "N"}))["access"]["name"] == "N"
    assert not dict(layers_of_node({"highway": "traffic_signals"}))


def test_the_words_are_those_the_law_knows() -> None:
    for name in ("trunk_link", "living_street", "bridleway", "unclassified"):
        assert plain_word(name) in PAVEMENT_M
    assert building_targets("house") != building_targets("yes")
    assert "school" in building_targets("school;school")
    assert "dwelling" in building_targets("yes")


def test_the_question_to_overpass() -> None:
    """Order of its bounding box: south, west, north, east (Overpass QL reference)."""
    text = overpass_query((-90.6, 44.1, -90.5, 44.2), OverpassOptions())
    assert "[out:xml]" in text
    assert "[bbox:44.100000,-90.600000,44.200000,-90.500000]" in text
    assert 'nwr["building"];' in text
    assert text.endswith("(._;>;);out body;")


# Packed downloads


def packed(path: Path, names: dict[str, bytes], **attributes: int) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in names.items():
            info = zipfile.ZipInfo(name)
            info.external_attr = attributes.get("external_attr", 0)
            info.compress_type = zipfile.ZIP_DEFLATED
            file.writestr(info, data)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "../../evil.gpkg",
        "/etc/evil.gpkg",
        "a/../../evil.gpkg",
        "..\\evil.gpkg",
        "a\\..\\..\\e.gpkg",
    ],
)
def test_a_name_that_leads_out_of_the_zip_is_refused(tmp_path: Path, name: str) -> None:
    into = tmp_path / "deep" / "into"
    into.mkdir(parents=True)
    archive = packed(tmp_path / "a.zip", {"fine.geojson": b"{}", name: b"x"})
    with pytest.raises(GatherError, match="leads out of it"):
        unpack_zip(archive, into, where="x")
    assert not list(tmp_path.rglob("*evil*"))


def test_a_link_in_a_zip_is_refused(tmp_path: Path) -> None:
    link = (stat.S_IFLNK | 0o777) << 16
    archive = packed(tmp_path / "a.zip", {"a.gpkg": b"/etc/passwd"}, external_attr=link)
    with pytest.raises(GatherError, match="leads out of it"):
        unpack_zip(archive, tmp_path, where="x")


def test_zips_that_hold_too_much_or_are_damaged(tmp_path: Path) -> None:
    many = packed(tmp_path / "many.zip", {f"{n}.gpkg": b"" for n in range(MAX_ZIP_FILES + 1)})
    with pytest.raises(GatherError, match=f"holds {MAX_ZIP_FILES + 1} files"):
        unpack_zip(many, tmp_path, where="x")
    data = bytearray(packed(tmp_path / "big.zip", {"a.gpkg": b"\0" * 1_000_000}).read_bytes())
    size = (1_000_000).to_bytes(4, "little")
    lying = bytes(data).replace(size, (600_000_000).to_bytes(4, "little"))
    (tmp_path / "big.zip").write_bytes(lying)
    with pytest.raises(GatherError, match="holds too much"):
        unpack_zip(tmp_path / "big.zip", tmp_path, where="x")
    small = bytes(data).replace(size, (10).to_bytes(4, "little"))
    (tmp_path / "small.zip").write_bytes(small)
    with pytest.raises(GatherError, match="is not a zip that can be unpacked"):
        unpack_zip(tmp_path / "small.zip", tmp_path, where="x")
    (tmp_path / "cut.zip").write_bytes(bytes(data[:200]))
    with pytest.raises(GatherError, match="is not a zip that can be unpacked"):
        unpack_zip(tmp_path / "cut.zip", tmp_path, where="x")


def test_only_map_files_are_written_flat(tmp_path: Path) -> None:
    into = tmp_path / "into"
    into.mkdir()
    held = {"a/b/c.shp": b"1", "a/b/c.dbf": b"2", "a/run.exe": b"3", "readme.txt": b"4"}
    files = unpack_zip(packed(tmp_path / "a.zip", held), into, where="x")
    assert sorted(f.name for f in files) == ["c.dbf", "c.shp"]
    assert sorted(p.name for p in into.iterdir()) == ["c.dbf", "c.shp"]
