"""Compiled loops over swept arrays: shelter looked up from horizon codes, fetch lengthened."""

from __future__ import annotations

import numba
import numpy as np

from sitegeo.core.parallel import in_threads, thread_count
from sitegeo.core.typing import AnyArray

# mypy: disable-error-code="untyped-decorator,no-untyped-def,no-untyped-call"
# ruff: noqa: PLR0917

# `sweep.NO_FETCH` and the longest fetch below it, written again: the compile cache of numba knows
# only the file a function stands in.
_NO_FETCH = 65535  # standard: the largest uint16
_LONGEST_M = 65534.0  # the next below it


def add_ratio(total: AnyArray, code: AnyArray, table: AnyArray, threads: int | None) -> None:
    """Add to `total`, in place, the least over the bands of ``table[band, code[band]]``.

    Parameters
    ----------
    total
        (rows, columns) float32.
    code
        (bands, rows, columns) uint8 horizon codes of a sweep.
    table
        (bands, 256) float32, what each code stands for.
    threads
        As for `parallel.thread_count`.
    """
    _by_rows(total, code, table, False, threads)


def cap_ratio(total: AnyArray, code: AnyArray, table: AnyArray, threads: int | None) -> None:
    """Lower `total`, in place, to the least over the bands of ``table[band, code[band]]``.

    Parameters
    ----------
    total, code, table, threads
        As for `add_ratio`.
    """
    _by_rows(total, code, table, True, threads)


def _by_rows(
    total: AnyArray, code: AnyArray, table: AnyArray, lower: bool, threads: int | None
) -> None:
    workers = min(len(total), thread_count(threads, total.size))
    edges = np.linspace(0, len(total), workers + 1).astype(int)

    def work(worker: int) -> None:
        _look_up(total, code, table, lower, edges[worker], edges[worker + 1])

    in_threads(work, workers)


@numba.njit(cache=True, nogil=True)
def _look_up(total, code, table, lower, first, last):
    bands = code.shape[0]
    for row in range(first, last):
        for column in range(total.shape[1]):
            least = table[0, code[0, row, column]]
            for b in range(1, bands):
                least = min(least, table[b, code[b, row, column]])
            if lower:
                total[row, column] = min(total[row, column], least)
            else:
                total[row, column] += least


@numba.njit(cache=True, nogil=True)
def lengthen_fetch(fetch, at_least, frame, beyond, beyond_at_least, beyond_frame, upwind) -> None:
    """Lengthen, in place, every fetch that is `at_least` by what lies beyond where it ended.

    A flag stays where the coarse sweep has no water or ran off its own data.

    Parameters
    ----------
    fetch, at_least
        (rows, columns) metres, and where they are a lower bound.
    frame, beyond_frame
        (west, north, pixel size) of each raster, in one metric CRS.
    beyond, beyond_at_least
        (rows, columns) fetch and flags of a coarser sweep of a larger area.
    upwind
        Unit vector (east, north).
    """
    west, north, pixel_m = frame
    far_west, far_north, far_m = beyond_frame
    east, ahead = upwind
    rows, columns = beyond.shape
    for row in range(fetch.shape[0]):
        for column in range(fetch.shape[1]):
            if not at_least[row, column]:
                continue
            so_far = float(fetch[row, column])
            x = west + (column + 0.5) * pixel_m + so_far * east
            y = north - (row + 0.5) * pixel_m + so_far * ahead
            # Half a coarse pixel on: the pixel that the ray enters, not the one it leaves.
            far_row = int(np.floor((far_north - y) / far_m - 0.5 * ahead))
            far_column = int(np.floor((x - far_west) / far_m + 0.5 * east))
            if not (0 <= far_row < rows and 0 <= far_column < columns):
                continue
            more = beyond[far_row, far_column]
            if more == _NO_FETCH:
                continue
            to_centre = (far_west + (far_column + 0.5) * far_m - x) * east + (
                far_north - (far_row + 0.5) * far_m - y
            ) * ahead
            whole = so_far + max(more + to_centre, 0.0)
            fetch[row, column] = np.rint(min(whole, _LONGEST_M))
            at_least[row, column] = beyond_at_least[far_row, far_column] or whole > _LONGEST_M
