"""The waters of a photo read tile by tile: what is judged as a whole is put together first.

Four sweeps: objects that look wet and their banks; the water each accepted object takes; the
land that is left; and small waters dropped and small gaps filled. What is kept between sweeps
lies in planes that may be on disk.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import ndimage

from sitegeo.core.typing import AnyArray, BoolArray, ByteArray, Int32Array, IntArray
from sitegeo.landcover.filters import grow_labels
from sitegeo.landcover.labelling import LabelUnion, Objects, TileSeams, sum_objects
from sitegeo.landcover.open_water import ObjectVerdicts, Planes, WaterReader
from sitegeo.landcover.tiling import Tile, map_tiles
from sitegeo.landcover.water_params import WaterParams

LAND, WATER, ISLAND = 0, 1, 2
"""Codes of the finished plane; an island is land of less than a given area amid water."""

_SEED_MARGIN = 3
"""Pixels about a tile on which its seeds depend: the opening by a cross looks two away."""


class StoredPlane(Protocol):
    """A plane of a whole photo, in memory or on disk, written and read in part."""

    def read(self, rows: slice, cols: slice) -> AnyArray:
        """Return a part."""

    def write(self, rows: slice, cols: slice, values: AnyArray) -> None:
        """Set a part.

        Parameters
        ----------
        rows, cols
            The part.
        values
            Array of its shape.
        """


@dataclass(frozen=True)
class TiledPhoto:
    """A photo cut into tiles, and how its parts are read.

    Parameters
    ----------
    shape
        Rows and columns of the photo.
    tiles
        They cover it, row by row.
    bands
        Gives the bands of a tile with a margin, and where there is data.
    pixel_m
        Its pixel.
    """

    shape: tuple[int, int]
    tiles: tuple[Tile, ...]
    bands: Callable[[Tile, int], tuple[Planes, BoolArray]]
    pixel_m: float

    def planes(
        self, tile: Tile, reader: WaterReader, *, judging: bool = True
    ) -> tuple[Planes, BoolArray, BoolArray]:
        """Return the planes of a part of the photo, its seeds, and where it holds data.

        Parameters
        ----------
        tile
            The part.
        reader
            What measures the planes.
        judging
            Whether objects are still to be judged by them.

        Returns
        -------
        planes, seeds, valid
            Arrays of the shape of the tile.
        """
        margin = reader.margin + _SEED_MARGIN
        bands, valid = self.bands(tile, margin)
        planes = reader.planes(bands, judging=judging)
        seeds = reader.seeds(planes, valid)
        inner = np.s_[margin:-margin, margin:-margin]
        return {n: p[inner] for n, p in planes.items()}, seeds[inner], valid[inner]


def find_water(
    tiled: TiledPhoto, reader: WaterReader, plane: Callable[[str], StoredPlane], params: WaterParams
) -> tuple[StoredPlane, StoredPlane]:
    """Find the waters of a photo and the small islands in them.

    Parameters
    ----------
    tiled
        The photo.
    reader
        What reads water from its bands, fitted to it.
    plane
        Gives an empty plane of a number type.
    params
        How open water is recognised.

    Returns
    -------
    state, score : StoredPlane
        Codes `LAND`, `WATER` and `ISLAND`; and the score of the water, 0 to 100.
    """
    objects = _judged(tiled, reader)
    labels, score, state = plane("int32"), plane("uint8"), plane("uint8")
    ashore = _ashore(tiled, reader, objects, plane, params)

    def waters(tile: Tile) -> tuple[Int32Array, int]:
        mask, sure = _water_in(tiled, reader, tile, objects, ashore)
        found, count = ndimage.label(mask)
        labels.write(tile.rows, tile.cols, found)
        score.write(tile.rows, tile.cols, sure)
        return found, count

    area_px = _areas(tiled, waters)
    large = reader.min_area_m2 / tiled.pixel_m**2

    def lands(tile: Tile) -> tuple[Int32Array, int]:
        found = labels.read(tile.rows, tile.cols)
        wet = (area_px(tile)[found] >= large) & (found > 0)
        rest, count = ndimage.label(~wet)
        labels.write(tile.rows, tile.cols, rest)
        return rest, count

    land_px = _areas(tiled, lands)
    filled, small = (a / tiled.pixel_m**2 for a in (params.min_island_m2, params.island_m2))

    def finish(tile: Tile) -> None:
        rest = labels.read(tile.rows, tile.cols)
        pixels = land_px(tile)
        code = np.where(pixels < filled, WATER, np.where(pixels < small, ISLAND, LAND))
        code[0] = WATER
        state.write(tile.rows, tile.cols, code.astype(np.uint8)[rest])

    _all(finish, tiled)
    return state, score


def _ashore(
    tiled: TiledPhoto,
    reader: WaterReader,
    objects: _Objects,
    plane: Callable[[str], StoredPlane],
    params: WaterParams,
) -> StoredPlane | None:
    """Return the plane of what is surely land and no mere spot, None if that does not matter."""
    if not reader.needs_sure_land:
        return None
    labels, ashore = plane("int32"), plane("uint8")

    def spots(tile: Tile) -> tuple[Int32Array, int]:
        planes, told, valid = objects.seen(tiled, reader, tile)
        inner = tile.within(objects.window(tiled, tile))
        found, count = ndimage.label((reader.sure_land(planes, told) | ~valid)[inner])
        labels.write(tile.rows, tile.cols, found)
        return found, count

    area_px = _areas(tiled, spots)
    large = params.spot_m2 / tiled.pixel_m**2

    def finish(tile: Tile) -> None:
        found = labels.read(tile.rows, tile.cols)
        land = (area_px(tile)[found] >= large) & (found > 0)
        ashore.write(tile.rows, tile.cols, land.astype(np.uint8))

    _all(finish, tiled)
    return ashore


@dataclass(frozen=True)
class _Objects:
    """The objects of a photo: where each tile's labels begin, the object of each, its verdict."""

    reach: int
    offsets: dict[tuple[int, int], int]
    which: IntArray
    judged: ObjectVerdicts

    def window(self, tiled: TiledPhoto, tile: Tile) -> Tile:
        """Return the tile with the margin in which its objects were labelled."""
        return tile.grown(self.reach, tiled.shape)

    def seen(
        self, tiled: TiledPhoto, reader: WaterReader, tile: Tile
    ) -> tuple[Planes, Int32Array, BoolArray]:
        """Return the planes of a tile's window, its objects, and where there is data.

        Objects that are not water are 0, or -1 where refused.
        """
        planes, seeds, valid = tiled.planes(self.window(tiled, tile), reader, judging=False)
        labels, count = ndimage.label(seeds)
        first = self.offsets[tile.rows.start, tile.cols.start]
        own = self.which[first : first + count + 1]
        told = np.where(self.judged.accepted[own], own, -self.judged.refused[own].astype(int))
        told[0] = 0
        return planes, told.astype(np.int32)[labels], valid


