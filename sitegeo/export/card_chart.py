"""The card's drawing: the plan to scale about the hide, true north up."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from sitegeo.export.card_content import CardContent, CardItem
from sitegeo.export.card_pen import BOLD, CardPen
from sitegeo.export.hatches import spread_part
from sitegeo.units import YARD_M

PT_PER_M = 72 / 0.0254
"""Points a metre of paper; standard."""

CHART_SCALES = (
    150, 200, 250, 300, 350, 400, 450, 500, 550, 600, 700, 800, 1000, 1250, 1500, 2000, 3000, 5000,
)  # fmt: skip
"""Scales a drawing may have: one to each of these; judgement."""

RING_YD = 10
"""A ring is drawn every so many yards; practice."""

_RINGS_PAST_YD = 8
"""Rings reach so far beyond what is set; judgement."""

_MARGIN_M = 4.0
"""Ground shown round what is set; judgement."""

_REFUSED_M = 36.0
"""Ground shown about the hide where there is no spread; judgement."""

_DISC = 9.0
"""Radius of a mark's disc, points; judgement."""

_CORNER = 62.0
"""Side of the squares that hold the wind's arrow and north's, points; judgement."""

_STRIP = 13.0
"""Height of the scale's strip under the drawing, points; judgement."""

_BAND = (22.0, 31.0)
"""Inner and outer radius of the band of no fire about the hide, points; judgement."""

_LEAST_MAGNETIC_DEG = 14.0
"""Magnetic north is drawn at least so far from true north, so that the lines are told apart;
judgement."""

PagePoint = tuple[float, float]
"""A point of the page: right, up, in points."""


@dataclass(frozen=True)
class ChartFrame:
    """Where metres from the hide fall on the page.

    Parameters
    ----------
    x, y
        Lower left corner of the drawing, points.
    width, height
        Of the drawing, points.
    scale
        It is one to this.
    hide
        The hide's point of the page.
    """

    x: float
    y: float
    width: float
    height: float
    scale: int
    hide: PagePoint

    @property
    def pt_per_m(self) -> float:
        """Points a metre."""
        return PT_PER_M / self.scale

    @property
    def box(self) -> shapely.Polygon:
        """The frame, in points."""
        return shapely.box(self.x, self.y, self.x + self.width, self.y + self.height)

    def at(self, east_m: float, north_m: float) -> PagePoint:
        """Return the page's point of a place."""
        k = self.pt_per_m
        return self.hide[0] + east_m * k, self.hide[1] + north_m * k

    def shape(self, shape: BaseGeometry) -> BaseGeometry:
        """Return a shape in points, cut off at the frame."""
        k = self.pt_per_m
        moved = shapely.transform(shape, lambda xy: xy * k + np.array(self.hide))
        return moved.intersection(self.box)


def fit_frame(content: CardContent, x: float, y: float, width: float, height: float) -> ChartFrame:
    """Return the frame that shows hide and spread as large as a round scale allows.

    Parameters
    ----------
    content
        What the card shows.
    x, y
        Lower left corner of the drawing, points.
    width, height
        Of the drawing, points.

    Returns
    -------
    ChartFrame
        With the smallest of `CHART_SCALES` at which all fits, else with the last of them.
    """
    shapes = [item.shape for item in content.items] or [shapely.Point(0, 0).buffer(_REFUSED_M)]
    seen = shapely.union_all([*shapes, shapely.Point(0, 0)]).buffer(_MARGIN_M)
    west, south, east, north = seen.bounds
    scale = next(
        (
            s
            for s in CHART_SCALES
            if (east - west) * PT_PER_M / s <= width and (north - south) * PT_PER_M / s <= height
        ),
        CHART_SCALES[-1],
    )
    k = PT_PER_M / scale
    hide = (x + width / 2 - (east + west) / 2 * k, y + height / 2 - (north + south) / 2 * k)
    return ChartFrame(x, y, width, height, scale, hide)


def item_marks(content: CardContent) -> list[str]:
    """Return the mark of each item: set-up numbers for groups, letters for the rest."""
    marks, number, moving = [], 0, 0
    several = sum(item.role == "motion" for item in content.items) > 1
    for item in content.items:
        if item.role == "group":
            number += 1
            marks.append(str(number))
        elif item.role == "motion":
            moving += 1
            marks.append(f"M{moving}" if several else "M")
        else:
            marks.append("J" if item.role == "jerk_line" else "P")
    return marks


