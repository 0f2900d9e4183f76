"""The card: one page of vectors that works in the dark, on paper or on a red screen.

From the top: the head, the drawing (`card_chart`) with place, way in, north and sun beside it, the
table of what to set, and words in two columns. Where words need room the table and the drawing draw
together, then letters shrink, and only then are sentences left out. Lengths are points, y runs up.
"""

from __future__ import annotations

import io
from typing import Any, Literal

import segno
from reportlab.pdfgen.canvas import Canvas
from shapely import box

from sitegeo.errors import UsageError
from sitegeo.export.card_chart import ChartFrame, PagePoint, draw_chart, item_marks
from sitegeo.export.card_content import CardContent, CardItem, CardLeg
from sitegeo.export.card_geo import add_map_frame
from sitegeo.export.card_pen import (
    BOLD,
    DAY_INKS,
    LEAST_PT,
    NIGHT_INKS,
    PLAIN,
    CardPen,
    register_fonts,
)
from sitegeo.export.hatches import spread_part
from sitegeo.units import FOOT_M, to_yd

Paper = Literal["letter", "a4"]
"""Paper a card is made for."""

PAPER_SIZES_PT = {"letter": (612.0, 792.0), "a4": (595.2756, 841.8898)}
"""Width and height, points; standard (ANSI A, ISO 216)."""

_MARGIN = 28.0
"""Round the page, points; judgement."""

_HEAD = 62.0
"""Height of the head with a headline of two lines, points; judgement."""

_SIDE = 196.0
"""Width of the column beside the drawing, points; judgement."""

_QR = 84.0
"""Side of the code, points; judgement."""

_TEXT_LEADING = 1.2
"""Height of a line, in letter sizes; judgement."""

_NO_NORTH = "No magnetic bearings: they need a date from 2025 to 2029."


def card_pdf(content: CardContent, *, page: Paper = "letter", night: bool = False) -> bytes:
    """Return the card as a PDF of one page; the same content gives the same bytes.

    Parameters
    ----------
    content
        What the card shows.
    page
        Paper it is made for.
    night
        Red on black, for a screen; otherwise black on white, for paper.

    Returns
    -------
    bytes
        The PDF; its drawing is georeferenced.

    Raises
    ------
    UsageError
        If the paper is not known.
    """
    if page not in PAPER_SIZES_PT:
        raise UsageError("unknown paper", value=page, remedy="Use letter or a4")
    register_fonts()
    width, height = PAPER_SIZES_PT[page]
    inks = NIGHT_INKS if night else DAY_INKS
    file = io.BytesIO()
    canvas = Canvas(
        file, pagesize=(width, height), invariant=1, pageCompression=1, initialFontName=PLAIN
    )
    pen = CardPen(canvas, inks)
    canvas.setTitle(pen.clean(f"{content.title}, blind {content.blind}"))
    canvas.setAuthor("")
    canvas.setCreator("sitegeo")
    if night:
        canvas.setFillColorRGB(*inks.paper)
        canvas.rect(0, 0, width, height, stroke=0, fill=1)
    frame = _draw(pen, content, width, height)
    canvas.showPage()
    add_map_frame(canvas, frame, content.lat, content.lon)
    canvas.save()
    return file.getvalue()


def _draw(pen: CardPen, content: CardContent, width: float, height: float) -> ChartFrame:
    left, right = _MARGIN, width - _MARGIN
    size, _, lines = _headline(pen, content, right - left)
    top = height - _MARGIN - _HEAD - _TEXT_LEADING * size * max(0, len(lines) - 2)
    rows = len(content.items)
    for tallest, least in _TIGHTER:
        row = tallest if rows <= 6 else max(15.0, 6 * tallest / rows)
        table = 18 + rows * row if rows else 0.0
        room = top - _MARGIN - table - 18
        split = _best_split(pen, content, room, right - left, least=least)
        if split is not None:
            break
    size, chart, columns = split or _cut(pen, content, room, right - left, least=least)
    _header(pen, content, left, right, height - _MARGIN)
    corner = (left, top - chart)
    frame = draw_chart(pen, content, corner, width=right - left - _SIDE - 12, height=chart)
    _side(pen, content, (right - _SIDE, top), width=_SIDE, height=chart)
    y = top - chart - 8
    if rows:
        _table(pen, content, left, right, top=y, row=row)
    _notes(pen, columns, (left, y - table - 6), width=right - left, size=size)
    return frame


# --- the head


