"""KML: valid by the OGC schema, in degrees, text as text, the same bytes."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
import zipfile

import geopandas as gpd
import pandas as pd
import pytest
import shapely
from fastkml import validator
from lxml import etree
from pyproj import Geod

from sitegeo.errors import CrsError
from sitegeo.export.kml import NAMESPACE, kml_text, kmz_bytes

K = f"{{{NAMESPACE}}}"
E0, N0 = 500_000.0, 4_886_000.0
HOSTILE = "<script>]]>&amp;\x00\ud800 é鴨 \"'"


def frame() -> gpd.GeoDataFrame:
    ring = shapely.Point(E0, N0).buffer(9).difference(shapely.Point(E0, N0).buffer(4))
    two = shapely.union_all(
        [shapely.box(E0, N0, E0 + 5, N0 + 5), shapely.box(E0 + 9, N0, E0 + 12, N0 + 5)]
    )
    rows = [
        ("hide", "HIDE", shapely.Point(E0, N0), None, None),
        ("pocket", "POCKET", shapely.Point(E0 + 20, N0).buffer(5), None, 21.9),
        ("group", HOSTILE, ring, 12, 10.0),
        ("decoy", "mass", shapely.Point(E0 + 1, N0), 1, None),
        ("touchdown", "likely 0.50", two, None, 8.0),
        ("route", "in", shapely.LineString([(E0, N0), (E0 + 100, N0 + 50)]), None, None),
        ("strange role", "?", shapely.Point(E0, N0), None, None),
    ]
    return gpd.GeoDataFrame(
        {
            "role": [r[0] for r in rows],
            # As objects: Arrow's strings, where it is installed, hold no lone surrogate.
            "name": pd.Series([r[1] for r in rows], dtype=object),
            "order": range(1, 8),
            "note": pd.Series(["", "leave open", HOSTILE, "", "", "", ""], dtype=object),
            "count": [r[3] for r in rows],
            "range_yd": [r[4] for r in rows],
            "bearing_true": [90.0] * 7,
            "bearing_magnetic": [None] * 7,
        },
        geometry=[r[2] for r in rows],
        crs=32615,
    )


def points() -> gpd.GeoDataFrame:
    kept = frame().iloc[[1, 0]]
    return kept.set_geometry(kept.geometry.centroid).assign(order=[2, 1])


def document() -> ET.Element:
    return ET.fromstring(kml_text(frame(), points(), "Plan & card"))


def test_valid_by_the_schema_of_ogc_kml_22() -> None:
    # fastkml carries the OGC's own ogckml22.xsd.
    tree = etree.parse(io.BytesIO(kml_text(frame(), points(), HOSTILE).encode()))
    assert validator.validate(element=tree) is True
    broken = (
        kml_text(frame(), points(), "x")
        .replace("<styleUrl>", "<colour>")
        .replace("</styleUrl>", "</colour>")
    )
    with pytest.raises(AssertionError):
        validator.validate(element=etree.parse(io.BytesIO(broken.encode())))


def test_folders_by_role_waypoints_first_in_order() -> None:
    folders = document().findall(f"{K}Document/{K}Folder")
    names = [f.findtext(f"{K}name") for f in folders]
    assert names[0] == "Waypoints in set-up order"
    assert names[-1] == "Other"
    assert len(names) == 8
    assert [p.findtext(f"{K}name") for p in folders[0].iter(f"{K}Placemark")] == ["HIDE", "POCKET"]
    marks = sum(len(f.findall(f"{K}Placemark")) for f in folders)
    assert marks == len(frame()) + len(points())


def test_longitude_first_within_a_tenth_of_a_metre() -> None:
    hide = document().find(f".//{K}Folder/{K}Placemark/{K}Point/{K}coordinates")
    assert hide is not None
    lon, lat = map(float, str(hide.text).split(","))
    # EPSG:32615's central meridian is 93 W: easting 500 000 m lies on it.
    assert lon == pytest.approx(-93.0, abs=1e-9)
    back = gpd.GeoSeries([shapely.Point(E0, N0)], crs=32615).to_crs(4326).iloc[0]
    assert Geod(ellps="WGS84").inv(lon, lat, back.x, back.y)[2] < 0.1


def test_holes_and_several_parts_are_kept() -> None:
    marks = {str(m.findtext(f"{K}styleUrl")): m for m in document().iter(f"{K}Placemark")}
    assert len(marks["#group"].findall(f".//{K}innerBoundaryIs")) == 1
    assert len(marks["#touchdown"].findall(f"{K}MultiGeometry/{K}Polygon")) == 2
    for ring in document().iter(f"{K}LinearRing"):
        corners = str(ring.findtext(f"{K}coordinates")).split()
        assert corners[0] == corners[-1]


def test_hostile_text_stays_text() -> None:
    text = kml_text(frame(), points(), "x")
    assert "<script>" not in text
    assert "\x00" not in text
    names = [m.findtext(f"{K}name") or "" for m in document().iter(f"{K}Placemark")]
    assert any(n.startswith("<script>]]>&amp;") and "é鴨" in n for n in names)


def test_colours_are_alpha_blue_green_red() -> None:
    styles = {s.get("id"): s for s in document().iter(f"{K}Style")}
    # Vermilion D55E00 of Okabe and Ito, opaque: ff 00 5e d5.
    assert styles["fire_closed"].findtext(f"{K}LineStyle/{K}color") == "ff005ed5"
    used = {str(u.text)[1:] for u in document().iter(f"{K}styleUrl")}
    assert used <= set(styles)


def test_same_bytes_and_a_missing_crs_refused() -> None:
    assert kml_text(frame(), points(), "x") == kml_text(frame(), points(), "x")
    with pytest.raises(CrsError):
        kml_text(frame().set_crs(None, allow_override=True), points(), "x")


def test_kmz_holds_the_document_and_is_the_same_twice() -> None:
    """KML 2.2 (OGC 07-147r2), annex C: the first .kml of the archive is the document."""
    text = '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"/>'
    archive = kmz_bytes(text)
    assert archive == kmz_bytes(text)
    with zipfile.ZipFile(io.BytesIO(archive)) as opened:
        assert opened.testzip() is None
        assert opened.namelist() == ["doc.kml"]
        assert opened.read("doc.kml").decode() == text
