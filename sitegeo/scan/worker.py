"""What a worker of a local cluster does first."""

from __future__ import annotations

import importlib
import signal
from typing import Any


def dask_setup(_worker: Any) -> None:
    """Leave Ctrl-C to the process that started it, and import what its tasks need."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    importlib.import_module("sitegeo.scan.tiles")