def _header(pen: CardPen, content: CardContent, left: float, right: float, top: float) -> None:
    wind, _, bearing = content.wind_words.partition(" (")
    wind_width = min(240.0, max(pen.width(f"Wind {wind}", 19, BOLD), 120.0))
    room = right - left - wind_width - 16
    used = pen.text(left, top - 22, content.blind, size=27, font=BOLD, width=room / 2)
    pen.text(left + used + 12, top - 12, content.title, size=12, font=BOLD, width=room - used - 12)
    date = content.date or "no date: no magnetic bearing, no sun time"
    pen.text(left + used + 12, top - 25, date, size=10, width=room - used - 12)
    said = "Calm" if content.wind_from_deg is None else f"Wind {wind}"
    pen.text(right, top - 18, said, size=19, font=BOLD, align="right", width=wind_width)
    if bearing:
        words = bearing.rstrip(")") + " true"
        pen.text(right, top - 30, words, size=9.5, align="right", width=wind_width)
    size, font, lines = _headline(pen, content, right - left)
    for n, line in enumerate(lines):
        pen.text(
            left,
            top - 43 - _TEXT_LEADING * size * n,
            line,
            size=size,
            font=font,
            width=right - left,
        )


def _headline(pen: CardPen, content: CardContent, width: float) -> tuple[float, str, list[str]]:
    """Return size, font and lines of the headline: smaller and in three lines rather than cut."""
    font = BOLD if content.refused else PLAIN
    tries = [(11.0, 2)] * content.refused + [(9.0, 2), (8.5, 2), (8.0, 3), (LEAST_PT, 3)]
    for size, most in tries:
        lines = pen.wrapped(content.headline, size, width, font)
        if len(lines) <= most:
            break
    return size, font, lines[:most]


# --- beside the drawing


def _side(
    pen: CardPen, content: CardContent, at: PagePoint, *, width: float, height: float
) -> None:
    x, top = at
    y = _heading(pen, "Hide", x, top, width)
    pen.text(x, y - 13, _spaced(content.usng), size=14, font=BOLD, width=width)
    pen.text(
        x,
        y - 23,
        f"{content.lat:.5f}, {content.lon:.5f} (WGS 84, as the code)",
        size=8,
        width=width,
    )
    y = _heading(pen, "Way to the hide: straight lines, not paths", x, y - 31, width)
    if not content.legs:
        pen.text(x, y - 11, "no ramp or parking is mapped", size=8.5, width=width)
        y -= 14
    for leg in content.legs[:2]:
        y = _leg(pen, leg, x, y, width)
    bottom = top - height
    _qr(pen, content, x + width - _QR, bottom)
    y = _heading(pen, "North", x, y - 3, width)
    for part in pen.wrapped(content.declination or _NO_NORTH, 8, width)[:3]:
        y -= 10
        pen.text(x, y, part, size=8)
    _sun(pen, content, (x, y - 8), bottom=bottom, width=width - _QR - 6)


def _sun(pen: CardPen, content: CardContent, at: PagePoint, *, bottom: float, width: float) -> None:
    """Write the sun's times beside the code, smaller rather than cut."""
    x, top = at
    room = top - bottom - 11

    def told(large: float, small: float) -> list[tuple[float, str]]:
        sizes = [large if len(line) < 18 else small for line in content.sun]
        return [
            (size, part)
            for size, line in zip(sizes, content.sun, strict=True)
            for part in pen.wrapped(line, size, width)
        ]

    tries = [told(*sizes) for sizes in ((10.5, 8), (9.5, 7.5), (8.5, 7), (8, LEAST_PT))]
    lines = next((t for t in tries if sum(s for s, _ in t) * _TEXT_LEADING <= room), tries[-1])
    used = sum(size for size, _ in lines) * _TEXT_LEADING
    y = _heading(pen, content.sun_heading, x, min(top, bottom + 11 + used), width)
    for size, part in lines:
        if y - size * _TEXT_LEADING > bottom - 2:
            y -= size * _TEXT_LEADING
            pen.text(x, y, part, size=size)


def _leg(pen: CardPen, leg: CardLeg, x: float, y: float, width: float) -> float:
    pen.text(x, y - 12, f"from {leg.name}", size=9, width=width)
    big, small = _bearings(leg.bearing_magnetic_deg, leg.bearing_true_deg)
    used = pen.text(x, y - 30, big, size=18, font=BOLD)
    pen.text(x + used + 5, y - 30, small, size=8)
    far = f"{to_yd(leg.range_m):.0f} yd"
    pen.text(x + width, y - 30, far, size=15, font=BOLD, align="right", width=width - used - 80)
    pen.text(x, y - 41, _spaced(leg.usng), size=8, width=width)
    return y - 45


