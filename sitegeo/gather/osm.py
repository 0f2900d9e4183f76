"""OpenStreetMap's objects sorted into our layers, from an extract or from an Overpass answer.

Tags: wiki.openstreetmap.org/wiki/Map_features. What might be a house or a road is kept when in
doubt; what might be public is not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import geopandas as gpd
import osmium
import shapely
from shapely.geometry.base import BaseGeometry

from sitegeo.core.grid import WGS84
from sitegeo.core.typing import Bounds
from sitegeo.errors import GatherError
from sitegeo.gather.sources import SourceData

Tags = Mapping[str, str]
_LayerRows = dict[str, list[dict[str, Any]]]

OSM_KEYS = (
    "highway", "building", "natural", "landuse", "waterway", "leisure", "boundary", "amenity",
    "place", "wetland",
)  # fmt: skip
"""Keys of objects that may belong to one of our layers."""

OSM_LAYERS = ("water", "roads", "dwellings", "public_land", "access")
"""Layers made from OpenStreetMap; its land cover is kept beside them, to look at."""

NOT_BUILT = frozenset({"no", "proposed", "planned", "razed", "demolished", "abandoned", "ruins"})
NOT_ROADS = NOT_BUILT | {"platform", "rest_area", "services", "corridor", "elevator", "bus_stop"}
STANDING_WATER = frozenset({"reservoir", "basin"})
LONE_HOUSES = {"farm": "farm", "isolated_dwelling": "house"}
PUBLIC_OWNERS = frozenset(
    {"public", "state", "national", "federal", "county", "municipal", "government"}
)
COVER_OF_TAG = {
    ("natural", "wood"): "tree",
    ("landuse", "forest"): "tree",
    ("natural", "wetland"): "low",
    ("natural", "scrub"): "low",
    ("natural", "heath"): "low",
    ("landuse", "farmland"): "open",
    ("landuse", "meadow"): "open",
    ("landuse", "grass"): "open",
    ("natural", "grassland"): "open",
    ("landuse", "residential"): "built",
    ("landuse", "industrial"): "built",
    ("landuse", "commercial"): "built",
}


def layers_of_area(tags: Tags) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the layers an area belongs to, with its attributes there."""
    name = tags.get("name")
    if tags.get("building", "no") not in NOT_BUILT:
        yield "dwellings", {"kind": _building(tags), "name": name}
    if tags.get("natural") == "water" or tags.get("landuse") in STANDING_WATER:
        kind = tags.get("water") or tags.get("landuse") or "water"
        yield "water", {"kind": kind, "name": name}
    elif tags.get("waterway") in {"riverbank", "dock"}:
        yield "water", {"kind": tags["waterway"], "name": name}
    if tags.get("highway", "no") not in NOT_ROADS and tags.get("area") == "yes":
        yield "roads", _road(tags)
    if _public(tags):
        manager = tags.get("operator") or tags.get("owner")
        hunting = "closed" if tags.get("hunting") == "no" else "unknown"
        yield "public_land", {"name": name, "manager": manager, "hunting": hunting}
    if tags.get("amenity") == "parking" or tags.get("leisure") == "slipway":
        yield "access", {"kind": _way_in(tags), "name": name}
    for (key, value), cover in COVER_OF_TAG.items():
        if tags.get(key) == value:
            yield "landcover", {"cover": cover, "kind": value, "name": name}


def layers_of_way(tags: Tags) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the layers a line belongs to, with its attributes there."""
    if tags.get("highway", "no") not in NOT_ROADS and tags.get("area") != "yes":
        yield "roads", _road(tags)
    if tags.get("leisure") == "slipway":
        yield "access", {"kind": "ramp", "name": tags.get("name")}


def layers_of_node(tags: Tags) -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the layers a point belongs to, with its attributes there.

    Examples
    --------
    >>> list(layers_of_node({"highway": "trailhead", "name": "North gate"}))
    [('access', {'kind': 'trailhead', 'name': 'North gate'})]
    """
    name = tags.get("name")
    if tags.get("building", "no") not in NOT_BUILT:
        yield "dwellings", {"kind": _building(tags), "name": name}
    elif tags.get("place") in LONE_HOUSES:
        yield "dwellings", {"kind": LONE_HOUSES[tags["place"]], "name": name}
    if tags.get("leisure") == "slipway" or tags.get("amenity") == "parking":
        yield "access", {"kind": _way_in(tags), "name": name}
    elif tags.get("highway") == "trailhead":
        yield "access", {"kind": "trailhead", "name": name}


def _building(tags: Tags) -> str:
    """Return what a building is; a use told beside it is one more thing it may be."""
    kind, use = tags["building"], tags.get("amenity")
    return kind if use is None or kind == "yes" else f"{kind};{use}"


