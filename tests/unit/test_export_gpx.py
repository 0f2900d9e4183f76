"""GPX held to the GPX 1.1 schema (Topografix, http://www.topografix.com/GPX/1/1/gpx.xsd).

The orders below are the sequences of the schema's complex types, and the ranges its simple types
latitudeType, longitudeType (180 itself is outside) and degreesType (360 is outside).
"""

from __future__ import annotations

from xml.etree import ElementTree

import geopandas as gpd
import gpxpy
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from sitegeo.errors import LayerError
from sitegeo.export.gpx import gpx_text, short_names

SPACE = "{http://www.topografix.com/GPX/1/1}"
POINT_ORDER = [
    "ele",
    "time",
    "magvar",
    "geoidheight",
    "name",
    "cmt",
    "desc",
    "src",
    "link",
    "sym",
    "type",
    "fix",
    "sat",
    "hdop",
    "vdop",
    "pdop",
    "ageofdgpsdata",
    "dgpsid",
    "extensions",
]
SEQUENCE = {
    "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
    "metadata": [
        "name",
        "desc",
        "author",
        "copyright",
        "link",
        "time",
        "keywords",
        "bounds",
        "extensions",
    ],
    "wpt": POINT_ORDER,
    "rtept": POINT_ORDER,
    "trkpt": POINT_ORDER,
    "rte": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"],
    "trk": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "trkseg"],
    "trkseg": ["trkpt", "extensions"],
}
MANY = {"wpt", "rte", "trk", "rtept", "trkpt", "trkseg", "link"}


def faults(text: str) -> list[str]:
    """What in a document breaks the schema's orders, counts and ranges."""
    root = ElementTree.fromstring(text.encode())
    found = []
    if root.tag != f"{SPACE}gpx" or root.get("version") != "1.1" or not root.get("creator"):
        found.append("root")
    for node in root.iter():
        tag = node.tag.removeprefix(SPACE)
        children = [c.tag.removeprefix(SPACE) for c in node]
        if tag not in SEQUENCE:
            found += [f"{tag} has children"] if children else []
            if tag == "magvar" and not 0 <= float(node.text) < 360:
                found.append(f"magvar {node.text}")
            continue
        if any(c not in SEQUENCE[tag] for c in children):
            found.append(f"{tag} holds {children}")
            continue
        places = [SEQUENCE[tag].index(c) for c in children]
        if places != sorted(places):
            found.append(f"{tag} has the order {children}")
        if any(children.count(c) > 1 for c in set(children) - MANY):
            found.append(f"{tag} repeats {children}")
        if tag in ("wpt", "rtept", "trkpt"):
            lat, lon = node.get("lat"), node.get("lon")
            if "e" in lat + lon or not (-90 <= float(lat) <= 90 and -180 <= float(lon) < 180):
                found.append(f"{tag} at {lat} {lon}")
    return found


def waypoints(**changes) -> gpd.GeoDataFrame:
    x, y = 420_310.0, 5_100_205.0
    columns = {
        "role": ["group", "hide", "pocket", "group"],
        "name": ["MASS of the upwind end", "HIDE", "pocket", "MASS of the upwind"],
        "order": [3, 1, 2, 4],
        "note": ["27 dark & white <all>", None, "leave open", ""],
        "magnetic_variation_deg": [-12.5, -12.5, np.nan, 0.0],
        "range_yd": [22.0, np.nan, 17.2, 20.0],
        "bearing_true": [40.2, np.nan, 359.8, 10.0],
        "bearing_magnetic": [52.7, np.nan, np.nan, 10.0],
    } | changes
    ring = Polygon([(x, y), (x, y + 9), (x + 9, y + 9)])
    return gpd.GeoDataFrame(
        columns,
        geometry=[Point(x + 20, y + 20), Point(x, y), ring, Point(x + 25, y + 9)],
        crs=26915,
    )


def test_a_plan_keeps_the_schema():
    walk = gpd.GeoDataFrame(
        geometry=[LineString([(420_200, 5_100_100), (420_310, 5_100_205)])], crs=26915
    )
    assert faults(gpx_text(waypoints(), title="Reed Pond <1>", route=walk)) == []


