"""Threads for kernels that release the interpreter lock."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

_SMALL = 250_000  # pixels below which starting threads costs more than it saves


def thread_count(threads: int | None, pixels: int) -> int:
    """Return the threads to use: as asked, else all the processor allows, one if small.

    The environment's `SITEGEO_THREADS` speaks where nobody asks: many workers share a machine.
    """
    asked = threads if threads is not None else os.environ.get("SITEGEO_THREADS")
    if asked is not None:
        return max(1, int(asked))
    if pixels < _SMALL:
        return 1
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def in_threads(work: Callable[[int], None], workers: int) -> None:
    """Call ``work(0)`` … ``work(workers - 1)`` at once; raise what any of them raised."""
    if workers == 1:
        work(0)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, range(workers)))
