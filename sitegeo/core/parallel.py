"""How many threads to use, and kernels run in them that release the interpreter lock."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

_SMALL = 250_000  # pixels below which starting threads costs more than it saves


def allowed() -> int:
    """Return how many threads this process may use: `SITEGEO_THREADS`, else all processors.

    The environment speaks where many workers share a machine.
    """
    asked = os.environ.get("SITEGEO_THREADS")
    if asked is not None:
        return max(1, int(asked))
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def thread_count(threads: int | None, pixels: int) -> int:
    """Return the threads to use for so many pixels: as asked, else all allowed, one if small."""
    if threads is not None:
        return max(1, threads)
    if pixels < _SMALL and "SITEGEO_THREADS" not in os.environ:
        return 1
    return allowed()


def in_threads(work: Callable[[int], None], workers: int) -> None:
    """Call ``work(0)`` … ``work(workers - 1)`` at once; raise what any of them raised."""
    if workers == 1:
        work(0)
        return
    with ThreadPoolExecutor(workers - 1) as pool:
        others = [pool.submit(work, worker) for worker in range(1, workers)]
        work(0)  # here: one thread fewer to start
        for other in others:
            other.result()
