"""The cover of a region, read plate by plate: the same whatever the tiles.

The thresholds that tell water from land come from the photo they are used on, so that they cannot
be taken tile by tile without the tiles showing in the answer.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
from rasterio.features import rasterize
from rasterio.windows import Window
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import AnyArray, BoolArray, ByteArray, Int32Array
from sitegeo.errors import SitegeoError
from sitegeo.places.config import VECTOR_REACH_M
from sitegeo.scan.region import Region, digest, read_pixels, read_shapes, window_key
from sitegeo.scan.tiling import Piece, overlap
from sitegeo.surveys import pipeline

COARSE_PIXEL_M = 10.0
"""Pixel of the sweep of whole waters, at least (judgement)."""

WET, DRY, UNKNOWN = 1, 0, 255

PLATE_LAYERS: Mapping[str, int] = MappingProxyType(
    {"photo_cover": 2, "cover": 2, "canopy_height": 1, "canopy_error": 1, "evergreen": 1}
)
"""What a plate keeps and its planes: layers whose thresholds come from the pixels they are used on.

In the file a layer's planes are followed by one that is 1 where there is data.
"""

_CODES = frozenset({"photo_cover", "cover", "evergreen"})
_BRINGS = ("landcover", "canopy", "ground", "surface")


@dataclass(frozen=True)
class Plate:
    """The cover of one plate, on disk.

    Parameters
    ----------
    path
        GeoTIFF of the `PLATE_LAYERS`; None without any photo, or
        where `fault` says why there is none.
    kept
        Whether it was there from an earlier run.
    """

    core: Grid
    path: str | None
    key: str
    kept: bool = False
    fault: str | None = None


def read_plate(region: Region, piece: Piece, folder: str) -> Plate:
    """Return the cover of a plate, from an earlier run where nothing it depends on has changed.

    Parameters
    ----------
    region
        Its photos and layers.
    piece
        The plate, and what is seen about it.
    folder
        Where plates are kept.

    Returns
    -------
    Plate
        Its file, or why there is none: a fault is an answer, not an error.
    """
    shapes, _ = read_shapes(region, piece.seen, ("water",))
    key = window_key(region.cover_key(), region, piece.seen, shapes)
    path = Path(folder) / f"{piece.name}-{key}.tif"
    if path.exists():
        return Plate(piece.core, str(path), key, kept=True)
    try:
        photo, rasters, faults = read_pixels(region, piece.seen, _BRINGS)
        broken = [words for file, words in faults if file in _files_of(region)]
        if broken:
            return Plate(piece.core, None, key, fault=broken[0])
        if photo is None:
            return Plate(piece.core, None, key, fault=faults[0][1] if faults else None)
        made = _classified(region, photo, shapes, rasters)
    except SitegeoError as error:
        return Plate(piece.core, None, key, fault=str(error))
    _write(path, made, piece)
    return Plate(piece.core, str(path), key)


def _files_of(region: Region) -> set[str]:
    return {s.path for s in region.rasters.values()}


def _classified(
    region: Region, photo: Raster, shapes: dict[str, Any], rasters: dict[str, Raster]
) -> Mapping[str, Raster]:
    given: dict[str, Any] = {
        "imagery": photo,
        **shapes,
        **rasters,
        "assume": region.file.assume,
    }
    if region.file.imagery.taken is not None:
        given["taken"] = region.file.imagery.taken
    return pipeline.make_layers(given, PLATE_LAYERS)


def _write(path: Path, made: Mapping[str, Raster], piece: Piece) -> None:
    found = overlap(piece.seen, piece.core)
    assert found is not None
    rows, columns = found[0]
    bands = [
        plane for name in PLATE_LAYERS for plane in (*_planes(made[name].values), made[name].mask)
    ]
    planes = np.stack([band[rows, columns].astype(np.float32) for band in bands])
    profile = {
        "driver": "GTiff",
        "height": piece.core.shape[0],
        "width": piece.core.shape[1],
        "count": len(planes),
        "dtype": "float32",
        "crs": piece.core.crs.to_wkt(),
        "transform": piece.core.transform,
        "tiled": True,
        "interleave": "band",
        "compress": "deflate",
        "zlevel": 1,
        "predictor": 3,
    }
    with write_whole(path) as new, rasterio.open(new, "w", **profile) as target:
        target.write(planes)


def _planes(values: AnyArray) -> AnyArray:
    return values if values.ndim == 3 else values[np.newaxis]


@contextmanager
def write_whole(path: Path) -> Iterator[Path]:
    """Give a file to write beside its name; it takes the name only if nothing fails."""
    path.parent.mkdir(parents=True, exist_ok=True)
    new = path.with_name(f".{os.getpid()}-{path.name}")
    try:
        yield new
        new.replace(path)
    finally:
        new.unlink(missing_ok=True)


def assemble_plates(plates: Iterable[Plate], grid: Grid) -> dict[str, Raster]:
    """Return the `PLATE_LAYERS` on a window, void where there is no plate."""
    planes = np.zeros((sum(PLATE_LAYERS.values()) + len(PLATE_LAYERS), *grid.shape), np.float32)
    for plate in plates:
        shared = overlap(grid, plate.core)
        if shared is None or plate.path is None:
            continue
        here, (rows, columns) = shared
        with rasterio.open(plate.path) as source:
            planes[:, *here] = source.read(window=Window.from_slices(rows, columns))
    found, first = {}, 0
    for name, count in PLATE_LAYERS.items():
        kind = np.uint8 if name in _CODES else np.float32
        values, valid = planes[first : first + count].astype(kind), planes[first + count] > 0
        bands = ("class", "confidence") if count > 1 else ()
        known = None if valid.all() else valid
        found[name] = Raster(values if bands else values[0], grid, known, bands)
        first += count + 1
    return found


_CLASS, _VALID = 4, 6
"""Bands of the file that hold the cover's class and where there is one."""


