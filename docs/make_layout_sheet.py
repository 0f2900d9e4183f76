"""Draw every layout at eight winds as one contact sheet: docs/layouts.svg.

Run it from the top of the project: ``python docs/make_layout_sheet.py [OUT.svg]``. The shores are
invented: a straight bank, a blunt point of land, an opening in flooded timber. All panels are to
one scale. Same code, same bytes.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import shapely
from pyproj import CRS
from rasterio.features import rasterize
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.export.hatches import HATCHES
from sitegeo.siting.approach import approach_lines, find_approach
from sitegeo.spreads import layouts
from sitegeo.spreads.frame import HideFrame
from sitegeo.spreads.place import place_spread
from sitegeo.spreads.result import Spread
from sitegeo.units import YARD_M, yd

PX = 3.3  # pixels a yard
LEFT, RIGHT, FAR = -46.0, 46.0, 48.0
NEAR = {"bank": -8.0, "point": -24.0, "timber": -13.0}
WIDE, GAP, MARGIN, ROW_HEAD, TOP = (RIGHT - LEFT) * PX, 10.0, 26.0, 34.0, 148.0
INK, BLUE, SOFT, PAPER, LAND = "#1b1f24", "#0072B2", "#8a8f94", "#fdfcf8", "#efece2"
VERMILION = "#D55E00"
RINGS = (15, 20, 35)


@dataclass(frozen=True)
class Row:
    """A row of panels: winds off straight ahead, or numbers of decoys at one wind."""

    name: str
    words: str
    shore: str
    decoys: tuple[int, ...]
    winds: tuple[float, ...]


SHEET = (
    Row("bank-onto", "wind onto the bank: birds come over the hide and settle going away",
        "bank", (36,), (0, 10, 20, 30, 40, 44, -20, -40)),
    Row("bank-along", "wind along the bank: birds come up over the water and stop short of the "
        "mass", "bank", (36,), (45, 60, 70, 85, 100, 115, -70, -100)),
    Row("bank-off", "wind from behind: birds come straight in, the lane in front stays open",
        "bank", (36,), (126, 135, 150, 160, 170, 180, -135, -160)),
    Row("point", "at the tip of a point, wind over one shoulder: the front leads birds past",
        "point", (36,), (90, 100, 110, 120, 130, 150, -110, -140)),
    Row("open-cross", "open water, wind across: past the tail, turned in by the hook",
        "bank", (60,), (50, 60, 75, 85, 95, 110, -60, -90)),
    Row("open-behind", "open water, wind from behind: tail and hook fold into two flanks",
        "bank", (60,), (112, 120, 130, 140, 160, 180, -120, -150)),
    Row("pair", "two dozen or fewer: an end group, and a row level with the hide to line up on",
        "bank", (16,), (30, 45, 60, 75, 90, 120, -60, -105)),
    Row("timber", "an opening in flooded timber: the stack stands downwind, birds pass over it "
        "first", "timber", (24,), (0, 60, 90, 120, 150, 180, -90, -150)),
    Row("bank-along", "the same wind with nought to ten dozen decoys", "bank",
        (0, 6, 12, 24, 36, 60, 90, 120), (80,) * 8),
)  # fmt: skip


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


def on_page(shape: BaseGeometry) -> BaseGeometry:
    """Return a shape of local metres in panel pixels."""
    scale = PX / YARD_M
    return shapely.transform(shape, lambda xy: xy * (scale, -scale) + (-LEFT * PX, FAR * PX))


def path(shape: BaseGeometry) -> str:
    """Return the SVG path of an area or a line."""
    runs = []
    for part in shapely.get_parts(shape.simplify(0.12)):
        if part.geom_type == "Polygon":
            runs += [(np.array(r.coords)[:-1], "Z") for r in (part.exterior, *part.interiors)]
        else:
            runs.append((np.array(part.coords), ""))
    return "".join("M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in xy) + end for xy, end in runs)


def draw(shape: BaseGeometry, look: str) -> str:
    """Return a path with a class."""
    return "" if shape.is_empty else f"<path class='{look}' d='{path(shape)}'/>"


def text(words: str, x: float, y: float, look: str, anchor: str = "start") -> str:
    """Return a line of text."""
    at = f"x='{x:.1f}' y='{y:.1f}' text-anchor='{anchor}'"
    return f"<text {at} class='{look}'>{escape(words)}</text>"


@dataclass
class Taken:
    """Room in a panel that words keep clear of."""

    inside: Polygon
    shapes: list[BaseGeometry] = field(default_factory=list)

    def write(self, words: str, spots: list[tuple[float, float]], look: str, size: float) -> str:
        """Return words centred on the first spot that is free, or on the freest."""
        half = 0.285 * size * len(words) + 1.5

        def patch(spot: tuple[float, float]) -> Polygon:
            x, y = spot
            return box(x - half, y - 0.5 * size, x + half, y + 0.5 * size)

        def clash(spot: tuple[float, float]) -> float:
            outside = patch(spot).difference(self.inside).area
            return round(
                4 * outside + sum(patch(spot).intersection(s).area for s in self.shapes), 3
            )

        best = min(spots, key=clash)
        self.shapes.append(patch(best).buffer(1.0))
        return text(words, best[0], best[1] + 0.36 * size, look, "middle")


def round_about(area: BaseGeometry, words: str, away: np.ndarray) -> list[tuple[float, float]]:
    """Return spots for a label just outside an area, those on the side `away` first."""
    half = np.array([0.285 * 9.5 * len(words) + 2, 6.0])
    middle = np.array(area.centroid.coords[0])
    bearing = math.atan2(away[1], away[0])
    spots = []
    for gap in (1.5, 6.0, 12.0, 20.0):
        rim = area.buffer(gap)
        for step in range(13):
            for side in (1, -1):
                angle = bearing + side * step * math.pi / 12
                out = np.array([math.cos(angle), math.sin(angle)])
                ray = LineString([middle, middle + 400 * out]).intersection(rim)
                edge = np.array(shapely.get_coordinates(ray)[-1])
                spots.append(tuple(edge + out * half * np.abs(out)))
    return spots


def decoy(kind: str, x: float, y: float) -> str:
    """Return the mark of one decoy: shapes, so that grey print tells them apart."""
    at = f"cx='{x:.1f}' cy='{y:.1f}'"
    if kind == "goose":
        return f"<path class='goose' d='M{x:.1f} {y - 3:.1f}l3 3l-3 3l-3 -3z'/>"
    if kind == "motion":
        return f"<path class='motion' d='M{x - 3.4:.1f} {y - 3.4:.1f}l6.8 6.8m0 -6.8l-6.8 6.8'/>"
    return f"<circle {at} r='{1.3 if kind == 'small' else 1.8}' class='{kind}'/>"


def arrow(from_deg: float, x: float, y: float, half: float = 17.0) -> str:
    """Return the wind's arrow, flying with the wind."""
    turn = from_deg + 180
    return (
        f"<path class='wind' transform='translate({x:.1f} {y:.1f}) rotate({turn:g})' "
        f"d='M0 {half}V{-half}M-4.5 {-half + 8}L0 {-half}L4.5 {-half + 8}'/>"
    )


