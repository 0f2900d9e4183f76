"""A pen on a PDF page: one ink by day or by night, embedded fonts, text that never overflows."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from shapely.geometry.base import BaseGeometry

from sitegeo.export.hatches import FOCUS_RADIUS, hatch_strokes

InkColour = tuple[float, float, float]
"""Red, green and blue, 0 to 1."""

PLAIN, BOLD = "sitegeo-plain", "sitegeo-bold"
_FILES = {PLAIN: "Vera.ttf", BOLD: "VeraBd.ttf"}
_TILE_PT = 0.8
"""Points a unit of a hatching's tile; judgement."""

LEAST_PT = 6.5
"""Smaller letters are not read by headlamp; judgement. Words are cut instead."""


@dataclass(frozen=True)
class CardInks:
    """What a card is printed with.

    Parameters
    ----------
    paper
        The ground.
    full
        Ink of words and shapes.
    soft
        Of what lies behind.
    land
        Tone of land.
    code
        Ground of the code, which must be bright to be read.
    """

    paper: InkColour
    full: InkColour
    soft: InkColour
    land: InkColour
    code: InkColour


DAY_INKS = CardInks((1, 1, 1), (0, 0, 0), (0.42, 0.42, 0.42), (0.88, 0.88, 0.88), (1, 1, 1))
# Red alone: eyes keep their adaptation to the dark. The code's ground stays bright to be read.
NIGHT_INKS = CardInks((0, 0, 0), (1, 0, 0), (0.72, 0, 0), (0.2, 0, 0), (1, 0, 0))


@cache
def _ems(text: str, font: str) -> float:
    """Return the width of text at a size of 1; letters are not kerned, so widths add up."""
    return float(pdfmetrics.stringWidth(text, font, 1.0))


def register_fonts() -> None:
    """Register the fonts that travel with reportlab, so that they are embedded."""
    known = set(pdfmetrics.getRegisteredFontNames())
    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in _FILES.items():
        if name not in known:
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