@dataclass(frozen=True)
class CoarseWaters:
    """The waters of a region at a coarse pixel: what is wet, and what belongs together.

    Parameters
    ----------
    grid
        The region and a margin of `VECTOR_REACH_M` about it.
    state
        `WET`, `DRY` or `UNKNOWN`.
    label
        Number of the water each wet pixel belongs to, 0 on land.
    """

    grid: Grid
    state: ByteArray
    label: Int32Array
    boxes: Sequence[tuple[slice, slice]]

    def about(self, window: Grid) -> tuple[slice, slice]:
        """Return the part of the coarse grid that holds a window and every water touching it."""
        rows, columns = _touched(self.grid, window)
        spans = [(rows, columns)]
        spans += [self.boxes[n - 1] for n in np.unique(self.label[rows, columns]) if n]
        # A rim of land shows that a water ends within.
        down, along = (
            slice(
                max(0, min(s[axis].start for s in spans) - 1),
                min(size, max(s[axis].stop for s in spans) + 1),
            )
            for axis, size in enumerate(self.grid.shape)
        )
        return down, along


def _touched(coarse: Grid, window: Grid) -> tuple[slice, slice]:
    """Return the rows and columns of a coarse grid that a window touches."""
    west, south, east, north = window.bounds
    row, column = coarse.rowcol([west, east - 1e-6], [north - 1e-6, south])
    rows, columns = (np.clip(v, 0, n - 1) for v, n in zip((row, column), coarse.shape, strict=True))
    return slice(int(rows[0]), int(rows[1]) + 1), slice(int(columns[0]), int(columns[1]) + 1)


def find_waters(region: Region, plates: Iterable[Plate]) -> CoarseWaters:
    """Return the waters of the whole region: from its plates, from the map where there is none."""
    fine = region.grid
    factor = max(1, round(COARSE_PIXEL_M / fine.pixel_m))
    pixel_m = factor * fine.pixel_m
    margin = int(np.ceil(VECTOR_REACH_M / pixel_m))
    shape = (
        int(np.ceil(fine.shape[0] / factor)) + 2 * margin,
        int(np.ceil(fine.shape[1] / factor)) + 2 * margin,
    )
    grid = Grid(
        fine.crs, fine.west - margin * pixel_m, fine.north + margin * pixel_m, pixel_m, shape
    )
    wet, known = np.zeros(shape, np.int32), np.zeros(shape, np.int32)
    for plate in plates:
        if plate.path is None:
            continue
        with rasterio.open(plate.path) as source:
            classes, valid = source.read([_CLASS, _VALID])
        top = round((fine.north - plate.core.north) / fine.pixel_m)
        left = round((plate.core.west - fine.west) / fine.pixel_m)
        for total, plane in ((wet, classes == Cover.WATER), (known, valid > 0)):
            counts = _by_cell(plane, top, left, factor)
            row, column = top // factor + margin, left // factor + margin
            total[row : row + counts.shape[0], column : column + counts.shape[1]] += counts
    state = np.where(known > 0, np.where(2 * wet >= known, WET, DRY), UNKNOWN).astype(np.uint8)
    mapped, _ = read_shapes(region, fine, ("water",))
    if "mapped_water" in mapped:
        _from_map(state, mapped["mapped_water"], grid)
    label, count = ndimage.label(state == WET, structure=np.ones((3, 3)))
    boxes = ndimage.find_objects(label)
    assert len(boxes) == count
    return CoarseWaters(grid, state, label.astype(np.int32), boxes)


def _by_cell(plane: BoolArray, top: int, left: int, factor: int) -> Int32Array:
    """Return the count of true pixels in each coarse cell."""
    rows = (top + np.arange(plane.shape[0])) // factor
    columns = (left + np.arange(plane.shape[1])) // factor
    down = np.add.reduceat(plane.astype(np.int32), np.flatnonzero(np.r_[True, np.diff(rows) > 0]))
    along = np.flatnonzero(np.r_[True, np.diff(columns) > 0])
    return np.asarray(np.add.reduceat(down, along, axis=1), np.int32)


def _from_map(state: ByteArray, mapped: gpd.GeoDataFrame, grid: Grid) -> None:
    """Fill what no photo shows from the map, in place."""
    drawn = np.zeros(grid.shape, np.uint8)
    if len(mapped):
        rasterize(
            ((g, 1) for g in mapped.geometry),
            out=drawn,
            transform=grid.transform,
            all_touched=False,
        )
    dark = state == UNKNOWN
    state[dark] = np.where(drawn[dark] > 0, WET, DRY)


def plates_key(plates: Iterable[Plate]) -> str:
    """Return a hash of the plates a tile sees."""
    return digest([(p.key, p.path is None) for p in plates])