def hide(x: float, y: float) -> str:
    """Return the mark of the hide."""
    return f"<path class='hide' d='M{x - 5.5:.1f} {y + 4:.1f}h11l-2.6 -6.5h-5.8z'/>"


@cache
def cover_of(shore: str) -> Raster:
    """Return a shore as the cover raster that ways in are looked for on, a yard a pixel."""
    half = 160
    grid = Grid(CRS(32617), yd(-half), yd(half), YARD_M, (2 * half, 2 * half))
    to_pixels = from_origin(grid.west, grid.north, grid.pixel_m, grid.pixel_m)
    water = rasterize([SHORES[shore]()], out_shape=grid.shape, transform=to_pixels)
    return Raster(np.where(water, Cover.WATER, Cover.TREE)[None], grid, None, ("class",))


def way_in(spread: Spread, shore: str) -> BaseGeometry:
    """Return the line by which birds come to the pocket, bent along a bank as on the real water."""
    middle = np.array([spread.pocket_centre])
    downwind = spread.phi_deg + 180.0
    bend = np.zeros(1)
    if spread.layout != "timber" and spread.theta_deg >= 45:
        bend = find_approach(cover_of(shore), middle, downwind, np.zeros(1)).bend_deg
    (line,) = approach_lines(middle, downwind, bend, length_m=yd(36))
    outside = ~shapely.contains_xy(spread.pocket.buffer(-yd(2.5)), line)
    return on_page(LineString(line[outside][::-1]))


