"""GPX 1.1 for a handheld or a phone.

Order of elements and ranges of values follow the GPX 1.1 schema of Topografix: longitude
-180 <= lon < 180, magnetic variation 0 <= d < 360.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from itertools import repeat
from typing import Any

import geopandas as gpd
import gpxpy.gpx
import pandas as pd

from sitegeo.angles import wrap360
from sitegeo.errors import LayerError
from sitegeo.export.wgs84 import to_wgs84

NAME_LENGTH = 10
"""Characters of a waypoint's name that any receiver shows."""

_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def short_names(names: Iterable[str]) -> list[str]:
    """Return names as receivers take them: printable ASCII, at most 10 characters, no two alike.

    Names that are so already come back unchanged.

    Examples
    --------
    >>> short_names(["mass", "second group", "second grove"])
    ['mass', 'second gro', 'second gr2']
    """
    taken: set[str] = set()
    short = []
    for number, name in enumerate(names, start=1):
        folded = unicodedata.normalize("NFKD", str(name)).encode("ascii", "ignore").decode()
        stem = re.sub(r"[^ -~]+", " ", folded).strip()[:NAME_LENGTH].strip() or f"WP{number}"
        unique, copy = stem, 2
        while unique.upper() in taken:
            unique = f"{stem[: NAME_LENGTH - len(str(copy))]}{copy}"
            copy += 1
        taken.add(unique.upper())
        short.append(unique)
    return short


def gpx_text(
    waypoints: gpd.GeoDataFrame, *, title: str, route: gpd.GeoDataFrame | None = None
) -> str:
    """Return a GPX 1.1 document; it holds no time, so the same plan gives the same bytes.

    Parameters
    ----------
    waypoints
        Columns ``name`` and ``order``, and where they are known ``role``, ``note``,
        ``magnetic_variation_deg``, ``range_yd``, ``bearing_true``, ``bearing_magnetic``.
        Points become waypoints in set-up order, lines become tracks and polygons closed tracks.
    title
        Name of the document.
    route
        Points in the order they are walked, or one line: becomes the route.

    Returns
    -------
    str
        The document.

    Raises
    ------
    CrsError
        If a frame has no coordinate reference system.
    LayerError
        If a column or a geometry cannot be used.
    """
    missing = [c for c in ("name", "order") if c not in waypoints.columns]
    if missing:
        raise LayerError("waypoints", [f"column '{c}' is missing" for c in missing])
    rows = to_wgs84(waypoints.sort_values("order", kind="stable"))
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "sitegeo"
    gpx.name = xml_text(title)
    points = rows[rows.geom_type == "Point"]
    for name, (_, row) in zip(short_names(points["name"]), points.iterrows(), strict=True):
        gpx.waypoints.append(_waypoint(row, name))
    shapes = rows[rows.geom_type != "Point"]
    for name, (_, row) in zip(short_names(shapes["name"]), shapes.iterrows(), strict=True):
        gpx.tracks.append(_track(row, name))
    if route is not None and len(route):
        gpx.routes.append(_route(to_wgs84(route)))
    text: str = gpx.to_xml(version="1.1")
    return text + "\n"


def _waypoint(row: pd.Series[Any], name: str) -> Any:
    variation: Any = row.get("magnetic_variation_deg")
    point: Any = gpxpy.gpx.GPXWaypoint(*_latlon(row.geometry.coords[0]), name=name)
    point.magnetic_variation = None if _missing(variation) else float(wrap360(round(variation, 2)))
    point.comment = bearing_words(row) or None
    point.description = _cell(row, "note")
    point.type = _cell(row, "role")
    return point


def _track(row: pd.Series[Any], name: str) -> Any:
    track: Any = gpxpy.gpx.GPXTrack(name=name, description=_cell(row, "note"))
    track.comment = bearing_words(row) or None
    track.type = _cell(row, "role")
    parts = getattr(row.geometry, "geoms", [row.geometry])
    for part in parts:
        rings = [part.exterior, *part.interiors] if part.geom_type == "Polygon" else [part]
        track.segments.extend(
            gpxpy.gpx.GPXTrackSegment([gpxpy.gpx.GPXTrackPoint(*_latlon(c)) for c in ring.coords])
            for ring in rings
        )
    return track


def _route(frame: gpd.GeoDataFrame) -> Any:
    names: Iterable[str | None] = repeat(None)
    if set(frame.geom_type) == {"LineString"} and len(frame) == 1:
        corners = list(frame.geometry.iloc[0].coords)
    elif set(frame.geom_type) == {"Point"}:
        corners = [p.coords[0] for p in frame.geometry]
        if "name" in frame.columns:
            names = short_names(frame["name"])
    else:
        raise LayerError("route", ["must be points in order or a single line"])
    route = gpxpy.gpx.GPXRoute(name="to hide", description="straight lines, not a path")
    route.points = [
        gpxpy.gpx.GPXRoutePoint(*_latlon(c), name=n) for c, n in zip(corners, names, strict=False)
    ]
    return route


def _latlon(corner: tuple[float, ...]) -> tuple[float, float]:
    longitude, latitude = corner[:2]
    # The schema allows -180 and not +180.
    return latitude, -180.0 if longitude == 180.0 else longitude


def bearing_words(row: pd.Series[Any]) -> str:
    """Return range and bearings of a row from the hide, as far as they are known."""
    words = []
    if not _missing(row.get("range_yd")):
        words.append(f"{row['range_yd']:.0f} yd")
    for column, north in (("bearing_true", "true"), ("bearing_magnetic", "magnetic")):
        if not _missing(row.get(column)):
            words.append(f"{round(row[column]) % 360:03d} deg {north}")
    return ", ".join(words)


def _missing(value: Any) -> bool:
    return value is None or bool(pd.isna(value))


def _cell(row: pd.Series[Any], column: str) -> str | None:
    value = row.get(column)
    return None if _missing(value) or value == "" else xml_text(str(value))


def xml_text(value: str) -> str:
    """Return text without the characters XML 1.0 cannot hold."""
    return _NOT_XML.sub(" ", value)
