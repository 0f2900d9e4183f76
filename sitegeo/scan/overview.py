"""overview.png: the region on one sheet, its waters, its best blinds, and what is not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
from PIL import Image, ImageDraw, ImageFont
from rasterio.enums import Resampling

from sitegeo.angles import compass_point
from sitegeo.core import store

SHEET_PX = 1200
"""Longer side of the map on the sheet."""

LISTED_BLINDS = 20
"""Best blinds that are numbered and listed beside the map."""

_MARGIN, _LINE = 36, 24
_PAPER, _INK, _WATER = (250, 249, 245), (25, 25, 25), (0, 60, 110)
_FADED = (120, 120, 120)

# Okabe and Ito (2008), best first; the size of the mark falls with it, so that grey print tells.
SCORE_MARKS = ((0.85, (213, 94, 0), 8), (0.7, (230, 159, 0), 6), (0.0, (0, 114, 178), 4))

_STATES = {
    "bare": "no photo",
    "unreadable": "cannot be read",
    "failed": "failed",
}


class _View:
    """Coordinates of the region to pixels of the sheet."""

    def __init__(self, bounds: Sequence[float]) -> None:
        west, south, east, north = bounds
        self.scale = SHEET_PX / max(east - west, north - south)
        self.west, self.north = west, north
        self.size = (
            max(1, round((east - west) * self.scale)),
            max(1, round((north - south) * self.scale)),
        )

    def at(self, xy: Any) -> list[tuple[float, float]]:
        x, y = np.asarray(xy, float).reshape(-1, 2).T
        columns = _MARGIN + (x - self.west) * self.scale
        rows = 3 * _LINE + (self.north - y) * self.scale
        return list(zip(columns.tolist(), rows.tolist(), strict=True))


def draw_overview(
    path: Path,
    *,
    out: Path,
    record: Mapping[str, Any],
    blinds: gpd.GeoDataFrame,
    waters: gpd.GeoDataFrame,
    tiles: gpd.GeoDataFrame,
) -> None:
    """Write the overview: photo in grey, waters, blinds by score, tiles that are missing.

    Parameters
    ----------
    out
        Folder of the scan, where the tiles' photos lie.
    record
        What scan.json holds.
    tiles
        `id`, `state` and outline of each.
    """
    view = _View(record["bounds_m"])
    width, height = view.size
    foot = max(3 * _LINE + height, (LISTED_BLINDS + 5) * _LINE) + 12
    sheet = Image.new("RGB", (width + 2 * _MARGIN + 560, foot + 7 * _LINE), _PAPER)
    pen = ImageDraw.Draw(sheet)
    _put(pen, (_MARGIN, 14), str(record["title"]), size=26)
    surveys = {t["name"]: out / t["survey"] for t in record["tiles"] if t["survey"]}
    for row in tiles.to_dict("records"):
        _tile(sheet, pen, view, row, surveys.get(row["id"]))
    for shape in waters.geometry.to_numpy():
        for ring in (shape.exterior, *shape.interiors):
            pen.line(view.at(ring.coords), fill=_WATER, width=2)
    fit = blinds[blinds["rejected_by"].isna()] if len(blinds) else blinds
    ranked = "score" in fit
    best = fit[fit["same_place_as"].isna()].head(LISTED_BLINDS).to_dict("records") if ranked else []
    _blinds(pen, view, fit.iloc[::-1].to_dict("records"))
    for number, row in enumerate(best, 1):
        (x, y), *_ = view.at((row["geometry"].x, row["geometry"].y))
        _put(pen, (x + 8, y - 20), str(number), size=18, halo=True)
    _table(pen, best, (2 * _MARGIN + width, 3 * _LINE))
    _foot(pen, view, record, tiles, foot)
    sheet.save(path, "PNG", compress_level=4)


def _tile(
    sheet: Image.Image,
    pen: ImageDraw.ImageDraw,
    view: _View,
    row: Mapping[Any, Any],
    survey: Path | None,
) -> None:
    west, south, east, north = row["geometry"].bounds
    (left, top), (right, foot) = view.at([(west, north), (east, south)])
    box = (round(left), round(top), round(right), round(foot))
    if survey is not None:
        sheet.paste(_photo(survey / f"{store.PHOTO}.tif", row["geometry"].bounds, box), box[:2])
    if row["state"] in _STATES:
        for start in range(box[0] - (box[3] - box[1]), box[2], 14):
            a, b = max(start, box[0]), min(start + box[3] - box[1], box[2])
            if a < b:
                pen.line((a, box[1] + a - start, b, box[1] + b - start), fill=_FADED)
        _put(
            pen,
            (box[0] + 6, box[1] + 4),
            f"{row['id']}: {_STATES[row['state']]}",
            size=15,
            halo=True,
        )
    pen.rectangle(box, outline=_FADED)


def _photo(
    path: Path, bounds: tuple[float, float, float, float], box: tuple[int, int, int, int]
) -> Image.Image:
    """Return a tile's photo in pale grey, of its core alone."""
    size = max(1, box[3] - box[1]), max(1, box[2] - box[0])
    with rasterio.open(path) as source:
        window = source.window(*bounds)
        values = source.read(
            window=window,
            out_shape=(source.count, *size),
            resampling=Resampling.average,
        )
    grey = values.mean(axis=0)
    return Image.fromarray((130 + grey * 0.49).clip(0, 255).astype(np.uint8)).convert("RGB")