def panel(spread: Spread, water: BaseGeometry, *, shore: str) -> str:
    """Return one panel."""
    high = (FAR - NEAR[shore]) * PX
    window = box(0, 0, WIDE, high)
    sea = on_page(water)
    ground = window.difference(sea)
    seat = on_page(Point(0, 0))
    out = [draw(ground, "land"), draw(ground, "trees" if shore == "timber" else "tufts")]
    for depth, look in ((4.0, "ripple near"), (9.0, "ripple"), (15.0, "ripple far")):
        out.append(draw(sea.buffer(-depth).boundary.intersection(window), look))
    rings = [seat.buffer(r * PX, quad_segs=32).exterior.intersection(window) for r in RINGS]
    out += [draw(ring, "ring") for ring in rings]
    out.append(draw(sea.boundary.intersection(window), "shore"))

    taken = Taken(window.buffer(-3))
    taken.shapes += [seat.buffer(8), box(0, 0, 62, 52), sea.boundary.buffer(2.5)]
    groups = [(g, on_page(g.polygon)) for g in spread.groups if g.kind != "focus"]
    pocket = on_page(spread.pocket)
    taken.shapes += [pocket, *(area for _, area in groups)]
    spots = shapely.points(np.concatenate([spread.decoys, spread.motion]))
    spots = [on_page(p) for p in spots]
    taken.shapes += [p.buffer(4.5) for p in spots[len(spread.decoys) :]]
    if not spread.refused:
        line = way_in(spread, shore).intersection(window)
        out.append(draw(line, "way"))
        taken.shapes.append(line.buffer(1.5))
        out.append(draw(pocket, "pocket"))
    for group, area in groups:
        out += [
            draw(area, "patch"),
            f"<path d='{path(area)}' fill='url(#{group.kind})' class='group'/>",
        ]
    if len(spread.jerk_line):
        jerk = on_page(LineString(spread.jerk_line))
        out.append(draw(jerk, "jerk"))
        taken.shapes.append(jerk.buffer(2))
    kinds = [*spread.decoy_kinds, *["motion"] * len(spread.motion)]
    out += [decoy(kind, p.x, p.y) for kind, p in zip(kinds, spots, strict=True)]
    out.append(hide(seat.x, seat.y))
    for group, area in groups:
        words = f"{group.name} {group.count}"
        away = np.subtract(area.centroid.coords[0], pocket.centroid.coords[0])
        out.append(taken.write(words, round_about(area, words, away), "tag", 9.5))
    for r in RINGS[1:]:
        angles = np.radians([*range(-60, -20, 5), *range(60, 20, -5), *range(-15, 20, 5)])
        at = [(seat.x + r * PX * math.sin(a), seat.y - r * PX * math.cos(a)) for a in angles]
        out.append(taken.write(str(r), at, "figure", 8))
    out.append(arrow(spread.phi_deg, 26, 28))
    if spread.refused:
        words = spread.refused.split(": ")
        out += [
            text(w, WIDE / 2, high - 30 + 12 * n, "refused", "middle") for n, w in enumerate(words)
        ]
    return "\n".join([*out, draw(window, "frame")])