def draw_chart(
    pen: CardPen, content: CardContent, corner: PagePoint, *, width: float, height: float
) -> ChartFrame:
    """Draw the plan into a rectangle given by its lower left corner; return the frame used.

    Parameters
    ----------
    pen
        What draws on the page.
    content
        What the card shows.
    corner
        The rectangle's lower left corner.
    width, height
        Of the rectangle, points.

    Returns
    -------
    ChartFrame
        Where metres from the hide fall on the page.
    """
    x, y = corner
    frame = fit_frame(content, x, y + _STRIP, width, height - _STRIP)
    canvas = pen.canvas
    canvas.saveState()
    clip = canvas.beginPath()
    clip.rect(frame.x, frame.y, frame.width, frame.height)
    canvas.clipPath(clip, stroke=0, fill=0)
    _land(pen, content, frame)
    taken = _Taken(frame)
    for item in content.items:
        if item.role != "pocket":
            taken.claim(frame.shape(item.shape.buffer(0.5)))
    reach = _rings(pen, content, frame)
    _no_fire(pen, content, frame, taken)
    for item in content.items:
        _item(pen, item, frame)
    _way_in(pen, content, frame, taken)
    pen.stroke(0.3)
    for east, north in content.decoys:
        canvas.setFillColorRGB(*pen.inks.full)
        canvas.circle(*frame.at(east, north), 1.3, stroke=0, fill=1)
    spots = _spots(content, frame)
    _rays(pen, frame, spots)
    _hide(pen, content, frame, taken)
    for mark, item, spot in zip(item_marks(content), content.items, spots, strict=True):
        if item.role != "pocket":
            pen.disc(*spot, mark, _DISC)
            taken.claim(shapely.Point(spot).buffer(_DISC + 1))
    for item in content.items:
        if item.role == "pocket":
            _pocket_words(pen, frame.shape(item.shape), taken)
    _wind_and_north(pen, content, frame, taken)
    _ring_words(pen, frame, reach, taken)
    canvas.restoreState()
    pen.stroke(1.2)
    canvas.rect(frame.x, frame.y, frame.width, frame.height, stroke=1, fill=0)
    _strip(pen, content, frame, y)
    return frame


class _Taken:
    """Room on the drawing that words should keep clear of."""

    def __init__(self, frame: ChartFrame) -> None:
        self.inside = frame.box.buffer(-3)
        self.shapes: list[BaseGeometry] = []

    def clash(self, shape: BaseGeometry) -> float:
        outside = shape.difference(self.inside).area * 0.7
        return float(outside + sum(shape.intersection(s).area for s in self.shapes))

    def claim(self, shape: BaseGeometry) -> None:
        self.shapes.append(shape)


def _land(pen: CardPen, content: CardContent, frame: ChartFrame) -> None:
    land = frame.shape(content.land)
    if land.is_empty:
        return
    pen.canvas.setFillColorRGB(*pen.inks.land)
    pen.stroke(1.1)
    pen.canvas.drawPath(pen.path(land), stroke=1, fill=1, fillMode=0)


