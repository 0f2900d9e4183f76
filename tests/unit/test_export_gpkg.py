"""GeoPackage: one file, many layers, the same bytes each time, read back by fiona."""

from __future__ import annotations

import hashlib
import sqlite3

import fiona
import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from shapely.geometry import LineString, MultiPolygon, Point, box

from sitegeo.core.store import write_geopackage
from sitegeo.errors import CrsError, LayerError

CRS = "EPSG:26915"
X, Y = 420_310.0, 5_100_205.0


def plan() -> gpd.GeoDataFrame:
    shapes = [Point(X, Y), box(X, Y, X + 5, Y + 5), MultiPolygon([box(X, Y, X + 1, Y + 1)])]
    made = gpd.GeoDataFrame(
        {
            "id": ["a", "b", "c"],
            "note": np.array(["x", None, "y"], dtype=object),
            "verify": np.array([True, None, False], dtype=object),
            "flag": [True, False, True],
            "range_yd": [1.5, np.nan, 3.0],
            "nothing": np.array([None, None, None], dtype=object),
            "cautions": [["cold", "deep"], [], ["x"]],
        },
        geometry=shapes,
        crs=CRS,
    )
    made["count"] = np.array([27, None, 3], dtype=object)
    return made


def roads() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"class": ["paved", None], "from": ["x", "y"], "to": [None, None]},
        geometry=[LineString([(X, Y), (X + 9, Y)])] * 2,
        crs=CRS,
    )


def test_fiona_reads_every_layer_back(tmp_path):
    path = tmp_path / "plan.gpkg"
    write_geopackage(path, {"plan": plan(), "roads": roads(), "none": roads().iloc[:0]})
    assert fiona.listlayers(path) == ["plan", "roads", "none"]
    with fiona.open(path, layer="plan") as layer:
        assert layer.crs.to_epsg() == 26915
        rows = [dict(f["properties"]) for f in layer]
        shapes = [f["geometry"]["type"] for f in layer]
    assert shapes == ["Point", "Polygon", "MultiPolygon"]
    assert rows[0] == {
        "id": "a", "note": "x", "verify": True, "flag": True, "range_yd": 1.5, "nothing": None,
        "cautions": '["cold", "deep"]', "count": 27,
    }  # fmt: skip
    assert [rows[1][k] for k in ("note", "verify", "range_yd", "count", "cautions")] == [
        None, None, None, None, "[]",
    ]  # fmt: skip
    assert rows[2]["verify"] is False
    with fiona.open(path, layer="roads") as layer:
        assert [(r["properties"]["class"], r["properties"]["from"]) for r in layer] == [
            ("paved", "x"), (None, "y"),
        ]  # fmt: skip
        assert layer.schema["geometry"] == "LineString"
    with fiona.open(path, layer="none") as layer:
        assert len(layer) == 0
        assert set(layer.schema["properties"]) == {"class", "from", "to"}


def test_coordinates_come_back_unchanged(tmp_path):
    write_geopackage(tmp_path / "a.gpkg", {"plan": plan()})
    back = gpd.read_file(tmp_path / "a.gpkg", layer="plan")
    assert back.crs == CRS
    assert (back.geometry.to_numpy() == plan().geometry.to_numpy()).all()


def test_it_is_a_geopackage(tmp_path):
    """GeoPackage 1.2 and later (OGC 12-128): application id "GPKG", three required SRS rows."""
    write_geopackage(tmp_path / "a.gpkg", {"plan": plan()})
    with sqlite3.connect(tmp_path / "a.gpkg") as base:
        assert base.execute("pragma application_id").fetchone()[0] == 0x47504B47
        assert base.execute("pragma user_version").fetchone()[0] >= 10200
        known = {row[0] for row in base.execute("select srs_id from gpkg_spatial_ref_sys")}
    assert known >= {-1, 0, 4326, 26915}


def test_same_bytes_twice_and_the_old_file_is_replaced(tmp_path):
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    digests = set()
    for name in ("a.gpkg", "b.gpkg", "a.gpkg"):
        write_geopackage(tmp_path / name, {"plan": plan(), "roads": roads()})
        digests.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(digests) == 1
    write_geopackage(tmp_path / "a.gpkg", {"roads": roads()})
    assert fiona.listlayers(tmp_path / "a.gpkg") == ["roads"]
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == before


def test_the_frame_is_left_alone(tmp_path):
    frame = plan()
    kinds = dict(frame.dtypes)
    write_geopackage(tmp_path / "a.gpkg", {"plan": frame})
    assert dict(frame.dtypes) == kinds


def test_a_frame_without_crs_is_refused_before_anything_is_written(tmp_path):
    bare = gpd.GeoDataFrame(geometry=[Point(X, Y)])
    with pytest.raises(CrsError, match="no coordinate reference system"):
        write_geopackage(tmp_path / "a.gpkg", {"plan": plan(), "bare": bare})
    assert not (tmp_path / "a.gpkg").exists()


def test_a_column_the_format_keeps_is_refused(tmp_path):
    with pytest.raises(LayerError, match="'fid'"):
        write_geopackage(tmp_path / "a.gpkg", {"plan": plan().assign(fid=1)})