def test_the_check_sees_what_it_should():
    text = gpx_text(waypoints(), title="t")
    swapped = text.replace("<magvar>347.5</magvar>", "").replace(
        "</cmt>", "</cmt><magvar>360</magvar>"
    )
    assert len(faults(swapped)) >= 2


def test_an_independent_reader_finds_the_plan():
    rows = waypoints()
    walk = gpd.GeoDataFrame(
        {"name": ["RAMP", "HIDE"]},
        geometry=[Point(420_200, 5_100_100), Point(420_310, 5_100_205)],
        crs=26915,
    )
    read = gpxpy.parse(gpx_text(rows, title="Reed Pond", route=walk))
    assert read.name == "Reed Pond"
    assert [w.name for w in read.waypoints] == ["HIDE", "MASS of th", "MASS of t2"]
    assert read.waypoints[1].description == "27 dark & white <all>"
    assert read.waypoints[1].comment == "22 yd, 040 deg true, 053 deg magnetic"
    # A west declination of 12.5 is written 347.5: degreesType begins at 0.
    assert [w.magnetic_variation for w in read.waypoints] == [347.5, 347.5, 0.0]
    assert [p.name for p in read.routes[0].points] == ["RAMP", "HIDE"]
    ring = read.tracks[0].segments[0].points
    assert (ring[0].latitude, ring[0].longitude) == (ring[-1].latitude, ring[-1].longitude)
    assert read.tracks[0].comment == "17 yd, 000 deg true"
    places = gpd.GeoSeries([Point(w.longitude, w.latitude) for w in read.waypoints], crs=4326)
    wanted = rows[rows.geom_type == "Point"].sort_values("order").geometry.reset_index(drop=True)
    assert places.to_crs(26915).distance(wanted).max() < 0.1


def test_no_time_and_the_same_bytes():
    assert gpx_text(waypoints(), title="t") == gpx_text(waypoints(), title="t")
    assert "<time>" not in gpx_text(waypoints(), title="t")


def test_a_plan_without_variation_or_bearings():
    bare = waypoints()[["name", "order", "geometry"]]
    text = gpx_text(bare, title="t")
    assert faults(text) == []
    assert "magvar" not in text


@given(lon=st.floats(-180, 180), lat=st.floats(-85, 85), variation=st.floats(-180, 180))
def test_ranges_hold_everywhere(lon, lat, variation):
    one = gpd.GeoDataFrame(
        {"name": ["x"], "order": [1], "magnetic_variation_deg": [variation]},
        geometry=[Point(lon, lat)], crs=4326,
    )  # fmt: skip
    assert faults(gpx_text(one, title="t")) == []


@pytest.mark.parametrize(("lon", "written"), [(180.0, -180.0), (-180.0, -180.0), (1e-6, 1e-6)])
def test_the_edge_of_the_longitudes(lon, written):
    one = gpd.GeoDataFrame({"name": ["x"], "order": [1]}, geometry=[Point(lon, 52.0)], crs=4326)
    text = gpx_text(one, title="t")
    assert faults(text) == []
    assert gpxpy.parse(text).waypoints[0].longitude == written


@given(st.lists(st.text(max_size=20), max_size=40))
def test_short_names_are_ascii_short_and_unique(names):
    short = short_names(names)
    assert len(short) == len(names)
    assert len({s.upper() for s in short}) == len(names)
    assert all(1 <= len(s) <= 10 and s.isascii() and s.isprintable() for s in short)
    assert short_names(short) == short


def test_short_names_stay_readable():
    assert short_names(["HIDE", "Père Noël", "MASS", "MASS", "鴨"]) == [
        "HIDE", "Pere Noel", "MASS", "MASS2", "WP5",
    ]  # fmt: skip


@given(st.text(max_size=40))
def test_hostile_text_stays_text(note):
    rows = waypoints(note=[note] * 4)
    text = gpx_text(rows, title=note)
    assert faults(text) == []
    xml = text.encode()  # and nothing that cannot be encoded
    assert xml.startswith(b"<?xml")


def test_missing_columns_are_named():
    with pytest.raises(LayerError, match="column 'order' is missing"):
        gpx_text(waypoints().drop(columns="order"), title="t")


def test_a_route_of_something_else_is_refused():
    rows = waypoints()
    with pytest.raises(LayerError, match="points in order or a single line"):
        gpx_text(rows, title="t", route=pd.concat([rows, rows]))
