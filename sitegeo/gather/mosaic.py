"""Cutting the area out of rasters on servers and joining them, newest complete coverage first."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import groupby
from typing import Any

import numpy as np
import shapely
from affine import Affine
from pyproj import CRS
from rasterio.enums import ColorInterp, Resampling
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window
from shapely.geometry.base import BaseGeometry

from sitegeo.core.typing import AnyArray, BoolArray
from sitegeo.errors import GatherError
from sitegeo.gather.client import Fetcher
from sitegeo.gather.remote import open_remote
from sitegeo.gather.sources import ClippedRaster, GatherArea
from sitegeo.places.rasters import horizontal_crs, valid_mask, view_with_alpha

MAX_MOSAIC_PIXELS = 100_000_000
"""Pixels of a picture, beyond which it is refused: what a survey can hold (judgement)."""

COMPLETE_SHARE = 0.9999
"""A picture is whole from this share of its pixels on: rims leave single ones open (judgement)."""

MAX_SCENE_GROUPS = 4
"""Dates or years looked at to fill what the newest leaves open (judgement)."""

METRES_A_DEGREE = 111_320.0
"""Of latitude, near enough to choose an overview by (standard)."""

LEAST_OVERVIEW_FACTOR = 1.5
"""Between an image's own pixels and its first overview, which is twice as coarse (standard)."""

SAME_PIXELS_PX = 0.01
"""Two grids no further apart than this are one: pixels are copied, not resampled (judgement)."""


@dataclass(frozen=True)
class Scene:
    """One catalogue item: its files (one, or one a band), its day, and where it lies (WGS 84)."""

    id: str
    hrefs: tuple[str, ...]
    day: str
    footprint: BaseGeometry


@dataclass
class _Canvas:
    """The pixels to fill, and which are filled."""

    crs: CRS
    transform: Affine
    values: AnyArray
    valid: BoolArray


def order_scenes(scenes: Sequence[Scene], area: GatherArea, *, by: str) -> list[Scene]:
    """Return scenes in the order to use them: the newest that cover the area together first.

    Parameters
    ----------
    scenes
        Footprints in WGS 84.
    area
        Scenes beyond it are left out.
    by
        ``year`` or ``day``: what is flown or taken together.

    Returns
    -------
    list of Scene
        Of at most `MAX_SCENE_GROUPS` years or days.

    Examples
    --------
    >>> import shapely
    >>> from sitegeo.gather.sources import GatherArea
    >>> around = shapely.box(-91, 44, -90, 45)
    >>> scenes = [Scene(day, (), day, around) for day in ("2020-07-01", "2023-08-09")]
    >>> [s.day for s in order_scenes(scenes, GatherArea(44.5, -90.5, 500), by="year")]
    ['2023-08-09', '2020-07-01']
    """
    digits = {"year": 4, "day": 10}[by]
    wanted = shapely.box(*area.bounds())
    meeting = [s for s in scenes if shapely.intersects(s.footprint, wanted)]
    ordered = sorted(sorted(meeting, key=lambda s: s.id), key=lambda s: s.day, reverse=True)
    groups = [list(g) for _, g in groupby(ordered, key=lambda s: s.day[:digits])]
    complete = [
        g for g in groups if shapely.covers(shapely.union_all([s.footprint for s in g]), wanted)
    ]
    first = complete[:1]
    rest = [g for g in groups if g not in first]
    return [scene for group in (first + rest)[:MAX_SCENE_GROUPS] for scene in group]


def mosaic_scenes(
    scenes: Sequence[Scene],
    area: GatherArea,
    fetcher: Fetcher,
    *,
    finest_m: float,
    bands: tuple[str, ...] = (),
    void: float | None = None,
) -> ClippedRaster:
    """Return the area cut out of scenes in their order, each filling what those before left open.

    The first scene sets CRS and pixels; others on the same pixels are copied as they are, the
    rest resampled onto them. Overviews are read where pixels are finer than `finest_m`.

    Parameters
    ----------
    scenes
        In the order to use them.
    area
        What is cut out.
    fetcher
        Reads the files, part by part.
    finest_m
        Pixels finer than this are read from an overview.
    bands
        Names of the bands; a band tagged as transparency and named otherwise holds a picture.
    void
        Value that stands for no data where all bands hold it.

    Returns
    -------
    ClippedRaster
        In the first scene's CRS, its type of number, and the days of the scenes used.

    Raises
    ------
    GatherError
        If nothing can be read, or the area holds too many pixels.
    """
    if not scenes:
        raise GatherError("no image of this place is listed")
    canvas = _canvas(scenes[0], area, fetcher, finest_m)
    used: list[Scene] = []
    for scene in scenes:
        if canvas.valid.mean() >= COMPLETE_SHARE:
            break
        if _fill(scene, fetcher, canvas, bands, void):
            used.append(scene)
    if not canvas.valid.any():
        raise GatherError("the images listed hold no data here")
    days = tuple(sorted({s.day for s in used}))
    return ClippedRaster(canvas.values, canvas.valid, canvas.crs, canvas.transform, days)


