"""Default styles inside a GeoPackage, so that a desktop GIS opens the spread as it is drawn.

They lie in the table `layer_styles`, where QGIS and GDAL look for them.
"""

from __future__ import annotations

import sqlite3
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path

from sitegeo.export.hatches import SPREAD_HATCHES

PINNED = "2000-01-01T00:00:00.000Z"
"""When a style was last changed, for every style, so that the same plan gives the same bytes."""

_INK = "0,0,0,255"
_MM_A_TILE_UNIT = 0.35
"""Millimetres a unit of a hatching's tile; judgement."""

# Part: the angles of its lines, or the name of a mark for points; tiles are as on the map.
_PARTS: dict[str, tuple[int, ...] | str] = {
    "mass": (45,),
    "second": (135,),
    "tail": (0,),
    "hook": (45, 135),
    "near": (90,),
    "front": "cross",
    "guard": (0, 90),
    "holding": (45,),
    "focus": "circle",
    "stack": "line",
}

_CREATE = """
CREATE TABLE layer_styles (
 id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256),
 f_table_schema TEXT(256), f_table_name TEXT(256), f_geometry_column TEXT(256),
 styleName TEXT(30), styleQML TEXT, styleSLD TEXT, useAsDefault BOOLEAN, description TEXT,
 owner TEXT(30), ui TEXT(30), update_time DATETIME DEFAULT CURRENT_TIMESTAMP)"""


def spread_style() -> str:
    """Return the style of groups and pocket as QML: hatched by part, the pocket an outline."""
    root = ET.Element("qgis", {"version": "3.28.0", "styleCategories": "Symbology"})
    renderer = ET.SubElement(root, "renderer-v2", {"type": "RuleRenderer", "symbollevels": "0"})
    rules = ET.SubElement(renderer, "rules", {"key": "root"})
    symbols = ET.SubElement(renderer, "symbols")
    filters = {"pocket": "\"role\" = 'pocket'"} | {
        part: f"\"role\" = 'group' AND regexp_match(lower(\"name\"), '^{part}[0-9 _]*$')"
        for part in _PARTS
    }
    for number, (part, rule) in enumerate([*filters.items(), ("other", "ELSE")]):
        made = {"key": f"sitegeo-{part}", "filter": rule, "symbol": str(number), "label": part}
        ET.SubElement(rules, "rule", made)
        symbol = ET.SubElement(symbols, "symbol", {"type": "fill", "name": str(number)})
        if part in _PARTS:
            _hatch(symbol, number, SPREAD_HATCHES[part].tile, _PARTS[part])
        dash = "dash" if part == "pocket" else "solid"
        width = "0.6" if part == "pocket" else "0.4"
        edge = {"outline_color": _INK, "outline_style": dash, "outline_width": width}
        _layer(symbol, "SimpleFill", {"style": "no", "color": "0,0,0,0", **edge})
    ET.SubElement(root, "layerGeometryType").text = "2"
    ET.indent(root, space=" ")
    return ET.tostring(root, encoding="unicode")


def _hatch(symbol: ET.Element, number: int, size: float, drawn: tuple[int, ...] | str) -> None:
    step = f"{size * _MM_A_TILE_UNIT:g}"
    if isinstance(drawn, str):
        fill = _layer(symbol, "PointPatternFill", {"distance_x": step, "distance_y": step})
        within = ET.SubElement(fill, "symbol", {"type": "marker", "name": f"@{number}@0"})
        mark = {"name": drawn, "size": "1.2", "color": "0,0,0,0", "outline_color": _INK}
        _layer(within, "SimpleMarker", mark)
        return
    for index, angle in enumerate(drawn):
        fill = _layer(symbol, "LinePatternFill", {"angle": str(angle), "distance": step})
        within = ET.SubElement(fill, "symbol", {"type": "line", "name": f"@{number}@{index}"})
        _layer(within, "SimpleLine", {"line_color": _INK, "line_width": "0.26"})


def _layer(symbol: ET.Element, kind: str, options: Mapping[str, str]) -> ET.Element:
    layer = ET.SubElement(symbol, "layer", {"class": kind, "enabled": "1", "pass": "0"})
    box = ET.SubElement(layer, "Option", {"type": "Map"})
    for name, value in options.items():
        ET.SubElement(box, "Option", {"name": name, "type": "QString", "value": value})
    return layer


def add_styles(path: Path, styles: Mapping[str, str]) -> None:
    """Add default styles to a GeoPackage that `write_geopackage` wrote; same styles, same bytes.

    Parameters
    ----------
    styles
        QML by the name of its layer.
    """
    with closing(sqlite3.connect(path)) as package, package:
        package.execute(_CREATE)
        package.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, "
            "last_change, srs_id) VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?, 0)",
            (PINNED,),
        )
        package.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
            "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
            "update_time) VALUES ('', '', ?, 'geom', ?, ?, '', 1, 'sitegeo', '', ?)",
            [(layer, layer, qml, PINNED) for layer, qml in styles.items()],
        )
