"""Draw every layout at several winds as one contact sheet: docs/layouts.svg.

Run it from the top of the project: ``python docs/make_layout_sheet.py [OUT.svg]``. The shores are
invented: a straight bank for the bank family, a blunt point of land for ``point``.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import shapely
from shapely.geometry import Polygon, box
from shapely.geometry.base import BaseGeometry

from sitegeo.spreads import layouts
from sitegeo.spreads.frame import Frame
from sitegeo.spreads.placing import place
from sitegeo.spreads.spread import Spread
from sitegeo.units import YARD_M, yd

PX = 4.0  # pixels a yard
LEFT, RIGHT, FAR = -46.0, 46.0, 50.0
NEAR = {"bank": -9.0, "point": -24.0, "timber": -16.0}
WIDE, HEAD = (RIGHT - LEFT) * PX, 44
COLUMNS = 4

SHEET: tuple[tuple[str, str, int, tuple[float, ...]], ...] = (
    ("bank", "bank", 36, (0, 20, 45, 70, 90, 110, 130, 180)),
    ("bank", "bank", 96, (0, -80, 150, 180)),
    ("bank", "bank", 12, (0, -80, 110, 180)),
    ("point", "point", 36, (0, 45, 90, 110, 120, -135, 150, 180)),
    ("open-cross", "bank", 60, (0, 30, 60, -60, 75, 90, -105, 110)),
    ("open-behind", "bank", 60, (110, 115, 125, 135, -140, 150, 165, 180)),
    ("pair", "bank", 16, (0, 30, 60, 90, -100, 130, 160, 180)),
    ("timber", "timber", 24, (0, 60, 90, 120, -120, 150, 165, 180)),
)

HATCH = {
    "mass": ("<path d='M0 6L6 0M-1 1L1 -1M5 7L7 5' stroke='#000' stroke-width='.7'/>", 6),
    "second": ("<path d='M0 0L7 7M0 7L7 0' stroke='#888' stroke-width='.6'/>", 7),
    "near": ("<circle cx='2' cy='2' r='.8' fill='#666'/>", 5),
    "front": ("<path d='M0 2H6' stroke='#333' stroke-width='.8'/>", 5),
    "guard": ("<path d='M2 0V6' stroke='#333' stroke-width='.8'/>", 5),
    "hook": ("<path d='M0 0L6 6' stroke='#555' stroke-width='.7'/>", 6),
    "tail": ("<path d='M0 1H2' stroke='#555' stroke-width='.7'/>", 4),
}
LAND = "<path d='M1 4l1-3M3 6l1-3' stroke='#aaa' stroke-width='.6'/>"


def straight_bank() -> Polygon:
    """Return open water above a straight bank a yard out from the hide."""
    return box(yd(-200), yd(1.0), yd(200), yd(200))


def land_point() -> BaseGeometry:
    """Return the water round a blunt point of land whose tip is at the hide."""
    t = np.linspace(0, 1, 60)
    half = 34 * t**0.55
    down = -120 * t**1.3 + 1.5
    tip = np.concatenate(
        [np.column_stack([-half[::-1], down[::-1]]), np.column_stack([half, down])]
    )
    return box(yd(-200), yd(-200), yd(200), yd(200)).difference(Polygon(tip * YARD_M).buffer(0))


def opening() -> BaseGeometry:
    """Return an opening in flooded timber, 26 by 34 yd, the hide among the trees at its edge."""
    t = np.linspace(0, 2 * np.pi, 90, endpoint=False)
    reach = 1 + 0.05 * np.sin(3 * t) + 0.03 * np.cos(5 * t)
    rim = np.column_stack([17 * reach * np.cos(t), 16 + 13 * reach * np.sin(t)])
    return Polygon(rim * YARD_M)


SHORES = {"bank": straight_bank, "point": land_point, "timber": opening}


def to_page(xy: np.ndarray) -> np.ndarray:
    """Return panel pixels from local metres."""
    yards = np.asarray(xy) / YARD_M
    return np.column_stack([(yards[:, 0] - LEFT) * PX, (FAR - yards[:, 1]) * PX + 40])


def path(geometry: BaseGeometry) -> str:
    """Return the SVG path of an area."""
    rings = []
    for area in shapely.get_parts(geometry.simplify(0.04)):
        for ring in (area.exterior, *area.interiors):
            points = to_page(np.array(ring.coords))[:-1]
            rings.append("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points) + "Z")
    return "".join(rings)


def decoy(kind: str, x: float, y: float) -> str:
    """Return the mark of one decoy: shapes, so that grey print tells them apart."""
    return {
        "dark": f"<circle cx='{x:.1f}' cy='{y:.1f}' r='2.3'/>",
        "white": f"<circle cx='{x:.1f}' cy='{y:.1f}' r='2.2' fill='#fff' stroke='#000'/>",
        "goose": f"<rect x='{x - 2.8:.1f}' y='{y - 2.8:.1f}' width='5.6' height='5.6' "
        "fill='#D55E00' stroke='#000' stroke-width='.6'/>",
        "small": f"<circle cx='{x:.1f}' cy='{y:.1f}' r='1.5' fill='#0072B2'/>",
        "motion": f"<path d='M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8' stroke='#0072B2' "
        "stroke-width='1.8'/>",
    }[kind]


def arrow(phi_deg: float) -> str:
    """Return the wind's arrow, flying with the wind across the panel's upper corner."""
    rad = math.radians(phi_deg)
    dx, dy = -math.sin(rad), math.cos(rad)
    x, y = 34.0, 76.0
    tip, tail = (x + 24 * dx, y + 24 * dy), (x - 24 * dx, y - 24 * dy)
    barbs = [(tip[0] - 9 * dx + side * 5 * dy, tip[1] - 9 * dy - side * 5 * dx) for side in (-1, 1)]
    head = "L".join(f"{px:.1f} {py:.1f}" for px, py in (barbs[0], tip, barbs[1]))
    return (
        f"<path d='M{tail[0]:.1f} {tail[1]:.1f}L{tip[0]:.1f} {tip[1]:.1f}M{head}' fill='none' "
        "stroke='#0072B2' stroke-width='2.4'/>"
    )


def tag(area: BaseGeometry, spread: Spread, words: str) -> str:
    """Return a group's label, just outside it on the side away from the pocket."""
    centre = np.array(area.centroid.coords[0])
    away = centre - np.array(spread.pocket_centre)
    away /= np.hypot(*away)
    rim = shapely.get_coordinates(area) - centre
    x, y = to_page((centre + away * ((rim @ away).max() + yd(1.5)))[None])[0]
    y += 4 - 5 * away[1]
    anchor = "middle" if abs(away[0]) < 0.5 else "start" if away[0] > 0 else "end"
    return f"<text x='{x:.1f}' y='{y:.1f}' text-anchor='{anchor}' class='tag'>{words}</text>"