def _canvas(scene: Scene, area: GatherArea, fetcher: Fetcher, finest_m: float) -> _Canvas:
    with open_remote(fetcher, scene.hrefs[0]) as source:
        if source.crs is None:
            raise GatherError("an image has no coordinate reference system", where=scene.id)
        crs = horizontal_crs(source)
        metre = 1.0 if crs.is_projected else 1 / METRES_A_DEGREE
        transform = source.transform @ Affine.scale(_decimation(source, finest_m * metre))
        count = source.count if len(scene.hrefs) == 1 else len(scene.hrefs)
        dtype = source.dtypes[0]
    west, south, east, north = area.bounds(crs)
    (left, top), (right, bottom) = ~transform @ (west, north), ~transform @ (east, south)
    col, row = int(np.floor(left + 1e-6)), int(np.floor(top + 1e-6))
    cols, rows = int(np.ceil(right - 1e-6)) - col, int(np.ceil(bottom - 1e-6)) - row
    if rows * cols > MAX_MOSAIC_PIXELS or min(rows, cols) < 1:
        raise GatherError(
            f"the area holds {rows * cols / 1e6:.0f} million pixels",
            remedy="Ask for a smaller --radius or a coarser --finest",
        )
    corner = transform @ Affine.translation(col, row)
    values = np.zeros((count, rows, cols), dtype=dtype)
    return _Canvas(crs, corner, values, np.zeros((rows, cols), dtype=bool))


def _decimation(source: Any, finest: float) -> int:
    """Return the coarsest overview still no coarser than `finest`; 1 for the image itself."""
    pixel = abs(source.transform.a)
    usable = [f for f in source.overviews(1) if pixel * f <= finest * (1 + 1e-6)]
    return max(usable, default=1)


def _fill(
    scene: Scene, fetcher: Fetcher, canvas: _Canvas, bands: tuple[str, ...], void: float | None
) -> bool:
    """Put a scene's pixels where none are yet; returns whether it gave any."""
    planes, masks = [], []
    for href in scene.hrefs:
        part = _read(href, fetcher, canvas, bands if len(scene.hrefs) == 1 else ())
        if part is None:
            return False
        planes.append(part[0])
        masks.append(part[1])
    got, held = np.concatenate(planes), np.logical_and.reduce(masks)
    if got.shape != canvas.values.shape or got.dtype != canvas.values.dtype:
        return False  # another kind of image: it cannot be joined to the first
    if void is not None:
        held &= (got != void).any(axis=0)
    new = held & ~canvas.valid
    canvas.values[:, new] = got[:, new]
    canvas.valid |= new
    return bool(new.any())


def _read(
    href: str, fetcher: Fetcher, canvas: _Canvas, names: tuple[str, ...]
) -> tuple[AnyArray, BoolArray] | None:
    """Return a file's bands and mask on the canvas; None where it has nothing new to give."""
    rows, cols = canvas.valid.shape
    with ExitStack() as stack:
        source = stack.enter_context(open_remote(fetcher, href))
        level = _level(source, canvas)
        if level is not None:
            source = stack.enter_context(open_remote(fetcher, href, overview_level=level))
        if len(names) == source.count:
            source = stack.enter_context(view_with_alpha(source, names))
        bands = list(range(1, source.count + 1))
        offset = _offset(source, canvas)
        if offset is None:
            source = stack.enter_context(_warped(source, canvas))
            offset = (0, 0)
        top, left = max(0, -offset[0]), max(0, -offset[1])
        bottom = min(rows, source.height - offset[0])
        right = min(cols, source.width - offset[1])
        if bottom <= top or right <= left or canvas.valid[top:bottom, left:right].all():
            return None
        window = Window(left + offset[1], top + offset[0], right - left, bottom - top)
        values = np.zeros((len(bands), rows, cols), dtype=source.dtypes[0])
        held = np.zeros((rows, cols), dtype=bool)
        values[:, top:bottom, left:right] = source.read(bands, window=window)
        held[top:bottom, left:right] = valid_mask(
            source, bands, window, (bottom - top, right - left)
        )
        return values, held


def _warped(source: Any, canvas: _Canvas) -> WarpedVRT:
    rows, cols = canvas.valid.shape
    return WarpedVRT(
        source,
        crs=canvas.crs.to_wkt(),
        transform=canvas.transform,
        width=cols,
        height=rows,
        resampling=Resampling.bilinear,
        add_alpha=source.nodata is None and ColorInterp.alpha not in source.colorinterp,
    )


def _level(source: Any, canvas: _Canvas) -> int | None:
    """Return the number of the overview that has the canvas's pixels, None for the image."""
    ratio = abs(canvas.transform.a / source.transform.a)
    if ratio < LEAST_OVERVIEW_FACTOR or horizontal_crs(source) != canvas.crs:
        return None
    near = [i for i, f in enumerate(source.overviews(1)) if abs(f / ratio - 1) < 1e-6]
    return near[0] if near else None


def _offset(source: Any, canvas: _Canvas) -> tuple[int, int] | None:
    """Return the row and column of the canvas's corner where pixels coincide, else None."""
    t, wanted = source.transform, canvas.transform
    same = abs(t.a / wanted.a - 1) < 1e-6 and abs(t.e / wanted.e - 1) < 1e-6
    if t.b or t.d or not same or horizontal_crs(source) != canvas.crs:
        return None
    col, row = ~t @ (wanted.c, wanted.f)
    if max(abs(col - round(col)), abs(row - round(row))) > SAME_PIXELS_PX:
        return None
    return round(row), round(col)
