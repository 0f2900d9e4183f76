"""Default styles in a GeoPackage: where a desktop GIS looks, one rule a part, the same bytes."""

from __future__ import annotations

import re
import sqlite3
import xml.etree.ElementTree as ET
from pathlib import Path

import fiona
import geopandas as gpd
import shapely

from sitegeo.core.store import write_geopackage
from sitegeo.export.hatches import SPREAD_HATCHES
from sitegeo.export.styles import add_styles, spread_style


def package(path: Path) -> Path:
    frame = gpd.GeoDataFrame(
        {"role": ["group"], "name": ["MASS"]}, geometry=[shapely.box(0, 0, 9, 9)], crs=32615
    )
    write_geopackage(path, {"spread": frame})
    add_styles(path, {"spread": spread_style()})
    return path


def test_the_style_is_the_default_of_its_layer(tmp_path: Path) -> None:
    path = package(tmp_path / "plan.gpkg")
    with sqlite3.connect(path) as found:
        rows = found.execute(
            "SELECT f_table_name, f_geometry_column, useAsDefault, styleQML FROM layer_styles"
        ).fetchall()
        listed = found.execute(
            "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'"
        ).fetchall()
        column = found.execute("SELECT column_name FROM gpkg_geometry_columns").fetchall()
        assert found.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert rows == [("spread", column[0][0], 1, spread_style())]
    # GeoPackage 1.3, table 4: a table without geometry is listed as attributes.
    assert listed == [("attributes",)]


def test_an_independent_reader_still_opens_the_layer(tmp_path: Path) -> None:
    with fiona.open(package(tmp_path / "plan.gpkg"), layer="spread") as layer:
        assert len(layer) == 1
        assert layer.schema["geometry"] == "Polygon"


def test_every_part_has_a_rule_and_every_rule_a_symbol() -> None:
    root = ET.fromstring(spread_style())
    rules = list(root.iter("rule"))
    labels = [r.get("label") for r in rules]
    parts = set(SPREAD_HATCHES)
    assert set(labels) == parts | {"pocket"}
    symbols = {s.get("name"): s for s in root.findall("renderer-v2/symbols/symbol")}
    assert [r.get("symbol") for r in rules] == list(symbols)
    drawn = [
        ET.tostring(s).decode().replace(f'"{n}"', "").replace(f"@{n}@", "")
        for n, s in symbols.items()
    ]
    assert len(set(drawn)) == len(drawn)
    pocket = symbols[rules[labels.index("pocket")].get("symbol")]
    assert [layer.get("class") for layer in pocket.findall("layer")] == ["SimpleFill"]


def test_rules_choose_numbered_groups_too() -> None:
    rule = next(r for r in ET.fromstring(spread_style()).iter("rule") if r.get("label") == "tail")
    pattern = re.search(r"'(\^tail.*\$)'", str(rule.get("filter")))
    assert pattern
    assert all(re.match(pattern.group(1), name) for name in ("tail", "tail2", "tail_1"))
    assert not re.match(pattern.group(1), "tailback")


def test_same_bytes(tmp_path: Path) -> None:
    one, two = package(tmp_path / "a.gpkg"), package(tmp_path / "b.gpkg")
    assert one.read_bytes() == two.read_bytes()