def panel(spread: Spread, water: BaseGeometry, *, title: str, near: float) -> str:
    """Return one panel."""
    window = box(yd(LEFT), yd(near), yd(RIGHT), yd(FAR))
    seen = water.intersection(window)
    out = [
        f"<path d='{path(window.difference(water))}' fill='#f1f1ee'/>",
        f"<path d='{path(window.difference(water))}' fill='url(#land)'/>",
        f"<path d='{path(seen)}' fill='#fff' stroke='#555' stroke-width='.8'/>",
    ]
    hide = to_page(np.zeros((1, 2)))[0]
    out += [
        f"<circle cx='{hide[0]:.1f}' cy='{hide[1]:.1f}' r='{r * PX:.1f}' fill='none' stroke='#bbb' "
        "stroke-width='.7' stroke-dasharray='2 3'/>"
        for r in (15, 20, 35)
    ]
    for group in spread.groups:
        if group.kind == "focus":
            continue
        out.append(
            f"<path d='{path(group.polygon)}' fill='url(#{group.kind})' fill-opacity='.55' "
            "stroke='#000' stroke-width='1'/>"
        )
    if not spread.pocket.is_empty:
        out.append(
            f"<path d='{path(spread.pocket)}' fill='#56B4E9' fill-opacity='.12' stroke='#0072B2' "
            "stroke-width='1.4' stroke-dasharray='6 3'/>"
        )
    for group in spread.groups:
        if group.kind != "focus":
            out.append(tag(group.polygon, spread, f"{group.name} {group.count}"))
    if len(spread.jerk_line):
        (x0, y0), (x1, y1) = to_page(spread.jerk_line)
        out.append(
            f"<path d='M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}' stroke='#0072B2' stroke-width='1.2' "
            "stroke-dasharray='1.5 2'/>"
        )
    marks = [*spread.decoy_kinds, *["motion"] * len(spread.motion)]
    spots = to_page(np.concatenate([spread.decoys, spread.motion]))
    out += [decoy(kind, x, y) for kind, (x, y) in zip(marks, spots, strict=True)]
    out.append(
        f"<path d='M{hide[0] - 7:.1f} {hide[1] + 5:.1f}h14l-3 -8h-8z' fill='#fff' stroke='#000' "
        "stroke-width='1.6'/>"
    )
    words = spread.refused or f"{spread.wind_side}; {len(spread.decoys)} decoys"
    out += [
        arrow(spread.phi_deg),
        f"<text x='4' y='16' class='title'>{escape(title)}</text>",
        f"<text x='4' y='31' class='word'>{escape(words)}</text>",
    ]
    return "\n".join(out)


