"""A photo in a file, read in part, at its own pixels or coarser ones."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.windows import Window

from sitegeo.grid import Grid
from sitegeo.rasterfile import mask_of


@dataclass(frozen=True)
class PhotoFile:
    """An open photo; threads may share it.

    Parameters
    ----------
    grid, bands
        Of what is read.
    factor
        How many pixels of the file, each way, are averaged to one.
    corner
        Column and row of the file where the grid begins.
    notes
        How it is read.
    """

    grid: Grid
    bands: tuple[str, ...]
    factor: int
    corner: tuple[int, int]
    notes: tuple[str, ...]
    view: Any
    indexes: tuple[int, ...]
    lock: Any = field(default_factory=Lock)

    def read(self, rows: slice, cols: slice) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        """Return the bands of a part, stacked, and which of its pixels hold data."""
        n, shape = self.factor, (rows.stop - rows.start, cols.stop - cols.start)
        left, top = self.corner[0] + n * cols.start, self.corner[1] + n * rows.start
        window = Window(left, top, n * shape[1], n * shape[0])
        indexes = list(self.indexes)
        with self.lock:
            values = self.view.read(
                indexes,
                window=window,
                out_shape=(len(indexes), *shape),
                resampling=Resampling.average,
            )
            valid = mask_of(self.view, indexes, window, shape)
        if np.issubdtype(values.dtype, np.floating):
            valid &= np.isfinite(values).all(axis=0)
            values = np.where(valid, values, 0).astype(values.dtype)
        return values, valid

    def coarser(self, times: int) -> PhotoFile:
        """Return the photo with pixels as many times as large, cut to whole pixels."""
        if times == 1:
            return self
        rows, cols = (n // times for n in self.grid.shape)
        pixel_m = self.grid.pixel_m * times
        note = (
            f"the photo has {self.grid.shape[0] * self.grid.shape[1] / 1e6:.0f} million pixels of "
            f"{self.grid.pixel_m:g} m: cover is read from them, all else worked out at "
            f"{pixel_m:g} m"
        )
        return replace(
            self,
            grid=replace(self.grid, pixel_m=pixel_m, shape=(rows, cols)),
            factor=self.factor * times,
            notes=(*self.notes, note),
        )