def _blinds(pen: ImageDraw.ImageDraw, view: _View, rows: Sequence[Mapping[Any, Any]]) -> None:
    """Draw blinds in the order given, the best last, so that they lie on top."""
    for row in rows:
        (x, y), *_ = view.at((row["geometry"].x, row["geometry"].y))
        score = row.get("score", 0.0)
        colour, r = next((c, r) for least, c, r in SCORE_MARKS if score >= least)
        pen.ellipse((x - r, y - r, x + r, y + r), fill=colour, outline=_INK)


def _table(
    pen: ImageDraw.ImageDraw, best: Sequence[Mapping[Any, Any]], at: tuple[int, int]
) -> None:
    x, y = at
    head = "The best places first, over all waters" if best else "No wind asked: not ranked"
    _put(pen, (x, y - _LINE), head, size=19)
    for number, row in enumerate(best, 1):
        faces = compass_point(row["facing_deg"])
        words = f"{number:2d}  {row['id']}  {row['kind']}, faces {faces}, {row['score']:.2f}"
        words += f", {row['water']}"
        words += f", {row['share']:.0%} of mornings" if "share" in row else ""
        _put(pen, (x, y + number * _LINE - 12), words, size=15)


def _foot(
    pen: ImageDraw.ImageDraw,
    view: _View,
    record: Mapping[str, Any],
    tiles: gpd.GeoDataFrame,
    y: int,
) -> None:
    length = 10.0 ** np.floor(np.log10(view.size[0] / view.scale / 3))
    end = _MARGIN + length * view.scale
    pen.rectangle((_MARGIN, y, end, y + 7), fill=_INK)
    shown = f"{length / 1000:g} km" if length >= 1000 else f"{length:g} m"
    _put(pen, (end + 8, y - 7), f"{shown}   grid north up ({record['crs']})", size=16)
    labels = ("0.85 and more", "0.7 and more", "less, or not ranked")
    for i, ((_, colour, r), words) in enumerate(zip(SCORE_MARKS, labels, strict=True)):
        left = _MARGIN + 8 + 190 * i
        middle = y + _LINE + 12
        pen.ellipse((left - r, middle - r, left + r, middle + r), fill=colour, outline=_INK)
        _put(pen, (left + 14, middle - 10), words, size=15)
    gone = int(tiles["state"].isin(list(_STATES)).sum())
    words = f"{gone} of {len(tiles)} tiles hatched: nothing is known there, which is not clear."
    _put(pen, (_MARGIN, y + 2 * _LINE + 4), words if gone else "", size=16)
    law = record["law"]
    told = f"Setbacks by '{law['name']}'" + ("." if law["chosen"] else ", which is not your law.")
    for i, line in enumerate([told, *record["credits"]][:3]):
        _put(pen, (_MARGIN, y + (3 + i) * _LINE), line, size=15)


def _put(
    pen: ImageDraw.ImageDraw,
    at: tuple[float, float],
    words: str,
    *,
    size: int,
    halo: bool = False,
) -> None:
    font = ImageFont.load_default(size=size)
    pen.text(at, words, fill=_INK, font=font, stroke_width=3 if halo else 0, stroke_fill=_PAPER)