def sheet() -> str:
    """Return the whole sheet as SVG."""
    frame = Frame(0.0, 0.0, 0.0)
    body, top = [], 70.0
    for kind, shore, count, winds in SHEET:
        water = SHORES[shore]()
        high = (FAR - NEAR[shore]) * PX + HEAD
        for i, phi in enumerate(winds):
            name = kind if kind in layouts.LAYOUTS else layouts.choose("X", phi, decoys=count)
            drawn = layouts.shape(name, phi, decoys=count)
            flooded = box(yd(-80), yd(-80), yd(80), yd(80)).difference(water)
            spread = place(
                drawn,
                frame,
                water=water,
                decoys=count,
                flooded=flooded if shore == "timber" else None,
            )
            hand = " left" if phi < 0 else " right" if 0 < phi < 180 else ""
            inner = panel(
                spread, water, title=f"{name}, wind {abs(phi):g}°{hand}", near=NEAR[shore]
            )
            x, y = 10 + (i % COLUMNS) * (WIDE + 14), top + (i // COLUMNS) * (high + 14)
            body.append(
                f"<svg x='{x:.0f}' y='{y:.0f}' width='{WIDE:.0f}' height='{high:.0f}'>{inner}</svg>"
            )
        top += math.ceil(len(winds) / COLUMNS) * (high + 14)
    hatches = "".join(
        f"<pattern id='{name}' width='{size}' height='{size}' patternUnits='userSpaceOnUse'>"
        f"{mark}</pattern>"
        for name, (mark, size) in {**HATCH, "land": (LAND, 9)}.items()
    )
    width = COLUMNS * (WIDE + 14) + 10
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:.0f} {top:.0f}' "
        f"width='{width:.0f}' height='{top:.0f}' font-family='sans-serif'>"
        "<style>.title{font-size:14px;font-weight:bold}.word{font-size:12px}"
        ".tag{font-size:12px;paint-order:stroke;stroke:#fff;stroke-width:3px}"
        "</style>"
        f"<defs>{hatches}</defs><rect width='100%' height='100%' fill='#fff'/>"
        "<text x='10' y='26' font-size='20' font-weight='bold'>Layouts by wind</text>"
        "<text x='10' y='48' font-size='13'>Hide at the bottom middle looking up the page; rings "
        "at 15, 20 and 35 yd; wind in degrees off straight ahead. Dashed: the pocket, left open. "
        "Filled dot dark, ring white, square goose, small dot small, cross motion.</text>\n"
        + "\n".join(body)
        + "</svg>\n"
    )


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("layouts.svg")
    target.write_text(sheet(), encoding="utf-8")