class CardPen:
    """Draws on one reportlab canvas; y runs up, lengths are points."""

    def __init__(self, canvas: Any, inks: CardInks) -> None:
        self.canvas, self.inks = canvas, inks
        glyphs = pdfmetrics.getFont(PLAIN).face.charToGlyph
        self._has = frozenset(glyphs)

    def clean(self, text: str) -> str:
        """Return text in the letters the font has, on one line."""
        kept = []
        for letter in " ".join(text.split()):
            if ord(letter) in self._has:
                kept.append(letter)
            elif unicodedata.category(letter) not in {"Cc", "Cf", "Mn"}:
                folded = unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
                kept.append(folded or "?")
        return "".join(kept)

    def width(self, text: str, size: float, font: str = PLAIN) -> float:
        """Return the width of cleaned text.

        Parameters
        ----------
        text
            One line of words.
        size, font
            Letter size in points and the font's name.

        Returns
        -------
        float
            Points.
        """
        return _ems(self.clean(text), font) * size

    def text(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float,
        font: str = PLAIN,
        align: str = "left",
        width: float | None = None,
        colour: InkColour | None = None,
    ) -> float:
        """Write one line, made smaller and then shortened to fit `width`; return its width.

        Parameters
        ----------
        x, y
            Where the line's foot starts, ends or has its middle, by `align`.
        text
            The words.
        size, font
            Letter size in points and the font's name.
        align
            ``left``, ``right`` or ``centre``.
        width
            Room for it in points; None for no limit.
        colour
            Its ink; None for the full ink.

        Returns
        -------
        float
            Width of what was written, points.
        """
        words = self.clean(text)
        if width is not None:
            while size > LEAST_PT and self.width(words, size, font) > width:
                size = max(LEAST_PT, size - 0.5)
            words = self._shortened(words, size, font, width)
        self.canvas.setFillColorRGB(*(colour or self.inks.full))
        self.canvas.setFont(font, size)
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "centre": self.canvas.drawCentredString,
        }[align]
        draw(x, y, words)
        return self.width(words, size, font)

    def _shortened(self, words: str, size: float, font: str, width: float) -> str:
        if self.width(words, size, font) <= width:
            return words
        while words and self.width(words + "…", size, font) > width:
            words = words[:-1]
        return words.rstrip() + "…"

    def wrapped(self, text: str, size: float, width: float, font: str = PLAIN) -> list[str]:
        """Return the lines of a text no wider than `width`; a long word is broken.

        Parameters
        ----------
        text
            The words.
        size, font
            Letter size in points and the font's name.
        width
            Widest line, points.

        Returns
        -------
        list of str
            The lines; none for no words.
        """
        lines, line, used = [], "", 0.0
        for word in self.clean(text).split(" "):
            rest, wide = word, _ems(word, font) * size
            gap = _ems(" ", font) * size if line else 0.0
            if used + gap + wide <= width:
                line, used = f"{line} {rest}" if line else rest, used + gap + wide
                continue
            if line:
                lines.append(line)
            while len(rest) > 1 and self.width(rest, size, font) > width:
                cut = len(rest) - 1
                while cut > 1 and self.width(rest[:cut], size, font) > width:
                    cut = min(cut - 1, int(cut * 0.9))
                lines.append(rest[:cut])
                rest = rest[cut:]
            line, used = rest, _ems(rest, font) * size
        return [*lines, line] if line else lines

    def stroke(self, width: float, colour: InkColour | None = None, *, dash: Any = ()) -> None:
        """Set the line to draw with.

        Parameters
        ----------
        width
            Points.
        colour
            Its ink; None for the full ink.
        dash
            Lengths of dashes and gaps, points; none for a whole line.
        """
        self.canvas.setStrokeColorRGB(*(colour or self.inks.full))
        self.canvas.setLineWidth(width)
        self.canvas.setDash(list(dash))

    def line(self, *corners: tuple[float, float]) -> None:
        """Draw straight strokes through corners."""
        path = self.canvas.beginPath()
        path.moveTo(*corners[0])
        for corner in corners[1:]:
            path.lineTo(*corner)
        self.canvas.drawPath(path, stroke=1, fill=0)

    def fill(self, corners: Sequence[tuple[float, float]], colour: InkColour | None = None) -> None:
        """Fill a shape given by its corners."""
        path = self.canvas.beginPath()
        path.moveTo(*corners[0])
        for corner in corners[1:]:
            path.lineTo(*corner)
        path.close()
        self.canvas.setFillColorRGB(*(colour or self.inks.full))
        self.canvas.drawPath(path, stroke=0, fill=1)

    def path(self, shape: BaseGeometry) -> Any:
        """Return polygons, already in points, as a path; holes stay open by the even-odd rule."""
        path = self.canvas.beginPath()
        for part in getattr(shape, "geoms", [shape]):
            if part.geom_type != "Polygon" or part.is_empty:
                continue
            for ring in (part.exterior, *part.interiors):
                xy = list(ring.coords)
                path.moveTo(*xy[0])
                for corner in xy[1:-1]:
                    path.lineTo(*corner)
                path.close()
        return path

    def hatch(self, shape: BaseGeometry, part: str, *, width: float = 0.7) -> None:
        """Fill polygons with the strokes of a part, cut off at their edge.

        Parameters
        ----------
        shape
            Polygons, already in points.
        part
            Name of the hatching.
        width
            Of a stroke, points.
        """
        size, strokes = hatch_strokes(part)
        step = size * _TILE_PT
        west, south, east, north = shape.bounds
        canvas = self.canvas
        canvas.saveState()
        canvas.clipPath(self.path(shape), stroke=0, fill=0, fillMode=0)
        self.stroke(width)
        canvas.setLineCap(1)
        path = canvas.beginPath()
        for i in range(math.floor(west / step), math.ceil(east / step)):
            for j in range(math.floor(south / step), math.ceil(north / step)):
                x, top = i * step, (j + 1) * step
                if part == "focus":
                    path.circle(x + step / 2, top - step / 2, FOCUS_RADIUS * _TILE_PT)
                for x0, y0, x1, y1 in strokes:
                    path.moveTo(x + x0 * _TILE_PT, top - y0 * _TILE_PT)
                    path.lineTo(x + x1 * _TILE_PT, top - y1 * _TILE_PT)
        canvas.drawPath(path, stroke=1, fill=0)
        canvas.restoreState()

    def disc(self, x: float, y: float, words: str, radius: float = 9.0) -> None:
        """Draw a set-up number on a disc.

        Parameters
        ----------
        x, y
            The disc's middle.
        words
            A number or a letter or two.
        radius
            Of the disc, points.
        """
        self.canvas.setFillColorRGB(*self.inks.paper)
        self.stroke(1.4)
        self.canvas.circle(x, y, radius, stroke=1, fill=1)
        size = radius * 1.45 if len(words) < 2 else max(LEAST_PT, radius * 1.1)
        self.text(x, y - 0.36 * size, words, size=size, font=BOLD, align="centre")

    def arrow(self, x: float, y: float, toward_deg: float, length: float, *, width: float) -> None:
        """Draw an arrow centred at a point, toward a bearing with north up.

        Parameters
        ----------
        x, y
            Its middle.
        toward_deg
            Bearing it points along.
        length, width
            Of the arrow and of its shaft, points.
        """
        east, north = math.sin(math.radians(toward_deg)), math.cos(math.radians(toward_deg))

        def at(along: float, across: float) -> tuple[float, float]:
            return x + along * east + across * north, y + along * north - across * east

        half, head = length / 2, 2.4 * width
        shaft = half - 1.5 * head
        self.fill(
            [
                at(half, 0), at(shaft, head), at(shaft, width / 2), at(-half, width / 2),
                at(-half, -width / 2), at(shaft, -width / 2), at(shaft, -head),
            ]
        )  # fmt: skip