def _rings(pen: CardPen, content: CardContent, frame: ChartFrame) -> int:
    """Draw a ring every 10 yd as far as the frame shows; return how many."""
    corners = shapely.get_coordinates(frame.box) - np.array(frame.hide)
    farthest = float(np.hypot(*corners.T).max()) / frame.pt_per_m / YARD_M
    far = max([item.range_m / YARD_M for item in content.items], default=40.0)
    count = max(1, min(math.ceil((far + _RINGS_PAST_YD) / RING_YD), int(farthest // RING_YD) or 1))
    for n in range(1, count + 1):
        pen.stroke(0.6, pen.inks.soft, dash=(4, 2) if n % 2 else ())
        pen.canvas.circle(*frame.hide, n * RING_YD * YARD_M * frame.pt_per_m, stroke=1, fill=0)
    return count


def _no_fire(pen: CardPen, content: CardContent, frame: ChartFrame, taken: _Taken) -> None:
    """Draw arcs of no fire as a crossed band close about the hide, where it is always seen."""
    for start, stop in content.no_fire:
        turn = (stop - start) % 360 or 360
        steps = np.radians(start + np.linspace(0, turn, max(2, int(turn)) + 1))
        ring = np.column_stack([np.sin(steps), np.cos(steps)])
        arc = shapely.Polygon(np.concatenate([ring * _BAND[0], ring[::-1] * _BAND[1]]))
        band = shapely.transform(arc, lambda xy: xy + np.array(frame.hide))
        pen.canvas.setFillColorRGB(*pen.inks.paper)
        pen.stroke(0.8)
        pen.canvas.drawPath(pen.path(band), stroke=0, fill=1)
        pen.hatch(band, "fire_closed", width=1.1)
        pen.stroke(0.8)
        pen.canvas.drawPath(pen.path(band), stroke=1, fill=0)
        taken.claim(band.buffer(1))


def _way_in(pen: CardPen, content: CardContent, frame: ChartFrame, taken: _Taken) -> None:
    """Draw the line birds come in by, its head at the pocket."""
    if not content.way_in:
        return
    way = [frame.at(*xy) for xy in content.way_in]
    pen.stroke(1.0, dash=(9, 2.5, 1.5, 2.5))
    pen.line(*way)
    (x0, y0), (x, y) = way[-2:]
    east, north = np.array([x - x0, y - y0]) / math.dist((x0, y0), (x, y))
    back = (x - 9 * east, y - 9 * north)
    side = (3.5 * north, -3.5 * east)
    pen.fill([(x, y), (back[0] + side[0], back[1] + side[1]),
              (back[0] - side[0], back[1] - side[1])])  # fmt: skip
    taken.claim(shapely.LineString(way).buffer(2))


def _item(pen: CardPen, item: CardItem, frame: ChartFrame) -> None:
    shape = frame.shape(item.shape)
    if item.role == "motion" or shape.is_empty:
        return
    if item.role == "jerk_line":
        pen.stroke(1.4, dash=(1.5, 2))
        pen.line(*shape.coords)
        return
    if item.role == "pocket":
        pen.stroke(1.8, dash=(6, 3))
        pen.canvas.drawPath(pen.path(shape), stroke=1, fill=0, fillMode=0)
        return
    pen.canvas.setFillColorRGB(*pen.inks.paper)
    pen.stroke(1.2)
    pen.canvas.drawPath(pen.path(shape), stroke=0, fill=1, fillMode=0)
    pen.hatch(shape, spread_part(item.name))
    pen.stroke(1.2)
    pen.canvas.drawPath(pen.path(shape), stroke=1, fill=0, fillMode=0)


def _spots(content: CardContent, frame: ChartFrame) -> list[PagePoint]:
    """Return where each item's mark goes: on it, or as near as leaves the others readable."""
    placed: list[PagePoint] = []
    least = 2 * _DISC + 2
    inside = frame.box.buffer(-_DISC - 1)
    for item in content.items:
        point = item.shape.centroid
        x0, y0 = frame.at(point.x, point.y)
        # The pocket's words may lie over its edge; discs keep off the hide and each other.
        kept = [] if item.role == "pocket" else [*placed, frame.hide]
        tries = [(x0, y0)] + [
            (x0 + r * math.sin(a), y0 + r * math.cos(a))
            for r in (8, 14, 20, 26, 34, 44)
            for a in np.radians(np.arange(0, 360, 30))
        ]
        clear = [
            t
            for t in tries
            if inside.covers(shapely.Point(t)) and all(math.dist(t, p) >= least for p in kept)
        ]
        placed.append(clear[0] if clear else (x0, y0))
    return placed


def _rays(pen: CardPen, frame: ChartFrame, spots: Sequence[PagePoint]) -> None:
    pen.stroke(0.4, pen.inks.soft)
    for spot in spots:
        pen.line(frame.hide, spot)


def _hide(pen: CardPen, content: CardContent, frame: ChartFrame, taken: _Taken) -> None:
    x, y = frame.hide
    pen.stroke(2.0)
    facing = math.radians(content.facing_deg)
    pen.line((x, y), (x + 17 * math.sin(facing), y + 17 * math.cos(facing)))
    pen.canvas.setFillColorRGB(*pen.inks.paper)
    pen.canvas.rect(x - 5.5, y - 5.5, 11, 11, stroke=1, fill=1)
    pen.canvas.setFillColorRGB(*pen.inks.full)
    pen.canvas.rect(x - 2.2, y - 2.2, 4.4, 4.4, stroke=0, fill=1)
    taken.claim(shapely.box(x - 8, y - 8, x + 8, y + 8))
    width = pen.width("HIDE", 11, BOLD)
    spots = [(x + 10, y - 4), (x - 10 - width, y - 4), (x - width / 2, y + 10)]
    spots.append((x - width / 2, y - 19))
    boxes = [shapely.box(px - 1, py - 2, px + width + 1, py + 10) for px, py in spots]
    best = min(range(4), key=lambda n: taken.clash(boxes[n]))
    _on_paper(pen, "HIDE", spots[best], size=11)
    taken.claim(boxes[best])


def _on_paper(pen: CardPen, words: str, at: PagePoint, *, size: float) -> None:
    """Write words on a patch of paper, so that lines behind do not cut them."""
    pen.canvas.setFillColorRGB(*pen.inks.paper)
    width = pen.width(words, size, BOLD)
    pen.canvas.rect(at[0] - 1.5, at[1] - 0.22 * size, width + 3, size, stroke=0, fill=1)
    pen.text(*at, words, size=size, font=BOLD)


def _pocket_words(pen: CardPen, pocket: BaseGeometry, taken: _Taken) -> None:
    """Write POCKET inside it, clear of the few decoys there."""
    if pocket.is_empty:
        return
    half = pen.width("POCKET", 10, BOLD) / 2 + 2
    west, south, east, north = pocket.bounds
    grid = [(x, y) for x in np.linspace(west, east, 13) for y in np.linspace(south, north, 13)]
    middle = pocket.centroid

    def cost(spot: PagePoint) -> float:
        box = shapely.box(spot[0] - half, spot[1] - 6, spot[0] + half, spot[1] + 6)
        away = math.dist(spot, (middle.x, middle.y))
        return taken.clash(box) + 2 * box.difference(pocket).area + away

    x, y = min(grid, key=cost)
    _on_paper(pen, "POCKET", (x - half + 2, y - 3.5), size=10)
    taken.claim(shapely.box(x - half, y - 6, x + half, y + 6))


def _ring_words(pen: CardPen, frame: ChartFrame, reach: int, taken: _Taken) -> None:
    """Write each ring's yards along the emptiest bearing."""

    def boxes(deg: float) -> list[tuple[PagePoint, shapely.Polygon]]:
        found = []
        for n in range(1, reach + 1):
            r = n * RING_YD * YARD_M
            px, py = frame.at(r * math.sin(math.radians(deg)), r * math.cos(math.radians(deg)))
            found.append(((px, py), shapely.box(px - 9, py - 4, px + 9, py + 5)))
        return found

    best = min(range(0, 360, 6), key=lambda d: sum(taken.clash(b) for _, b in boxes(d)))
    for n, ((px, py), box) in enumerate(boxes(best), 1):
        if not taken.inside.covers(box):
            continue
        words = f"{n * RING_YD} yd" if n == 1 else str(n * RING_YD)
        width = pen.width(words, 8, BOLD)
        _on_paper(pen, words, (px - width / 2, py - 3), size=8)


def _wind_and_north(pen: CardPen, content: CardContent, frame: ChartFrame, taken: _Taken) -> None:
    """Put the wind's arrow and the north arrow into the emptiest corners."""
    c, x, y = _CORNER, frame.x, frame.y
    east, top = x + frame.width - c, y + frame.height - c
    corners = [(east, top), (x, top), (east, y), (x, y)]
    boxes = {at: shapely.box(*at, at[0] + c, at[1] + c) for at in corners}
    order = sorted(corners, key=lambda at: taken.clash(boxes[at].buffer(-4)))
    wind, north = order[:2]
    for at in (wind, north):
        taken.claim(boxes[at])
    cx, cy = wind[0] + c / 2, wind[1] + c / 2
    if content.wind_from_deg is None:
        pen.text(cx, cy, "CALM", size=14, font=BOLD, align="centre")
    else:
        pen.arrow(cx, cy + 6, content.wind_from_deg + 180, 40, width=5)
        pen.text(cx, wind[1] + 6, "WIND", size=9, font=BOLD, align="centre")
    _north(pen, content, north[0] + c / 2, north[1] + c / 2)


def _north(pen: CardPen, content: CardContent, x: float, y: float) -> None:
    pen.stroke(1.4)
    pen.line((x, y - 24), (x, y + 12))
    pen.fill([(x, y + 17), (x - 4, y + 6), (x, y + 8.5), (x + 4, y + 6)])
    pen.text(x, y + 20, "N", size=10, font=BOLD, align="centre")
    if content.declination_deg is not None:
        turn = math.copysign(
            max(abs(content.declination_deg), _LEAST_MAGNETIC_DEG), content.declination_deg
        )
        tip = (x + 34 * math.sin(math.radians(turn)), y - 24 + 34 * math.cos(math.radians(turn)))
        pen.stroke(0.8, dash=(2, 1.5))
        pen.line((x, y - 24), tip)
        side = math.copysign(1, turn)
        align = "left" if side > 0 else "right"
        pen.text(tip[0] + 2 * side, tip[1] - 8, "mag", size=7, align=align)


def _strip(pen: CardPen, content: CardContent, frame: ChartFrame, y: float) -> None:
    bar = 10 * YARD_M * frame.pt_per_m
    pen.stroke(1.4)
    x = frame.x
    pen.line((x, y + 6), (x, y + 2), (x + bar, y + 2), (x + bar, y + 6))
    room = frame.width - bar - 6
    words = f"10 yd · 1:{frame.scale} at full size · true north up"
    if content.no_fire:
        words += " · crossed: no fire"
    if content.way_in:
        words += " · arrow: birds in"
    pen.text(x + bar + 5, y + 2, words, size=7.5, width=room)
