"""Connected components of a mask that is only seen tile by tile.

Each tile labels what it sees; labels of neighbours that meet on ground both see are joined
afterwards. All that is summed is whole numbers, so that the order of tiles cannot matter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from sitegeo.core.typing import Float32Array, FloatArray, Int32Array, IntArray
from sitegeo.landcover.filters import compiled
from sitegeo.landcover.tiling import Tile

_FIX = float(1 << 20)
"""Fixed point: sums of whole numbers do not depend on the order of tiles."""

BANK_BINS = 16
"""Classes in which the first plane of a bank is counted, from 0 upwards."""

BANK_BIN_WIDTH = 0.05
"""Width of one."""


@dataclass
class LabelUnion:
    """Labels of tiles, joined where neighbours see the same ground.

    Label 0 is no component; `offsets` turns a tile's own labels into rows of the whole table.
    """

    offsets: list[int] = field(default_factory=lambda: [])
    tables: list[IntArray] = field(default_factory=lambda: [])
    pairs: list[IntArray] = field(default_factory=lambda: [])

    def add(self, table: IntArray) -> int:
        """Take the sums of a tile's labels, row 0 unused, and return the tile's offset."""
        offset = sum(map(len, self.tables[-1:])) + (self.offsets[-1] if self.offsets else 0)
        self.offsets.append(offset)
        self.tables.append(table)
        return offset

    def meet(self, a: Int32Array, b: Int32Array, offset_a: int, offset_b: int) -> None:
        """Join the labels of two tiles on the ground both see.

        Parameters
        ----------
        a, b
            Labels of either tile on that ground, of one shape.
        offset_a, offset_b
            Offsets of the tiles, as `add` gave them.
        """
        both = (a > 0) & (b > 0)
        met = np.stack([a[both] + np.int64(offset_a), b[both] + np.int64(offset_b)], axis=1)
        self.pairs.append(np.unique(met, axis=0))

    def result(self) -> tuple[IntArray, IntArray]:
        """Return the component of every row, and the summed table of the components."""
        table = np.concatenate(self.tables)
        a, b = np.concatenate([*self.pairs, np.empty((0, 2), np.int64)]).T
        links = coo_array((np.ones(len(a), bool), (a, b)), shape=(len(table), len(table)))
        count, which = connected_components(links, directed=False)
        summed = np.zeros((count, table.shape[1]), np.int64)
        np.add.at(summed, which, table)
        return which.astype(np.int64), summed


@compiled
def _edges_and_sums(  # noqa: PLR0917 (compiled: by position)
    labels: Int32Array,
    near: Int32Array,
    planes: Float32Array,
    ring: Float32Array,
    count: int,
    window: Int32Array,
) -> IntArray:
    held, about = planes.shape[0], ring.shape[0]
    first = 3 + held + about
    out = np.zeros((count + 1, first + BANK_BINS), np.int64)
    top, bottom, left, right = window
    for i in range(top, bottom):
        for j in range(left, right):
            here = labels[i, j]
            if i + 1 < labels.shape[0] and labels[i + 1, j] != here:
                out[here, 1] += 1
                out[labels[i + 1, j], 1] += 1
            if j + 1 < labels.shape[1] and labels[i, j + 1] != here:
                out[here, 1] += 1
                out[labels[i, j + 1], 1] += 1
            if here:
                out[here, 0] += 1
                for k in range(held):
                    out[here, 3 + k] += np.int64(np.rint(planes[k, i, j] * _FIX))
            elif near[i, j]:
                out[near[i, j], 2] += 1
                for k in range(about):
                    out[near[i, j], 3 + held + k] += np.int64(np.rint(ring[k, i, j] * _FIX))
                at = int(np.floor(ring[0, i, j] / BANK_BIN_WIDTH))
                out[near[i, j], first + min(max(at, 0), BANK_BINS - 1)] += 1
    out[0] = 0
    return out


def sum_objects(
    labels: Int32Array,
    near: Int32Array,
    planes: Sequence[Float32Array],
    ring: Sequence[Float32Array],
    *,
    count: int,
    window: tuple[slice, slice],
) -> IntArray:
    """Return the sums of each label over the pixels of a window.

    Parameters
    ----------
    labels
        The object of each pixel, 0 for none, shape (rows, columns).
    near
        The object whose bank an unlabelled pixel is.
    planes, ring
        What is summed over the objects, and over their banks.
    count
        Number of labels.
    window
        Rows and columns that count.

    Returns
    -------
    IntArray
        Shape (count + 1, columns), row 0 unused. Columns: pixels, edges, pixels of bank, the
        planes over the object, those over its bank, in fixed point, and how many pixels of the
        bank lie in each class of its first plane.
    """
    frame = np.array([window[0].start, window[0].stop, window[1].start, window[1].stop], np.int32)
    return _edges_and_sums(labels, near, np.stack(planes), np.stack(ring), count, frame)


@dataclass(frozen=True)
class Objects:
    """What is known of each object of n; index 0 is no object.

    Parameters
    ----------
    pixels, bank_pixels
        Area of the object and of its bank, shape (n,).
    half_width
        Twice the area over the perimeter, in pixels: the radius of a disc, half the width of a
        long strip.
    mean, bank
        Mean of each plane over the object, and over its bank, shape (planes, n); 0 without pixels.
    bank_counts
        Shape (n, classes): pixels of the bank in each class of its first plane.
    """

    pixels: IntArray
    bank_pixels: IntArray
    half_width: FloatArray
    mean: FloatArray
    bank: FloatArray
    bank_counts: IntArray

    @classmethod
    def of(cls, table: IntArray, held: int) -> Objects:
        """Return the objects of a table of `sum_objects` of `held` planes."""
        pixels, edges, bank_pixels = table[:, 0], table[:, 1], table[:, 2]
        sums = table[:, 3:-BANK_BINS] / _FIX
        # A digital edge is 4/pi times the true length, averaged over directions.
        half_width = 2.0 * pixels / np.maximum(edges * np.pi / 4, 1.0)
        mean = sums[:, :held].T / np.maximum(pixels, 1)
        bank = sums[:, held:].T / np.maximum(bank_pixels, 1)
        return cls(pixels, bank_pixels, half_width, mean, bank, table[:, -BANK_BINS:])

    def bank_above(self, limit: FloatArray) -> FloatArray:
        """Return the share of each bank on which the first plane is above a limit, 0 of none."""
        upto = np.pad(np.cumsum(self.bank_counts, axis=1), ((0, 0), (1, 0)))
        place = np.clip(limit / BANK_BIN_WIDTH, 0, BANK_BINS - 1e-9)
        low = place.astype(int)
        row = np.arange(len(low))
        below = upto[row, low] + (upto[row, low + 1] - upto[row, low]) * (place - low)
        return np.asarray((self.bank_pixels - below) / np.maximum(self.bank_pixels, 1))


@dataclass
class TileSeams:
    """Tiles already seen, joined with their neighbours as these come, row by row.

    Tiles may overlap by up to `overlap` pixels, all of which are joined; tiles that only touch
    (0) are joined across the seam. No more than one row of tiles' borders is held.
    """

    joined: LabelUnion
    overlap: int
    west: tuple[Int32Array, int, int] | None = None
    north: dict[int, tuple[Int32Array, int, int]] = field(default_factory=lambda: {})

    def meet(self, tile: Tile, seen: Tile, labels: Int32Array, offset: int) -> None:
        """Join the labels of a tile with those to its north and west.

        Parameters
        ----------
        tile, seen
            The tile, and the tile with its margin.
        labels
            Labels of `seen`.
        offset
            Its offset, as `LabelUnion.add` gave it.
        """
        n, key = max(self.overlap, 1), tile.cols.start
        if self.west is not None and tile.cols.start > 0:
            strip, other, stop = self.west
            n_west = max(stop - seen.cols.start, 1)
            self.joined.meet(strip[:, -n_west:], labels[:, :n_west], other, offset)
        if key in self.north:
            strip, other, stop = self.north[key]
            n_north = max(stop - seen.rows.start, 1)
            self.joined.meet(strip[-n_north:], labels[:n_north], other, offset)
        self.west = labels[:, -n:].copy(), offset, seen.cols.stop
        self.north[key] = labels[-n:].copy(), offset, seen.rows.stop
