"""The command line as a person runs it: in this process, or in one of its own."""

from __future__ import annotations

import logging
import os
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from subprocess import CompletedProcess
from typing import IO
from unittest import mock

import pytest

from sitegeo.cli import main

UNSEEN = (DeprecationWarning, PendingDeprecationWarning, ImportWarning, ResourceWarning)
"""What Python itself does not show of a library."""


def sitegeo(*words: object, columns: int = 120) -> CompletedProcess[str]:
    """Run a command here, with nothing to import again.

    Caught is what a process would print: by C libraries, as a warning or to the log too.
    """
    args = [str(word) for word in words]
    code: object = 0
    with (
        mock.patch.dict(os.environ, COLUMNS=str(columns)),
        mock.patch.object(logging.root, "handlers", []),
        warnings.catch_warnings(record=True) as warned,
        _caught(1, "stdout") as out,
        _caught(2, "stderr") as err,
    ):
        warnings.simplefilter("default")
        for kind in UNSEEN:
            warnings.simplefilter("ignore", kind)
        try:
            main(args)
        except SystemExit as ended:
            code = ended.code
        told = [f.seek(0) or f.read() for f in (out, err)]
    told[1] += "".join(
        warnings.formatwarning(w.message, w.category, w.filename, w.lineno) for w in warned
    )
    assert isinstance(code, int)
    return CompletedProcess(args, code, *told)


def process(
    *words: object, env: dict[str, str] | None = None, columns: int = 120
) -> CompletedProcess[str]:
    """Run a command in a process of its own, where that is what is tested."""
    command = [sys.executable, "-m", "sitegeo", *map(str, words)]
    around = {**(env or os.environ), "COLUMNS": str(columns)}
    return subprocess.run(command, capture_output=True, text=True, env=around, check=False)


@contextmanager
def maps_of_one_wind() -> Iterator[None]:
    """Write plans with a map that does not turn with the wind: that takes most of the time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sitegeo.plans.map.turn_content", lambda _plan: None)
        patch.setattr("sitegeo.plans.map.other_spreads", lambda _plan: {})
        yield


@contextmanager
def _caught(number: int, name: str) -> Iterator[IO[str]]:
    """Send a stream to a file for a while, with what is written past Python."""
    stream, kept = getattr(sys, name), os.dup(number)
    stream.flush()
    with tempfile.TemporaryFile("w+", encoding="utf-8") as file:
        os.dup2(file.fileno(), number)
        setattr(sys, name, file)
        try:
            yield file
        finally:
            file.flush()
            setattr(sys, name, stream)
            os.dup2(kept, number)
            os.close(kept)
