"""Running sitegeo in its own environment, as a child process. Knows nothing of QGIS."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import threading
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

# QGIS's own Python and GDAL are other versions: nothing of theirs may reach the child.
_FOREIGN = ("PROJ_", "GDAL_", "PYTHON", "QGIS", "QT_", "VIRTUAL_ENV", "CONDA")
_LOADER = ("LD_LIBRARY_PATH", "LD_PRELOAD", "DYLD_LIBRARY_PATH", "DYLD_INSERT_LIBRARIES")
_PROGRESS = "@progress"
"""Begins a line of progress, as the command line writes it."""

SCHEMA = "sitegeo/qgis/1"
"""Schema of the description that this plugin reads."""


_LAST_LINES = 20
"""Lines of what a child said that make its error."""

_NO_WINDOW = 0x08000000
"""CREATE_NO_WINDOW: no console flashes up beside QGIS."""

_STOP_S = 15
"""A child that does not end so long after it was interrupted is killed."""


class ChildError(Exception):
    """The child failed; the text is what it said."""


class Cancelled(Exception):  # noqa: N818 (a request, no error)
    """The person asked to stop."""


def environment(given: Mapping[str, str]) -> dict[str, str]:
    """Return an environment without what belongs to QGIS."""
    kept = {
        name: value
        for name, value in given.items()
        if not name.upper().startswith(_FOREIGN) and name not in _LOADER
    }
    return {**kept, "SITEGEO_PROGRESS": "1", "PYTHONIOENCODING": "utf-8"}


def base_command() -> list[str]:
    """Return the words that start sitegeo, as they were written on installing."""
    held = json.loads(Path(__file__).with_name("environment.json").read_text(encoding="utf-8"))
    return list(held["command"])


def describe() -> dict[str, Any]:
    """Return what there is to run, asked of sitegeo itself."""
    found: dict[str, Any] = json.loads(run(["qgis", "--describe"]))
    if found.get("schema") != SCHEMA:
        raise ChildError(
            f"This plugin and sitegeo {found.get('version')} are of different versions. "
            "Run 'sitegeo qgis --into …' again."
        )
    return found


def run(
    words: Sequence[str],
    *,
    answers: Sequence[int] = (),
    on_progress: Callable[[str], None] = lambda _text: None,
    on_word: Callable[[str], None] = lambda _text: None,
    cancelled: Callable[[], bool] = lambda: False,
) -> str:
    """Run sitegeo and return what it printed.

    Parameters
    ----------
    words
        The command line after `sitegeo`.
    answers
        Exit codes beside 0 that are no failure.
    on_progress, on_word
        Called with each line of progress, and of words to the person.
    cancelled
        Asked often; where it says so, the child is stopped and leaves earlier results as they
        were.

    Returns
    -------
    str
        All of stdout.

    Raises
    ------
    ChildError
        If the child cannot be started or fails.
    Cancelled
        If `cancelled` said so.
    """
    hidden = {"creationflags": _NO_WINDOW} if os.name == "nt" else {"start_new_session": True}
    try:
        child = subprocess.Popen(
            [*base_command(), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            stdin=subprocess.DEVNULL,
            env=environment(os.environ),
            encoding="utf-8",
            errors="replace",
            **hidden,
        )
    except OSError as error:
        raise ChildError(
            f"sitegeo cannot be started ({error}). Run 'sitegeo qgis --into …' again."
        ) from None
    lines: queue.Queue[tuple[str, str | None]] = queue.Queue()
    for name in ("stdout", "stderr"):
        threading.Thread(
            target=_listen, args=(getattr(child, name), name, lines), daemon=True
        ).start()
    printed, said = _followed(child, lines, on_progress, on_word, cancelled)
    if child.wait() not in (0, *answers):
        raise ChildError(
            "\n".join(said[-_LAST_LINES:]) or f"sitegeo ended with code {child.returncode}"
        )
    return "\n".join(printed)


def _listen(stream: Any, name: str, lines: queue.Queue[tuple[str, str | None]]) -> None:
    for line in stream:
        lines.put((name, line.rstrip("\r\n")))
    lines.put((name, None))


def _followed(
    child: Any,
    lines: queue.Queue[tuple[str, str | None]],
    on_progress: Callable[[str], None],
    on_word: Callable[[str], None],
    cancelled: Callable[[], bool],
) -> tuple[list[str], list[str]]:
    """Return what the child printed and said, passing it on line by line."""
    printed: list[str] = []
    said: list[str] = []
    open_streams = 2
    while open_streams:
        if cancelled():
            _stop(child)
            raise Cancelled
        try:
            name, line = lines.get(timeout=0.2)
        except queue.Empty:
            continue
        if line is None:
            open_streams -= 1
        elif name == "stdout":
            printed.append(line)
        elif line.startswith(_PROGRESS):
            on_progress(line[len(_PROGRESS) :].strip())
        else:
            said.append(line)
            on_word(line)
    return printed, said


def _stop(child: Any) -> None:
    """Interrupt the child as Ctrl-C does, and end it where it does not listen."""
    if os.name == "nt":
        child.terminate()
    else:
        os.killpg(child.pid, signal.SIGINT)
    try:
        child.wait(timeout=_STOP_S)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