def _bearings(magnetic: float | None, true: float) -> tuple[str, str]:
    if magnetic is None:
        return _degrees(true), "true"
    return _degrees(magnetic), f"mag  ({_degrees(true)} true)"


def _degrees(bearing: float) -> str:
    return f"{round(bearing) % 360:03d}°"


def _spaced(usng: str) -> str:
    """Return a USNG reference as it is read aloud: zone, square, easting, northing."""
    zone = usng[:-12] if len(usng) > 12 else ""
    if not zone:
        return usng
    return f"{zone} {usng[-12:-10]} {usng[-10:-5]} {usng[-5:]}"


def _heading(pen: CardPen, words: str, x: float, y: float, width: float) -> float:
    pen.text(x, y - 8, words, size=8.5, font=BOLD, width=width)
    pen.stroke(0.8)
    pen.line((x, y - 11), (x + width, y - 11))
    return y - 11


def qr_matrix(lat: float, lon: float) -> tuple[tuple[int, ...], ...]:
    """Return the code of a place's geo: URI (RFC 5870), dark modules 1, without its margin."""
    code: Any = segno.make(f"geo:{lat:.6f},{lon:.6f}", error="m", micro=False)
    return tuple(tuple(int(v) for v in row) for row in code.matrix)


def _qr(pen: CardPen, content: CardContent, x: float, y: float) -> None:
    matrix = qr_matrix(content.lat, content.lon)
    n = len(matrix)
    cell = _QR / (n + 8)
    canvas = pen.canvas
    canvas.setFillColorRGB(*pen.inks.code)
    canvas.rect(x, y, _QR, _QR, stroke=0, fill=1)
    canvas.setFillColorRGB(0, 0, 0)
    path = canvas.beginPath()
    for r, line in enumerate(matrix):
        for c, dark in enumerate(line):
            if dark:
                path.rect(x + (c + 4) * cell, y + _QR - (r + 5) * cell, cell, cell)
    canvas.drawPath(path, stroke=0, fill=1)


# --- what to set

_SMALL = {"pocket": "leave open: birds land here", "jerk_line": "to a trunk: pull it for ripple"}


def _table(
    pen: CardPen, content: CardContent, left: float, right: float, *, top: float, row: float
) -> None:
    big = min(19.0, row * 0.74)
    name = left + 52
    edges = [right - 350, right - 244, right - 176, right - 114, right - 56, right]
    dated = content.declination is not None
    magnetic = "magnetic" if dated else ""
    heads = ("decoys", magnetic, "true", "yards", "paces", "line")
    for edge, head in zip(edges, heads, strict=True):
        pen.text(edge, top - 9, head, size=8, align="right")
    out = f"{content.take_up} out: count {content.take_up} back in"
    pen.text(left, top - 9, out, size=9.5, font=BOLD, width=edges[0] - left - 34)
    pen.stroke(1.0)
    pen.line((left, top - 13), (right, top - 13))
    for n, (mark, item) in enumerate(zip(item_marks(content), content.items, strict=True)):
        low = top - 13 - (n + 1) * row
        middle = low + row / 2
        _sample(pen, item, mark, (left, middle), size=min(row - 5, 18.0))
        title = item.name.lower()
        small = _SMALL.get(item.role, item.kinds)
        room = edges[0] - name - 30
        tall = min(11.5, row * 0.46)
        rise = 0.06 * row if small else -0.36 * tall
        pen.text(name, middle + rise, title, size=tall, font=BOLD, width=room)
        low_size = min(7.0, max(LEAST_PT, row * 0.34))
        pen.text(name, middle - 0.32 * row, small, size=low_size, width=room)
        cells = (
            "" if item.count is None else str(item.count),
            "" if item.bearing_magnetic_deg is None else _degrees(item.bearing_magnetic_deg),
            _degrees(item.bearing_true_deg),
            f"{to_yd(item.range_m):.0f}",
            _paces(item, content.pace_m),
            "" if item.line_m is None else f"{round(2 * item.line_m / FOOT_M) / 2:g} ft",
        )
        sizes = (big, big if dated else 0, big * (0.62 if dated else 1), big, 11, 11)
        for edge, words, size in zip(edges, cells, sizes, strict=True):
            if words and size:
                font = BOLD if size == big else PLAIN
                pen.text(edge, middle - 0.36 * size, words, size=size, font=font, align="right")
        pen.stroke(0.4, pen.inks.soft)
        pen.line((left, low), (right, low))


def _paces(item: CardItem, pace_m: float) -> str:
    if item.role == "pocket":
        return ""
    return "boat" if item.afloat else f"{item.range_m / pace_m:.0f}"


