"""A photo read tile by tile, each with a margin as wide as the filters that work on it."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.parallel import allowed
from sitegeo.core.typing import AnyArray, BoolArray

Made = TypeVar("Made")

TILE_PX = 1024
"""Rows and columns of a tile."""
_WORKERS = 2
"""Tiles at work at a time, where so many threads are allowed: each holds much memory."""
_SAMPLE_BLOCKS = 5
"""Blocks of a sample in a row and in a column of a photo, where most of it holds data."""
_BLOCK_PX = 100
"""Rows and columns of a block."""
_LEAST_SAMPLE = 40_000
"""Pixels with data a sample holds at least, or else more blocks are taken (judgement)."""


class Photo(Protocol):
    """A photo that can be read in part."""

    @property
    def grid(self) -> Grid:
        """Where it lies."""

    @property
    def bands(self) -> tuple[str, ...]:
        """Names of its bands."""

    def read(self, rows: slice, cols: slice) -> tuple[AnyArray, BoolArray]:
        """Return the bands of a part, stacked, and which of its pixels hold data."""


@dataclass(frozen=True)
class PhotoInMemory:
    """A photo that is in memory."""

    raster: Raster

    @property
    def grid(self) -> Grid:
        """Where it lies."""
        return self.raster.grid

    @property
    def bands(self) -> tuple[str, ...]:
        """Names of its bands."""
        return self.raster.bands

    def read(self, rows: slice, cols: slice) -> tuple[AnyArray, BoolArray]:
        """Return the bands of a part, stacked, and which of its pixels hold data."""
        values = self.raster.values[:, rows, cols]
        if self.raster.valid is None:
            return values, np.ones(values.shape[1:], bool)
        return values, self.raster.valid[rows, cols]


@dataclass(frozen=True)
class Tile:
    """A rectangle of a photo, in its rows and columns."""

    rows: slice
    cols: slice

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows.stop - self.rows.start, self.cols.stop - self.cols.start

    def grown(self, by: int, shape: tuple[int, int]) -> Tile:
        """Return the tile with a margin, cut at the edges of the photo."""
        return Tile(_grown(self.rows, by, shape[0]), _grown(self.cols, by, shape[1]))

    def within(self, other: Tile) -> tuple[slice, slice]:
        """Return the index of this tile in an array that covers another."""
        return _shifted(self.rows, other.rows.start), _shifted(self.cols, other.cols.start)


def _grown(part: slice, by: int, size: int) -> slice:
    return slice(max(part.start - by, 0), min(part.stop + by, size))


def _shifted(part: slice, by: int) -> slice:
    return slice(part.start - by, part.stop - by)


def cut_into_tiles(shape: tuple[int, int], tile_px: int = TILE_PX) -> list[Tile]:
    """Return tiles that cover an array, row by row.

    Examples
    --------
    >>> [tile.shape for tile in cut_into_tiles((5, 3), 4)]
    [(4, 2), (4, 1), (1, 2), (1, 1)]
    """
    rows, cols = (_cut(n, tile_px) for n in shape)
    return [Tile(r, c) for r in rows for c in cols]


def _cut(size: int, tile_px: int) -> list[slice]:
    if tile_px // 2 < size <= tile_px:
        tile_px = -(-size // 2)  # halved, so that two processors have work
    return [slice(at, min(at + tile_px, size)) for at in range(0, size, tile_px)]


def read_with_margin(photo: Photo, tile: Tile, margin: int) -> tuple[AnyArray, BoolArray]:
    """Return a tile and its margin; beyond the edge of the photo stands its mirror image.

    Parameters
    ----------
    photo
        A photo that is read in part.
    tile
        The part wanted.
    margin
        Pixels about it.

    Returns
    -------
    values, valid
        Bands, stacked, and where there is data, of the tile's shape and a margin on each side.
    """
    seen = tile.grown(margin, photo.grid.shape)
    values, valid = photo.read(seen.rows, seen.cols)
    return pad_by_mirror(values, tile, seen, margin), pad_by_mirror(valid, tile, seen, margin)


def pad_by_mirror(values: AnyArray, tile: Tile, seen: Tile, margin: int) -> AnyArray:
    """Return a tile and its margin, what lies off the photo filled by its mirror image.

    Parameters
    ----------
    values
        Array of `seen`; its last two axes are rows and columns.
    tile, seen
        The tile, and the tile with its margin as far as the photo goes.
    margin
        Pixels about the tile.

    Returns
    -------
    AnyArray
        Of the tile's shape and the margin on each side.
    """
    pad = [
        (margin - (t.start - s.start), margin - (s.stop - t.stop))
        for t, s in ((tile.rows, seen.rows), (tile.cols, seen.cols))
    ]
    if not np.any(pad):
        return values
    return np.pad(values, [(0, 0)] * (values.ndim - 2) + pad, mode="symmetric")


def choose_sample_tiles(photo: Photo) -> list[Tile]:
    """Return blocks spread evenly over a photo, by which the whole of it is judged.

    They depend on the photo alone. More are taken where most of the photo holds no data, and a
    small photo is taken whole.
    """
    blocks = _SAMPLE_BLOCKS
    while True:
        rows, cols = (_spread_out(n, blocks) for n in photo.grid.shape)
        found = [Tile(r, c) for r in rows for c in cols]
        if blocks * _BLOCK_PX >= max(photo.grid.shape):
            return found
        if sum(int(photo.read(t.rows, t.cols)[1].sum()) for t in found) >= _LEAST_SAMPLE:
            return found
        blocks *= 2


def _spread_out(size: int, blocks: int) -> list[slice]:
    if size <= blocks * _BLOCK_PX:
        return _cut(size, TILE_PX)
    starts = np.linspace(0, size - _BLOCK_PX, blocks).astype(int)
    return [slice(int(at), int(at) + _BLOCK_PX) for at in starts]


def map_tiles(work: Callable[[Tile], Made], tiles: Iterable[Tile]) -> Iterator[tuple[Tile, Made]]:
    """Yield each tile with what `work` makes of it, in order, a few at work at a time."""
    workers = min(_WORKERS, allowed())
    with ThreadPoolExecutor(workers) as pool:
        waiting: deque[tuple[Tile, Future[Made]]] = deque()
        for tile in tiles:
            waiting.append((tile, pool.submit(work, tile)))
            if len(waiting) > workers:
                first, made = waiting.popleft()
                yield first, made.result()
        for first, made in waiting:
            yield first, made.result()
