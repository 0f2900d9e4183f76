"""Tables a person reads, on stdout."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterable, Sequence

from rich import box
from rich.console import Console
from rich.table import Table

_PLAIN_WIDTH = 120
"""Columns of text where stdout is no terminal."""

_LEAST_WIDTH = 80
"""A narrower terminal is written as if it had this many."""


def _console() -> Console:
    """Return a console on stdout, wide enough for a table where it is no terminal."""
    if sys.stdout.isatty():
        return Console(width=max(_LEAST_WIDTH, shutil.get_terminal_size().columns))
    return Console(width=_PLAIN_WIDTH)


def print_table(
    columns: Sequence[tuple[str, str]], rows: Iterable[Sequence[str]], *, title: str = ""
) -> None:
    """Print rows under named columns; each column says how it is justified."""
    table = Table(box=box.SIMPLE_HEAD, title=title or None, title_justify="left", pad_edge=False)
    for name, justify in columns:
        table.add_column(name, justify="right" if justify == "right" else "left", overflow="fold")
    for row in rows:
        # Text of a map's attributes is shown as it is, never read as markup.
        table.add_row(*(cell.replace("[", r"\[") for cell in row))
    _console().print(table)
