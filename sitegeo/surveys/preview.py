"""survey.png: what a survey found beside the photo it was found in, to judge it at a glance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from PIL import Image, ImageDraw, ImageFont
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

from sitegeo.core import store
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import ByteArray

_Colour = tuple[int, int, int]

PANEL_PX = 1000
"""The longer side of the photo, as it is drawn."""

PNG_LEVEL = 3
"""How hard the picture is compressed."""

UNSURE = 50
"""Classes of a lower confidence, in percent, are hatched; judgement."""

PAPER, INK = (250, 249, 245), (25, 25, 25)
_MARGIN, _LINE = 28, 26
_FONT = 18  # the usual size

# Okabe and Ito (2008): told apart by colour-blind eyes; open ground is left to the photo.
CLASS_COLOURS: dict[Cover, tuple[str, _Colour]] = {
    Cover.WATER: ("water", (86, 180, 233)),
    Cover.TREE: ("trees", (0, 158, 115)),
    Cover.LOW: ("low cover", (240, 228, 66)),
    Cover.OPEN: ("open ground", (190, 190, 190)),
    Cover.BUILT: ("bare or built", (204, 121, 167)),
}
POSITION_COLOURS: dict[str, tuple[str, _Colour]] = {
    "tree line": ("tree lines", (230, 159, 0)),
    "point": ("points", (255, 255, 255)),
    "cove": ("coves", (255, 255, 255)),
    "timber opening": ("timber openings", (240, 228, 66)),
    "cover clump": ("cover clumps", (204, 121, 167)),
    "open flat": ("open flats", (86, 180, 233)),
    "chosen": ("chosen by you", (213, 94, 0)),
}
_UNLABELLED = frozenset({"cover clump"})


@dataclass(frozen=True)
class _Panel:
    """A grid drawn `scale` times as large, its north-west corner at `left`, `top`."""

    grid: Grid
    scale: float
    left: int
    top: int

    def at(self, shape: BaseGeometry) -> list[tuple[float, float]]:
        x, y = shapely.get_coordinates(shape).T
        factor = self.scale / self.grid.pixel_m
        columns = self.left + (x - self.grid.west) * factor
        rows = self.top + (self.grid.north - y) * factor
        return list(zip(columns.tolist(), rows.tolist(), strict=True))


def preview_image(
    layers: Mapping[str, Any], *, title: str, warnings: Sequence[str] = ()
) -> Image.Image:
    """Return a survey as a picture: photo and positions on the left, classes on the right.

    The same survey gives the same picture under the same library versions.

    Parameters
    ----------
    layers
        Of a survey: `photo`, `cover`, `positions` and `water`.
    title
        Name of the place.
    warnings
        What to know before trusting it; the first few are written beside the legend.

    Returns
    -------
    Image
        RGB; `PANEL_PX` along the longer side of the photo.
    """
    photo, cover = layers[store.PHOTO], layers["cover"]
    positions, water = layers["positions"], layers["water"]
    rows, columns = cover.grid.shape
    scale = PANEL_PX / max(rows, columns)
    size = max(1, round(columns * scale)), max(1, round(rows * scale))
    seen = _photo(photo, size)
    top = _MARGIN + 2 * _LINE
    # The legend keeps its width where the photo is narrow.
    width = max(2 * size[0] + 3 * _MARGIN, 1300)
    image = Image.new("RGB", (width, top + size[1] + 9 * _LINE + _MARGIN), PAPER)
    pen = ImageDraw.Draw(image)
    image.paste(seen, (_MARGIN, top))
    image.paste(_classes(seen, cover, size), (2 * _MARGIN + size[0], top))
    left = _Panel(cover.grid, scale, _MARGIN, top)
    right = _Panel(cover.grid, scale, 2 * _MARGIN + size[0], top)
    for view in (left, right):
        for polygon in water.geometry.explode():
            for ring in (polygon.exterior, *polygon.interiors):
                pen.line(view.at(ring), fill=(0, 60, 110), width=1)
    _positions(pen, left, positions)
    text = _Writer(pen)
    text.put((_MARGIN, _MARGIN // 2 + 2), title, size=26)
    text.put((_MARGIN, top - _LINE), "the photo, and the positions found in it")
    text.put((right.left, top - _LINE), "what each part of it was taken for")
    _scale_bar(pen, text, left, size, top + size[1] + 16)
    y = top + size[1] + 2 * _LINE + 20
    _legend(pen, text, cover, positions["kind"], y)
    _warnings(text, warnings, y, width=width)
    return image


def _photo(photo: Raster, size: tuple[int, int]) -> Image.Image:
    pixels = np.moveaxis(photo.values[:3], 0, -1).astype(np.uint8)
    pixels = np.where(photo.mask[..., None], pixels, np.array(PAPER, np.uint8))
    return Image.fromarray(pixels).resize(size, Image.Resampling.BOX)


def _classes(seen: Image.Image, cover: Raster, size: tuple[int, int]) -> Image.Image:
    """Return the photo in grey under a wash of class colours, hatched where unsure."""

    def resized(band: str) -> ByteArray:
        plane = Image.fromarray(cover.band(band).astype(np.uint8))
        return np.asarray(plane.resize(size, Image.Resampling.NEAREST))

    code, sure = resized("class"), resized("confidence")
    grey = np.asarray(seen.convert("L"), np.float32)[..., None].repeat(3, axis=2)
    out = grey.copy()
    for member, (_, colour) in CLASS_COLOURS.items():
        here = code == member
        out[here] = 0.4 * grey[here] + 0.6 * np.array(colour)
    row, column = np.indices(code.shape)
    hatch = (sure < UNSURE) & (code != Cover.NONE) & ((row + column) % 6 == 0)
    out[hatch] = 60
    out[code == Cover.NONE] = PAPER
    return Image.fromarray(np.clip(out, 0, 255).astype(np.uint8))


def _positions(pen: ImageDraw.ImageDraw, view: _Panel, positions: gpd.GeoDataFrame) -> None:
    text = _Writer(pen, size=15)
    # Areas first, so that lines and marks lie on them.
    order = ("open flat", "timber opening", "cover clump", "tree line", "cove", "point", "chosen")
    for kind in order:
        found = positions[positions["kind"] == kind]
        for name, shape in zip(found["id"], found.geometry, strict=True):
            _mark(pen, view, kind, shape)
            if kind not in _UNLABELLED:
                x, y = view.at(_anchor(shape))[0]
                text.label((x + 8, y - 20), name)


def _anchor(shape: BaseGeometry) -> BaseGeometry:
    return (
        shape.interpolate(0.5, normalized=True)
        if shape.geom_type == "LineString"
        else shape.representative_point()
    )


def _mark(pen: ImageDraw.ImageDraw, view: _Panel, kind: str, shape: BaseGeometry) -> None:
    """Draw a position: each kind has its own form, so that colour is not needed to tell it."""
    colour = POSITION_COLOURS[kind][1]
    if shape.geom_type == "Point":
        x, y = view.at(shape)[0]
        _symbol(pen, kind, x, y)
        return
    lines = [shape] if "Line" in shape.geom_type else _rings(shape)
    for line in lines:
        at = view.at(line)
        if kind == "open flat":
            for a, b in _dashes(line.length, view):
                part = substring(cast("LineString", line), a, b)
                pen.line(view.at(part), fill=INK, width=5)
                pen.line(view.at(part), fill=colour, width=3)
        else:
            pen.line(at, fill=INK, width=7 if kind == "tree line" else 4)
            pen.line(at, fill=colour, width=4 if kind == "tree line" else 2)


def _rings(shape: BaseGeometry) -> list[BaseGeometry]:
    return [p.exterior for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]


def _dashes(length: float, view: _Panel) -> Iterator[tuple[float, float]]:
    dash = 10 * view.grid.pixel_m / view.scale
    for start in np.arange(0.0, length, 2 * dash):
        yield float(start), float(min(start + dash, length))


def _symbol(pen: ImageDraw.ImageDraw, kind: str, x: float, y: float, r: float = 8.0) -> None:
    colour = POSITION_COLOURS[kind][1]
    if kind == "point":
        pen.polygon([(x, y - r), (x + r, y + r), (x - r, y + r)], fill=colour, outline=INK)
    elif kind == "cove":
        pen.pieslice((x - r, y - r, x + r, y + r), 0, 180, fill=colour, outline=INK)
    elif kind == "tree line":
        pen.line([(x - 2 * r, y), (x + 2 * r, y)], fill=INK, width=7)
        pen.line([(x - 2 * r, y), (x + 2 * r, y)], fill=colour, width=4)
    elif kind == "open flat":
        for start in (-2 * r, 0.5 * r):
            pen.line([(x + start, y), (x + start + 1.5 * r, y)], fill=INK, width=5)
            pen.line([(x + start, y), (x + start + 1.5 * r, y)], fill=colour, width=3)
    elif kind == "timber opening":
        pen.rectangle((x - r, y - r, x + r, y + r), outline=INK, width=4)
        pen.rectangle((x - r + 1, y - r + 1, x + r - 1, y + r - 1), outline=colour, width=2)
    else:
        pen.ellipse((x - r, y - r, x + r, y + r), outline=INK, width=4)
        pen.ellipse((x - r + 1, y - r + 1, x + r - 1, y + r - 1), outline=colour, width=2)


def _scale_bar(
    pen: ImageDraw.ImageDraw, text: _Writer, view: _Panel, size: tuple[int, int], y: int
) -> None:
    px_per_m = view.scale / view.grid.pixel_m
    length = round_length(size[0] / px_per_m / 3)
    end = view.left + length * px_per_m
    pen.rectangle((view.left, y, end, y + 7), outline=INK)
    pen.rectangle((view.left, y, (view.left + end) / 2, y + 7), fill=INK)
    text.put((end + 10, y - 8), f"{length:g} m")
    # An arrow to true north, leaning by the convergence of the grid.
    lean = np.deg2rad(-view.grid.convergence_deg)
    x, foot = end + 130, y + 32.0
    tip = (x + 34 * np.sin(lean), foot - 34 * np.cos(lean))
    pen.line([(x, foot), tip], fill=INK, width=2)
    pen.polygon([tip, (tip[0] - 5, tip[1] + 11), (tip[0] + 5, tip[1] + 11)], fill=INK)
    text.put((x + 14, y - 2), "true north")


def round_length(longest_m: float) -> float:
    """Return the longest of 1, 2 or 5 times a power of ten that fits."""
    # One half is there for a length that rounding puts just below a power of ten.
    power = 10.0 ** np.floor(np.log10(longest_m))
    return float(power * max(k for k in (0.5, 1, 2, 5) if k * power <= longest_m))


def _legend(
    pen: ImageDraw.ImageDraw, text: _Writer, cover: Raster, kinds: pd.Series[str], y: int
) -> None:
    code, sure = cover.band("class"), cover.band("confidence")
    known = max(int((code != Cover.NONE).sum()), 1)
    for i, (member, (name, colour)) in enumerate(CLASS_COLOURS.items()):
        here = code == member
        share = here.sum() / known
        certainty = f", {sure[here].mean():.0f} % sure" if here.any() else ""
        row = y + i * _LINE
        wash = tuple(int(0.6 * c + 0.4 * 128) for c in colour)
        pen.rectangle((_MARGIN, row, _MARGIN + 30, row + 16), fill=wash, outline=INK)
        text.put((_MARGIN + 42, row - 3), f"{name}: {share:.1%}{certainty}")
    text.put((_MARGIN, y + 5 * _LINE - 3), f"hatched: less than {UNSURE} % sure")
    counts = kinds.value_counts()
    for i, (kind, (name, _)) in enumerate(k for k in POSITION_COLOURS.items() if k[0] in counts):
        row = y + i * _LINE
        _symbol(pen, kind, 480, row + 8)
        text.put((510, row - 3), f"{name}: {counts[kind]}")
    if counts.empty:
        text.put((470, y - 3), "no position found")


def _warnings(text: _Writer, words: Sequence[str], y: int, *, width: int) -> None:
    longest = int((width - 760 - _MARGIN) / 8.5)
    for i, line in enumerate(words[:6]):
        text.put((760, y + i * _LINE - 3), _shortened(line, longest), size=16)
    if len(words) > 6:
        text.put((760, y + 6 * _LINE - 3), f"and {len(words) - 6} more in survey.json", size=16)


def _shortened(line: str, longest: int) -> str:
    return line if len(line) <= longest else f"{line[: longest - 1].rstrip()}…"


class _Writer:
    """Text on an image; labels that would lie on another are left out."""

    def __init__(self, pen: ImageDraw.ImageDraw, *, size: int = _FONT) -> None:
        self._pen, self._size = pen, size
        self._taken: list[tuple[float, float, float, float]] = []

    def put(self, at: tuple[float, float], words: str, *, size: int | None = None) -> None:
        self._pen.text(at, words, fill=INK, font=ImageFont.load_default(size=size or self._size))

    def label(self, at: tuple[float, float], words: str) -> None:
        font = ImageFont.load_default(size=self._size)
        box = self._pen.textbbox(at, words, font=font)
        if any(_overlap(box, other) for other in self._taken):
            return
        self._taken.append(box)
        self._pen.text(at, words, fill=INK, font=font, stroke_width=3, stroke_fill=PAPER)


def _overlap(a: Sequence[float], b: Sequence[float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