def _sample(pen: CardPen, item: CardItem, mark: str, at: PagePoint, *, size: float) -> None:
    x, y = at
    if item.role == "group":
        patch = box(x + 22, y - size / 2, x + 46, y + size / 2)
        pen.hatch(patch, spread_part(item.name))
        pen.stroke(1.0)
        pen.canvas.rect(x + 22, y - size / 2, 24, size, stroke=1, fill=0)
    elif item.role == "pocket":
        pen.stroke(1.5, dash=(5, 2.5))
        pen.canvas.rect(x + 1, y - size / 2, 45, size, stroke=1, fill=0)
    if item.role != "pocket":
        pen.stroke(1.0)
        pen.disc(x + 9, y, mark, min(9.0, size / 2))


# --- words below

_NOTE_LEADING = 1.27
"""Height of a line of the words below, in letter sizes; judgement."""

_HEADING_GAP = 0.45
"""Room above a heading among them, in letter sizes; judgement."""

_CHART_HEIGHTS = (270.0, 410.0)
"""Least and greatest height of the drawing, points; judgement."""

_TIGHTER = ((26.0, _CHART_HEIGHTS[0]), (21.0, 266.0), (16.0, 262.0))
"""Height of a row of the table and least height of the drawing, tighter where words need room.

A lower drawing would push the code beside it into the words on north; judgement.
"""

_TextLine = tuple[str, str]
"""Font and words."""

_TextColumns = tuple[list[_TextLine], list[_TextLine]]


def _best_split(
    pen: CardPen, content: CardContent, room: float, width: float, *, least: float
) -> tuple[float, float, _TextColumns] | None:
    """Return text size, height of the drawing and the words in two columns; None if too little."""
    each = (width - 14) / 2
    tries = [(size, high) for high in (350.0, 310.0, least) for size in (9.5, 9, 8.5, 8)]
    for size, high in [*tries, *((size, least) for size in (7.5, 7, LEAST_PT))]:
        columns = _columns(_lines(pen, content, size, each))
        chart = room - max(_height(c, size) for c in columns)
        if chart >= high:
            return size, min(chart, _CHART_HEIGHTS[1]), columns
    return None


def _cut(
    pen: CardPen, content: CardContent, room: float, width: float, *, least: float
) -> tuple[float, float, _TextColumns]:
    """Return as `_best_split`, sentences left out from the end, and it is said."""
    lines = _lines(pen, content, LEAST_PT, (width - 14) / 2)
    more = (BOLD, "More than a card can hold: the rest is in plan.json")
    for cut in reversed(_starts(lines)):
        kept = lines[: cut - 1 if lines[cut - 1][0] == BOLD else cut]
        columns = _columns([*kept, more])
        if room - max(_height(c, LEAST_PT) for c in columns) >= least:
            return LEAST_PT, least, columns
    return LEAST_PT, least, ([more], [])


def _lines(pen: CardPen, content: CardContent, size: float, width: float) -> list[_TextLine]:
    lines: list[_TextLine] = []
    for heading, sentences in content.notes:
        if not sentences:
            continue
        lines.append((BOLD, heading))
        for sentence in sentences:
            first, *rest = pen.wrapped(sentence, size, width - 7) or [""]
            lines.append((PLAIN, f"· {first}"))
            lines += [(PLAIN, f"  {line}") for line in rest]
    return lines


def _columns(lines: list[_TextLine]) -> _TextColumns:
    """Return lines in two columns of even height, cut before a heading or a sentence."""
    starts = [n for n in _starts(lines) if lines[n - 1][0] != BOLD]
    cut = min(starts, key=lambda n: abs(2 * n - len(lines)), default=len(lines))
    return lines[:cut], lines[cut:]


def _starts(lines: list[_TextLine]) -> list[int]:
    """Return where a heading or a sentence starts, the first line left out."""
    return [n for n, (font, words) in enumerate(lines) if n and (font == BOLD or words[0] == "·")]


def _height(lines: list[_TextLine], size: float) -> float:
    return size * (
        _NOTE_LEADING * len(lines) + _HEADING_GAP * sum(font == BOLD for font, _ in lines)
    )


def _notes(
    pen: CardPen, columns: _TextColumns, corner: PagePoint, *, width: float, size: float
) -> None:
    left, top = corner
    each = (width - 14) / 2
    for n, column in enumerate(columns):
        x, y = left + n * (each + 14), top
        for row, (font, words) in enumerate(column):
            y -= size * (_NOTE_LEADING + (_HEADING_GAP if font == BOLD and row else 0.0))
            indent = 7.0 if words.startswith("  ") else 0.0
            pen.text(x + indent, y, words.strip(), size=size, font=font, width=each - indent)