def row_of(row: Row, top: float) -> tuple[str, float]:
    """Return a row of panels under its heading, and where the next row begins."""
    water = SHORES[row.shore]()
    trees = box(yd(-80), yd(-80), yd(80), yd(80)).difference(water)
    high = (FAR - NEAR[row.shore]) * PX
    out = [
        f"<text x='{MARGIN}' y='{top:.1f}'><tspan class='name'>{row.name}</tspan>"
        f"<tspan class='words' dx='12'>{escape(row.words)}</tspan></text>",
    ]
    for n, phi in enumerate(row.winds):
        count = row.decoys[n % len(row.decoys)]
        spread = place_spread(
            layouts.draw_layout(row.name, phi, decoys=count),
            HideFrame(0.0, 0.0, 0.0),
            water=water,
            decoys=count,
            flooded=trees if row.shore == "timber" else None,
        )
        hand = "" if phi % 180 == 0 else " left" if phi < 0 else " right"
        words = (f"{abs(phi):g}°{hand}", f"{count - spread.left} decoys, {spread.wind_side}")
        x, y = MARGIN + n * (WIDE + GAP), top + 24
        out += [
            text(words[0], x + 2, y - 5, "title"),
            text("refused" if spread.refused else words[1], x + WIDE - 2, y - 5, "side", "end"),
            f"<svg x='{x:.1f}' y='{y:.1f}' width='{WIDE:.1f}' height='{high:.1f}'>"
            f"{panel(spread, water, shore=row.shore)}</svg>",
        ]
    return "\n".join(out), top + 24 + high + ROW_HEAD


def legend(x: float, y: float) -> str:
    """Return the samples of every mark in one line, and the scale."""
    out, step = [], x
    for kind, words in (("dark", "dark"), ("white", "much white"), ("goose", "goose"),
                        ("small", "small"), ("motion", "motion")):  # fmt: skip
        out += [decoy(kind, step + 5, y - 4), text(words, step + 14, y, "key")]
        step += 26 + 6.6 * len(words)
    for name in ("mass", "second", "near", "front", "guard", "hook", "tail"):
        sample = f"x='{step}' y='{y - 13}' width='26' height='15' fill='url(#{name})'"
        out += [f"<rect {sample} class='group'/>", text(name, step + 32, y, "key")]
        step += 46 + 6.6 * len(name)
    lines = (("pocket", "pocket, left open"), ("way", "birds come in"), ("jerk", "jerk line"))
    for look, words in lines:
        out += [f"<path class='{look}' d='M{step} {y - 4}h30'/>", text(words, step + 38, y, "key")]
        step += 56 + 6.6 * len(words)
    out += [hide(step + 6, y - 4), text("hide", step + 18, y, "key")]
    step += 62
    out += [arrow(90, step + 16, y - 4, 14), text("wind", step + 38, y, "key")]
    step += 84
    bar = "".join(f"M{step + 10 * n * PX:.1f} {y - 9}v6" for n in range(4))
    out += [f"<path class='bar' d='{bar}M{step} {y - 3}h{30 * PX:.1f}'/>",
            text("30 yd", step + 30 * PX + 8, y, "key")]  # fmt: skip
    return "\n".join(out)


STYLE = f"""
text{{fill:{INK};font-family:Helvetica,Arial,'DejaVu Sans',sans-serif}}
.heading{{font:bold 34px Georgia,'DejaVu Serif',serif}}
.words,.intro{{font:italic 15px Georgia,'DejaVu Serif',serif}}
.name{{font:bold 19px Georgia,'DejaVu Serif',serif}}
.title{{font-size:12.5px;font-weight:bold}} .side{{font-size:10.5px;fill:#555a60}}
.tag{{font-size:9.5px}} .key{{font-size:12.5px}} .figure{{font-size:8px;fill:{SOFT}}}
.tag,.figure{{paint-order:stroke;stroke:{PAPER};stroke-width:2.6px;stroke-linejoin:round}}
.refused{{font:italic 11.5px Georgia,'DejaVu Serif',serif;fill:{VERMILION};
paint-order:stroke;stroke:{LAND};stroke-width:5px}}
.land{{fill:{LAND}}} .tufts{{fill:url(#tufts)}} .trees{{fill:url(#trees)}}
.shore{{fill:none;stroke:{INK};stroke-width:1.3}} .frame{{fill:none;stroke:{INK};stroke-width:.8}}
.ripple{{fill:none;stroke:{BLUE};stroke-width:.5;opacity:.33}}
.ripple.near{{opacity:.5}} .ripple.far{{opacity:.18}}
.ring{{fill:none;stroke:{SOFT};stroke-width:.6;stroke-dasharray:1 3}}
.pocket{{fill:{BLUE};fill-opacity:.07;stroke:{BLUE};stroke-width:1.3;stroke-dasharray:5 2.6}}
.patch{{fill:{PAPER}}} .group{{stroke:{INK};stroke-width:.9}}
.way{{fill:none;stroke:{BLUE};stroke-width:.9;stroke-dasharray:7 3 1.5 3;marker-end:url(#tip)}}
.jerk{{fill:none;stroke:{INK};stroke-width:1;stroke-dasharray:1.2 2}}
.wind,.motion{{fill:none;stroke:{BLUE};stroke-width:2;stroke-linejoin:round}}
.motion{{stroke:{INK};stroke-width:1.5}}
.hide{{fill:{PAPER};stroke:{INK};stroke-width:1.5}} .bar{{fill:none;stroke:{INK};stroke-width:1.2}}
.dark{{fill:{INK}}} .white{{fill:#fff;stroke:{INK};stroke-width:.8}}
.goose{{fill:{VERMILION};stroke:{INK};stroke-width:.5}} .small{{fill:{BLUE}}}
"""  # fmt: skip


