"""The contact sheet in docs: every layout at eight winds, and fresh."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

from sitegeo.spreads.layouts import LAYOUTS

SHEET = Path(__file__).resolve().parents[2] / "docs" / "layouts.svg"
SVG = "{http://www.w3.org/2000/svg}"


def test_every_layout_is_drawn_at_eight_winds_on_either_hand() -> None:
    root = ET.parse(SHEET).getroot()
    rows: dict[str, list[str]] = {}
    for text in root.findall(f"{SVG}text"):
        name = text.find(f"{SVG}tspan[@class='name']")
        if name is not None and str(name.text) not in rows:
            winds = rows.setdefault(str(name.text), [])
        elif text.get("class") == "title" and len(winds) < 8:
            winds.append(str(text.text))
    assert set(rows) == set(LAYOUTS)
    for name, winds in rows.items():
        assert len(set(winds)) == 8, name
        assert {"right", "left"} <= {w.rpartition(" ")[2] for w in winds}, name
    panels = root.findall(f"{SVG}svg")
    assert len({(p.get("width"), p.get("x")) for p in panels}) == 8, "one scale, eight columns"


def test_no_label_lies_on_another() -> None:
    for panel in ET.parse(SHEET).getroot().findall(f"{SVG}svg"):
        labels = [t for t in panel.findall(f"{SVG}text") if t.get("class") == "tag"]
        boxes = []
        for label in labels:
            x, y = float(str(label.get("x"))), float(str(label.get("y")))
            half = 2.6 * len(str(label.text))
            boxes.append((x - half, x + half, y))
            assert re.fullmatch(r"[a-z]+ \d+", str(label.text))
        for n, (left, right, y) in enumerate(boxes):
            for low, high, other in boxes[:n]:
                assert right < low or left > high or abs(y - other) > 8
