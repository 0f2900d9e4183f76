"""GeoJSON held to RFC 7946 (The GeoJSON Format, 2016)."""

from __future__ import annotations

import json
import re

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon, box

from sitegeo.errors import CrsError
from sitegeo.export import geojson

CRS = "EPSG:26915"
X, Y = 420_310.0, 5_100_205.0


def frame(*shapes, **columns):
    return gpd.GeoDataFrame(columns, geometry=list(shapes), crs=CRS)


def signed_area(ring):
    (x, y) = np.array(ring).T
    return 0.5 * float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


@pytest.mark.parametrize("clockwise", [True, False])
def test_rings_follow_the_right_hand_rule(clockwise):
    """Section 3.1.6: exterior rings counterclockwise, holes clockwise."""
    shape = box(X, Y, X + 60, Y + 60).difference(box(X + 20, Y + 20, X + 30, Y + 30))
    given_shape = shapely.orient_polygons(shape, exterior_cw=clockwise)
    both = frame(given_shape, shapely.MultiPolygon([given_shape]))
    one, many = (f["geometry"] for f in geojson.feature_collection(both)["features"])
    for outer, hole in (one["coordinates"], many["coordinates"][0]):
        assert signed_area(outer) > 0 > signed_area(hole)
        assert outer[0] == outer[-1]


def test_positions_are_longitude_then_latitude_without_a_crs_member():
    """Section 4: WGS 84, longitude first; `crs` was removed from the format (appendix B.1)."""
    made = geojson.feature_collection(frame(Point(X, Y)))
    assert set(made) == {"type", "features"}
    lon, lat = made["features"][0]["geometry"]["coordinates"]
    to_wgs84 = pyproj.Transformer.from_crs(CRS, 4326, always_xy=True)
    assert (lon, lat) == pytest.approx(to_wgs84.transform(X, Y), abs=5.1e-8)
    assert -95 < lon < -93
    assert 46 < lat < 47


def test_seven_decimals_and_two_dimensions(tmp_path):
    """Section 11.2 asks for no more digits than mean something; altitude is left out."""
    path = tmp_path / "plan.geojson"
    geojson.write(
        frame(Point(X + 1 / 3, Y + 1 / 7, 12.0), Polygon([(X, Y), (X + 9, Y), (X, Y + 9)])), path
    )
    numbers = re.findall(r"-?\d+\.(\d+)", path.read_text())
    assert numbers
    assert max(map(len, numbers)) == 7
    assert len(json.loads(path.read_text())["features"][0]["geometry"]["coordinates"]) == 2


@given(east=st.floats(-3000, 3000), north=st.floats(-3000, 3000), width=st.floats(2, 400))
def test_round_trip_within_a_tenth_of_a_metre(east, north, width):
    shape = Point(X + east, Y + north).buffer(width)
    made = geojson.feature_collection(frame(shape))["features"][0]["geometry"]
    back = gpd.GeoSeries([shapely.geometry.shape(made)], crs=4326).to_crs(CRS).iloc[0]
    assert shape.hausdorff_distance(back) < 0.1


def test_values_keep_their_kind_and_what_is_missing_is_null():
    rows = frame(
        *[Point(X, Y)] * 3,
        name=["mass", None, "</script>"],
        count=np.array([27, np.nan, 8]),
        range_yd=[17.25, np.nan, np.inf],
        verify=np.array([True, None, False], dtype=object),
        order=[1, 2, 3],
    )
    rows["small"] = rows["count"].astype("Int64")
    made = geojson.feature_collection(rows)["features"]
    assert [f["properties"] for f in made] == [
        {"name": "mass", "count": 27, "range_yd": 17.25, "verify": True, "order": 1, "small": 27},
        {"name": None, "count": None, "range_yd": None, "verify": None, "order": 2, "small": None},
        {
            "name": "</script>",
            "count": 8,
            "range_yd": None,
            "verify": False,
            "order": 3,
            "small": 8,
        },
    ]
    assert [type(f["properties"]["count"]) for f in made[::2]] == [int, int]
    json.dumps(made, allow_nan=False)


def test_a_line_over_the_antimeridian_is_cut_there():
    """Section 3.1.9's own example: 170 E to 170 W at 45 N, as two lines that meet at 180."""
    line = gpd.GeoDataFrame(geometry=[LineString([(170, 45), (-170, 45)])], crs=4326)
    made = geojson.feature_collection(line)["features"][0]["geometry"]
    assert made["type"] == "MultiLineString"
    assert sorted(map(sorted, made["coordinates"])) == [
        [[-180.0, 45.0], [-170.0, 45.0]],
        [[170.0, 45.0], [180.0, 45.0]],
    ]


def test_same_bytes_twice_and_one_feature_a_line(tmp_path):
    rows = frame(Point(X, Y), box(X, Y, X + 5, Y + 5), name=["tête", "b"])
    paths = [tmp_path / "a.geojson", tmp_path / "b.geojson"]
    for path in paths:
        geojson.write(rows, path)
    assert paths[0].read_bytes() == paths[1].read_bytes()
    assert len(paths[0].read_text(encoding="utf-8").splitlines()) == 2 + len(rows)
    again = gpd.read_file(paths[0])
    assert list(again["name"]) == ["tête", "b"]
    assert again.crs == "OGC:CRS84" or again.crs.to_epsg() == 4326


def test_an_empty_frame_is_an_empty_collection(tmp_path):
    geojson.write(frame(Point(X, Y)).iloc[:0], tmp_path / "none.geojson")
    made = json.loads((tmp_path / "none.geojson").read_text())
    assert made == {"type": "FeatureCollection", "features": []}


def test_no_crs_is_an_error():
    with pytest.raises(CrsError, match="without a coordinate reference system"):
        geojson.feature_collection(gpd.GeoDataFrame(geometry=[Point(X, Y)]))