def patterns() -> str:
    """Return the hatchings of the parts, the same as on card and map, and the ground's marks."""
    tufts = "M4 8l1-4M6 8l0-5M8 8l-1-4M20 19l1-4M22 19l0-5M24 19l-1-4M13 28l.8-3M14.6 28l0-4"
    made = [
        f"<pattern id='{name}' width='{size:g}' height='{size:g}' "
        f"patternUnits='userSpaceOnUse' patternTransform='scale(.8)'>"
        f"<path d='{lines}' fill='none' stroke='#767b80' stroke-width='.8'/></pattern>"
        for name, (size, lines) in HATCHES.items()
        if name in ("mass", "second", "near", "front", "guard", "hook", "tail", "holding")
    ]
    crowns = "".join(
        f"<circle cx='{x}' cy='{y}' r='{r}' fill='#e4e7d6' stroke='#9aa088' stroke-width='.6'/>"
        for x, y, r in ((6, 7, 4.2), (19, 5, 3.2), (28, 14, 4.6), (13, 19, 3.6), (4, 27, 3.4),
                        (22, 27, 4.0), (30, 31, 2.6))
    )  # fmt: skip
    tile = "height='35' patternUnits='userSpaceOnUse'"
    tip = f"<path d='M0 .8L7 4L0 7.2' fill='none' stroke='{BLUE}' stroke-width='1.3'/>"
    return (
        "".join(made)
        + f"<pattern id='tufts' width='30' {tile}>"
        + f"<path d='{tufts}' fill='none' stroke='#a9a892' stroke-width='.7'/></pattern>"
        + f"<pattern id='trees' width='34' {tile}>{crowns}</pattern>"
        + "<marker id='tip' viewBox='0 0 8 8' refX='6' refY='4' markerWidth='7' markerHeight='7' "
        + f"orient='auto'>{tip}</marker>"
    )


def sheet() -> str:
    """Return the whole sheet as SVG."""
    rows, top = [], TOP
    for row in SHEET:
        drawn, top = row_of(row, top)
        rows.append(drawn)
    width, height = 2 * MARGIN + 8 * WIDE + 7 * GAP, top - ROW_HEAD + MARGIN
    intro = (
        "Hide at the foot of each panel, looking up the page; the wind in degrees off straight "
        "ahead; rings at 15, 20 and 35 yd from the guns; every panel to one scale. Common "
        "practice where the trade has a number, our judgement elsewhere."
    )
    return (
        f"<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 {width:.0f} {height:.0f}' "
        f"width='{width:.0f}' height='{height:.0f}'><title>Layouts by wind</title>"
        f"<style>{STYLE}</style><defs>{patterns()}</defs>"
        f"<rect width='100%' height='100%' fill='{PAPER}'/>\n"
        + text("Layouts by wind", MARGIN, 52, "heading")
        + text(intro, MARGIN, 78, "intro")
        + legend(MARGIN, 108)
        + "\n"
        + "\n".join(rows)
        + "</svg>\n"
    )


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("layouts.svg")
    target.write_text(sheet(), encoding="utf-8")
