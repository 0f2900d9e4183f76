"""Compiled look-up of shelter from horizon codes, the strongest of the classes."""

# mypy: disable-error-code="untyped-decorator,no-untyped-def,no-untyped-call"
# ruff: noqa: PLR0917
from __future__ import annotations

from typing import Any

import numba
import numpy as np
import numpy.typing as npt

from sitegeo.threads import in_threads, thread_count

Array = npt.NDArray[Any]


def add(total: Array, code: Array, table: Array, threads: int | None) -> None:
    """Add to `total`, in place, the least over the bands of ``table[band, code[band]]``."""
    _by_rows(total, code, table, False, threads)


def cap(total: Array, code: Array, table: Array, threads: int | None) -> None:
    """Lower `total`, in place, to the least over the bands of ``table[band, code[band]]``."""
    _by_rows(total, code, table, True, threads)


def _by_rows(total: Array, code: Array, table: Array, lower: bool, threads: int | None) -> None:
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