def _judged(tiled: TiledPhoto, reader: WaterReader) -> _Objects:
    """Return what looks wet, gathered into objects, each judged as a whole."""
    reach = reader.reach + 1

    def objects(tile: Tile) -> tuple[Int32Array, IntArray, int]:
        seen = tile.grown(reach, tiled.shape)
        planes, seeds, valid = tiled.planes(seen, reader)
        labels, count = ndimage.label(seeds)
        near = grow_labels(labels, reader.bank_px) * valid
        held = reader.object_planes(planes)
        table = sum_objects(labels, near, held, reader.bank_planes(planes), count=count,
                            window=tile.within(seen))  # fmt: skip
        return labels, table, len(held)

    joined = LabelUnion()
    offsets: dict[tuple[int, int], int] = {}
    seams = TileSeams(joined, 2 * reach)
    held = 0
    for tile, (labels, table, held) in map_tiles(objects, tiled.tiles):  # noqa: B007
        offset = joined.add(table)
        offsets[tile.rows.start, tile.cols.start] = offset
        seams.meet(tile, tile.grown(reach, tiled.shape), labels, offset)
    which, summed = joined.result()
    return _Objects(reach, offsets, which, reader.judge(Objects.of(summed, held)))


def _water_in(
    tiled: TiledPhoto,
    reader: WaterReader,
    tile: Tile,
    objects: _Objects,
    ashore: StoredPlane | None,
) -> tuple[BoolArray, ByteArray]:
    """Return the water of a tile, and the score of the object each pixel is nearest to."""
    seen = objects.window(tiled, tile)
    inner = tile.within(seen)
    planes, told, valid = objects.seen(tiled, reader, tile)
    near = grow_labels(np.maximum(told, 0), reader.reach)
    land = None if ashore is None else ashore.read(seen.rows, seen.cols) > 0
    mask = valid & reader.edge(planes, told, near=near, verdicts=objects.judged, sure_land=land)
    score = np.clip(np.rint(100 * objects.judged.score), 0, 100).astype(np.uint8)
    score[0] = 0
    return mask[inner], score[near[inner]]


def _all(work: Callable[[Tile], None], tiled: TiledPhoto) -> None:
    for _ in map_tiles(work, tiled.tiles):
        pass


def _areas(
    tiled: TiledPhoto, labelled: Callable[[Tile], tuple[Int32Array, int]]
) -> Callable[[Tile], IntArray]:
    """Label every tile and return, for a tile, the area in pixels of each of its labels."""
    joined = LabelUnion()
    offsets: dict[tuple[int, int], tuple[int, int]] = {}
    seams = TileSeams(joined, 0)
    for tile, (labels, count) in map_tiles(labelled, tiled.tiles):
        table = np.bincount(labels.ravel(), minlength=count + 1)[:, None].astype(np.int64)
        offset = joined.add(table)
        offsets[tile.rows.start, tile.cols.start] = offset, count + 1
        seams.meet(tile, tile, labels, offset)
    which, summed = joined.result()

    def pixels(tile: Tile) -> IntArray:
        offset, count = offsets[tile.rows.start, tile.cols.start]
        return np.asarray(summed[which[offset : offset + count], 0])

    return pixels