def _road(tags: Tags) -> dict[str, Any]:
    try:
        width = float(tags.get("width", "").removesuffix("m").strip())
    except ValueError:
        width = None
    return {
        "class": tags["highway"],
        "width_m": width,
        "surface": tags.get("surface"),
        "name": tags.get("name") or tags.get("ref"),
    }


def _way_in(tags: Tags) -> str:
    return "ramp" if tags.get("leisure") == "slipway" else "parking"


def _public(tags: Tags) -> bool:
    """Whether a map says that ground belongs to the public; a reserve may well be private."""
    if tags.get("access") in {"private", "no"} or tags.get("ownership") == "private":
        return False
    if tags.get("leisure") == "park" or tags.get("boundary") == "national_park":
        return True
    protected = tags.get("boundary") in {"protected_area", "public_land", "forest"}
    reserve = protected or tags.get("leisure") == "nature_reserve"
    return reserve and bool({tags.get("ownership"), tags.get("operator:type")} & PUBLIC_OWNERS)


def read_osm(data: Path | bytes, bounds: Bounds, *, where: object) -> SourceData:
    """Return the layers of an extract (.osm.pbf, .osm, .osm.gz) or of OSM XML within bounds.

    A layer without a feature is left out: it counts as not given, never as clear.

    Parameters
    ----------
    data
        Path of an extract, or OSM XML.
    bounds
        West, south, east, north in WGS 84; features that meet them are kept whole.
    where
        What an error names as its place.

    Returns
    -------
    SourceData
        `OSM_LAYERS` by our contracts in WGS 84, `landcover` polygons, and a note on what lacks
        parts.

    Raises
    ------
    GatherError
        If it cannot be read whole.
    """
    source = data if isinstance(data, Path) else osmium.io.FileBuffer(data, "osm")
    if isinstance(data, Path) and not data.is_file():
        raise GatherError("no such file", where=where, remedy="Check the path given with --osm")
    try:
        rows, lost = _sorted(source, bounds)
    except (RuntimeError, ValueError, OSError) as error:
        raise GatherError(f"cannot be read as OpenStreetMap data: {error}", where=where) from None
    frames = {
        name: gpd.GeoDataFrame(held, geometry="geometry", crs=WGS84)
        for name, held in sorted(rows.items())
        if held
    }
    notes = [f"{n} {name} with parts missing were drawn from what is there" for name, n in lost]
    return SourceData(frames, tuple(notes))


def _sorted(source: Any, bounds: Bounds) -> tuple[_LayerRows, list[tuple[str, int]]]:
    wanted = shapely.box(*bounds)
    rows: _LayerRows = {}
    open_ways: dict[int, tuple[BaseGeometry, list[tuple[str, dict[str, Any]]]]] = {}
    filtered = osmium.filter.KeyFilter(*OSM_KEYS)
    reader = osmium.FileProcessor(source).with_areas(filtered).with_locations()
    thing: Any
    for thing in reader.with_filter(filtered):
        tags = dict(thing.tags)
        shape: BaseGeometry | None = None
        if thing.is_node():
            found = list(layers_of_node(tags))
            shape = shapely.Point(thing.location.lon, thing.location.lat) if found else None
        elif thing.is_way():
            found = list(layers_of_way(tags))
            shape = _line(thing) if found else None
            enclosed = [f for f in layers_of_area(tags) if f[0] in {"dwellings", "water"}]
            outline = _line(thing) if enclosed else None
            if outline is not None and outline.intersects(wanted):
                open_ways[thing.id] = (outline, enclosed)
        elif thing.is_area():
            found = list(layers_of_area(tags))
            shape = _area(thing) if found else None
            if thing.from_way():
                open_ways.pop(thing.orig_id(), None)
        else:
            continue
        if shape is None or shape.is_empty or not shape.intersects(wanted):
            continue
        for layer, held in found:
            rows.setdefault(layer, []).append({**held, "geometry": shape})
    lost: dict[str, int] = {}
    for outline, enclosed in open_ways.values():
        # A house whose outline does not close is still a house; such water is left to the photo.
        for layer, held in enclosed:
            if layer == "dwellings":
                lost[layer] = lost.get(layer, 0) + 1
                rows.setdefault(layer, []).append({**held, "geometry": outline.convex_hull})
    return rows, sorted(lost.items())


def _line(way: Any) -> BaseGeometry | None:
    """Return a way's line through those of its nodes that are there."""
    points = [(n.lon, n.lat) for n in way.nodes if n.location.valid()]
    if len(points) > 1:
        return shapely.LineString(points)
    return shapely.Point(points[0]) if points else None


def _area(area: Any) -> BaseGeometry | None:
    factory = osmium.geom.WKBFactory()
    try:
        return shapely.from_wkb(factory.create_multipolygon(area))
    except (RuntimeError, osmium.InvalidLocationError):
        return None
