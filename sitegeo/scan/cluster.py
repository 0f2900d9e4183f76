"""Workers: a local Dask cluster, or an existing one joined by its address."""

# mypy: disable-error-code="no-untyped-call"

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from threading import Event, Thread
from typing import Any

from sitegeo.errors import MissingExtraError, SitegeoError, SurveyError, UsageError
from sitegeo.scan import worker

TASK_RETRIES = 3
"""How often a task that raised what is no error of ours is tried again (judgement)."""

WORKER_DEATHS = 20
"""Workers of a local cluster that may die under one task before it is given up (judgement)."""

WATCH_INTERVAL_S = 2.0
"""How often a local cluster is looked at for workers that are gone (judgement)."""

_SETTINGS = {
    "distributed.scheduler.allowed-failures": WORKER_DEATHS,
    # A busy machine takes its time to start a worker anew.
    "distributed.deploy.lost-worker-timeout": "30s",
}

JOIN_TIMEOUT_S = 10.0
"""How long to wait for a scheduler to answer (judgement)."""

MEMORY_SHARE = 0.8
"""Of the machine's memory, what a local cluster takes (judgement)."""


def machine_memory_bytes() -> int:
    """Return the machine's memory in bytes, as far as this process may use it."""
    from distributed.system import MEMORY_LIMIT  # noqa: PLC0415 (an extra)

    return int(MEMORY_LIMIT)


@contextmanager
def open_client(
    *, address: str | None, workers: int | None, memory_bytes: int | None, processes: bool = True
) -> Iterator[Any]:
    """Give a Dask client: of the cluster at an address, else of a local one made for the while.

    Parameters
    ----------
    address
        Of a scheduler, ``tcp://host:port``; None for a local cluster.
    workers
        Of a local cluster; by default one a core.
    memory_bytes
        For each of them; by default an even share of what the machine has.
    processes
        Whether local workers are processes; one thread each either way.

    Yields
    ------
    distributed.Client
        With workers, closed at the end.

    Raises
    ------
    MissingExtraError
        Dask is not installed.
    UsageError
        No scheduler answers at the address, or it has no workers.
    """
    require_dask()
    import dask  # noqa: PLC0415
    from distributed import Client, LocalCluster  # noqa: PLC0415

    with ExitStack() as stack:
        stack.enter_context(dask.config.set(_SETTINGS))
        if address is not None:
            yield stack.enter_context(_joined(Client, address))
            return
        count = workers or os.cpu_count() or 1
        share = memory_bytes or int(MEMORY_SHARE * machine_memory_bytes() / count)
        threads = dict.fromkeys(("SITEGEO_THREADS", "OMP_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")
        apart = {"env": threads, "preload": [worker.__name__]} if processes else {}
        cluster = stack.enter_context(
            LocalCluster(
                n_workers=count,
                threads_per_worker=1,
                processes=processes,
                memory_limit=share,
                dashboard_address="127.0.0.1:0",
                silence_logs="CRITICAL",
                **apart,
            )
        )
        stack.enter_context(_kept_up(cluster, count))
        yield stack.enter_context(Client(cluster))


@contextmanager
def _kept_up(cluster: Any, count: int) -> Iterator[None]:
    """Start workers anew for the while where one is gone for good.

    Its nanny does so by itself, unless the worker dies while it starts.
    """
    over = Event()

    def look() -> None:
        while not over.wait(WATCH_INTERVAL_S):
            if len(cluster.workers) < count:
                cluster.scale(count)

    looking = Thread(target=look, daemon=True)
    looking.start()
    try:
        yield
    finally:
        over.set()
        looking.join()


def require_dask() -> None:
    """Raise `MissingExtraError` where Dask is not installed."""
    try:
        import distributed  # noqa: F401, PLC0415
        import pyarrow  # noqa: F401, PLC0415
    except ImportError as error:
        raise MissingExtraError(
            f"a region scan needs {error.name}", remedy="Run: pip install 'sitegeo[scan]'"
        ) from None


def _joined(client: Callable[..., Any], address: str) -> Any:
    try:
        joined = client(address, timeout=JOIN_TIMEOUT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            "no scheduler answers",
            where="--scheduler",
            value=address,
            remedy=f"Start one with 'dask scheduler', and workers with 'dask worker' ({error})",
        ) from None
    if not joined.scheduler_info()["workers"]:
        joined.close()
        raise UsageError(
            "the scheduler has no workers",
            where="--scheduler",
            value=address,
            remedy=f"Start some: dask worker {address} --nthreads 1",
        )
    return joined


def smallest_memory_bytes(client: Any) -> float:
    """Return the memory limit of the smallest worker in bytes, infinite where none is set."""
    limits = [
        w["memory_limit"] / max(1, w["nthreads"])
        for w in client.scheduler_info(n_workers=-1)["workers"].values()
    ]
    return min((m for m in limits if m), default=float("inf"))


def run_jobs(
    client: Any,
    function: Callable[..., Any],
    jobs: Iterable[tuple[Any, ...]],
    *,
    on_done: Callable[[], None] = lambda: None,
) -> list[Any]:
    """Return what a function makes of each job, or the exception it died of.

    A task whose worker dies is run again elsewhere; one that raises, `TASK_RETRIES` times.

    Parameters
    ----------
    client
        A Dask client.
    function
        Must be importable by the workers.
    jobs
        Positional arguments of each call.
    on_done
        Called after each, in the order they end.

    Returns
    -------
    list
        In the order of the jobs.
    """
    from distributed import as_completed  # noqa: PLC0415

    futures = [client.submit(function, *job, pure=False, retries=TASK_RETRIES) for job in jobs]
    place = {future.key: number for number, future in enumerate(futures)}
    found: list[Any] = [None] * len(futures)
    try:
        for future in as_completed(futures):
            error = future.exception()
            found[place[future.key]] = future.result() if error is None else error
            on_done()
    finally:
        client.cancel([f for f in futures if not f.done()])
    return found


def require_results(found: Sequence[Any]) -> list[Any]:
    """Return results of which none may be missing; raise the first failure as one of ours."""
    for result in found:
        if isinstance(result, SitegeoError):
            raise result
        if isinstance(result, BaseException):
            raise SurveyError(f"the scan cannot go on: {describe_failure(result)}")
    return list(found)


def describe_failure(error: BaseException) -> str:
    """Return why a task failed, in words."""
    if type(error).__name__ == "KilledWorker":
        return (
            "its workers died, most likely for want of memory. Give --memory more, or make "
            "[tiles] size_m smaller"
        )
    return f"{type(error).__name__}: {error}"
