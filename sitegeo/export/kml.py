"""KML 2.2 (OGC 07-147r2): folders by role, colours as aabbggrr, longitude before latitude."""

from __future__ import annotations

import io
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import geopandas as gpd
import pandas as pd

from sitegeo.export.gpx import bearing_words, xml_text
from sitegeo.export.wgs84 import DECIMALS, to_wgs84

NAMESPACE = "http://www.opengis.net/kml/2.2"


class _Look(NamedTuple):
    """A role's folder, colour as RRGGBB, opacity of line and fill (0 to 1), and width in pixels."""

    folder: str
    colour: str
    line: float
    fill: float
    width: float


# Okabe and Ito's colour-blind safe palette.
_LOOKS = {
    "waypoint": _Look("Waypoints in set-up order", "F0E442", 1.0, 0.0, 2.0),
    "hide": _Look("Hide", "FFFFFF", 1.0, 0.0, 3.0),
    "pocket": _Look("Pocket: leave open", "FFFFFF", 1.0, 0.15, 3.0),
    "group": _Look("Groups", "56B4E9", 1.0, 0.45, 2.0),
    "motion": _Look("Motion", "F0E442", 1.0, 0.0, 2.0),
    "jerk_line": _Look("Jerk line", "F0E442", 1.0, 0.0, 2.0),
    "approach": _Look("The way birds come in", "F0E442", 0.9, 0.0, 2.0),
    "decoy": _Look("Single decoys", "56B4E9", 0.9, 0.0, 1.0),
    "touchdown": _Look("Where birds are likely to come down", "F0E442", 0.7, 0.2, 1.0),
    "fire_closed": _Look("No fire", "D55E00", 1.0, 0.25, 2.0),
    "setback": _Look("Setbacks", "E69F00", 0.9, 0.15, 2.0),
    "route": _Look("Route", "F0E442", 1.0, 0.0, 3.0),
    "access": _Look("Ways in", "CC79A7", 1.0, 0.0, 2.0),
    "other": _Look("Other", "FFFFFF", 0.8, 0.1, 1.0),
}
_HIDDEN = frozenset({"decoy", "access", "hide", "motion"})
"""Roles folded away at first: the waypoints show the same, or they are too many."""


def kmz_bytes(text: str) -> bytes:
    """Return a KML document zipped, as an earth viewer on a phone opens it; no clock in it."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        entry = zipfile.ZipInfo("doc.kml", date_time=(1980, 1, 1, 0, 0, 0))
        archive.writestr(entry, text, zipfile.ZIP_DEFLATED)
    return file.getvalue()


def kml_text(
    features: gpd.GeoDataFrame,
    waypoints: gpd.GeoDataFrame,
    title: str,
    *,
    credits: Sequence[str] = (),
) -> str:
    """Return a KML document; the same plan gives the same bytes.

    Parameters
    ----------
    features, waypoints
        Columns ``role``, ``name``, and where they are known ``order``, ``count``, ``note``,
        ``range_yd``, ``bearing_true``, ``bearing_magnetic``.
    title
        Name of the document.
    credits
        Whose data it rests on.

    Returns
    -------
    str
        The document.

    Raises
    ------
    CrsError
        If a frame has no coordinate reference system.
    """
    root = ET.Element("kml", {"xmlns": NAMESPACE})
    document = _add(root, "Document")
    _add(document, "name", title)
    _add(document, "open", "1")
    if credits:
        _add(document, "description", "; ".join(credits))
    for role in _LOOKS:
        _style(document, role)
    drawn = to_wgs84(features)
    roles = drawn["role"].where(drawn["role"].isin(list(_LOOKS)), "other")
    points = to_wgs84(waypoints)
    _folder(document, "waypoint", points.sort_values("order", kind="stable"))
    for role in _LOOKS:
        _folder(document, role, drawn[roles == role])
    ET.indent(root, space=" ")
    body = ET.tostring(root, encoding="unicode")
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'


def _add(parent: ET.Element, tag: str, text: str | None = None) -> ET.Element:
    element = ET.SubElement(parent, tag)
    if text is not None:
        element.text = xml_text(text)
    return element


def _style(document: ET.Element, role: str) -> None:
    _, colour, line, fill, width = _LOOKS[role]
    style = ET.SubElement(document, "Style", {"id": role})
    _add(_add(style, "IconStyle"), "color", _aabbggrr(colour, line))
    pen = _add(style, "LineStyle")
    _add(pen, "color", _aabbggrr(colour, line))
    _add(pen, "width", f"{width:g}")
    _add(_add(style, "PolyStyle"), "color", _aabbggrr(colour, fill))


def _aabbggrr(rrggbb: str, opacity: float) -> str:
    red, green, blue = rrggbb[:2], rrggbb[2:4], rrggbb[4:]
    return f"{round(255 * opacity):02x}{blue}{green}{red}".lower()


def _folder(document: ET.Element, role: str, rows: gpd.GeoDataFrame) -> None:
    rows = rows[rows.geometry.notna() & ~rows.geometry.is_empty]
    if rows.empty:
        return
    shown = "0" if role in _HIDDEN else "1"
    folder = _add(document, "Folder")
    _add(folder, "name", _LOOKS[role].folder)
    _add(folder, "visibility", shown)
    for _, row in rows.iterrows():
        mark = _add(folder, "Placemark")
        _add(mark, "name", str(row["name"]))
        _add(mark, "visibility", shown)
        if words := _description(row):
            _add(mark, "description", words)
        _add(mark, "styleUrl", f"#{role}")
        _geometry(mark, row.geometry)


def _description(row: pd.Series[Any]) -> str:
    count = row.get("count")
    told = [
        "" if count is None or pd.isna(count) else f"{int(count)} decoys" if count != 1 else "1",
        bearing_words(row),
        str(row.get("note") or ""),
    ]
    return "; ".join(words for words in told if words)


def _geometry(parent: ET.Element, shape: Any) -> None:
    kind = shape.geom_type
    if kind == "Point":
        _add(_add(parent, "Point"), "coordinates", _coordinates(shape.coords))
    elif kind == "LineString":
        line = _add(parent, "LineString")
        _add(line, "tessellate", "1")
        _add(line, "coordinates", _coordinates(shape.coords))
    elif kind == "Polygon":
        polygon = _add(parent, "Polygon")
        _add(polygon, "tessellate", "1")
        for n, ring in enumerate((shape.exterior, *shape.interiors)):
            boundary = _add(polygon, "innerBoundaryIs" if n else "outerBoundaryIs")
            _add(_add(boundary, "LinearRing"), "coordinates", _coordinates(ring.coords))
    else:
        several = _add(parent, "MultiGeometry")
        for part in shape.geoms:
            _geometry(several, part)


def _coordinates(corners: Iterable[tuple[float, ...]]) -> str:
    return " ".join(f"{c[0]:.{DECIMALS}f},{c[1]:.{DECIMALS}f}" for c in corners)
