"""Compiled look-up of shelter from horizon codes, the strongest of the classes."""

from __future__ import annotations

import numba
import numpy as np

from sitegeo.core.parallel import in_threads, thread_count
from sitegeo.core.typing import AnyArray

# mypy: disable-error-code="untyped-decorator,no-untyped-def,no-untyped-call"
# ruff: noqa: PLR0917


def add(total: AnyArray, code: AnyArray, table: AnyArray, threads: int | None) -> None:
    """Add to `total`, in place, the least over the bands of ``table[band, code[band]]``."""
    _by_rows(total, code, table, False, threads)


def cap(total: AnyArray, code: AnyArray, table: AnyArray, threads: int | None) -> None:
    """Lower `total`, in place, to the least over the bands of ``table[band, code[band]]``."""
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


# mypy: disable-error-code="untyped-decorator,no-untyped-def,no-untyped-call"
# ruff: noqa: PLR0917


_LONGEST = 65534.0  # as in a sweep
_DRY = 65535


@numba.njit(cache=True, nogil=True)
def go_on(fetch, at_least, frame, beyond, beyond_at_least, beyond_frame, upwind):
    """Lengthen, in place, every fetch that is `at_least` by what lies beyond where it ended.

    Frames are (west, north, pixel size) in one metric CRS; `upwind` is the unit vector (east,
    north). A flag stays where the coarse sweep has no water or ran off its own data.
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
            if more == _DRY:
                continue
            to_centre = (far_west + (far_column + 0.5) * far_m - x) * east + (
                far_north - (far_row + 0.5) * far_m - y
            ) * ahead
            whole = so_far + max(more + to_centre, 0.0)
            fetch[row, column] = np.rint(min(whole, _LONGEST))
            at_least[row, column] = beyond_at_least[far_row, far_column] or whole > _LONGEST
