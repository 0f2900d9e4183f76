"""Output folders that are there whole or not at all.

A folder is written beside its final name. On success the old one is renamed aside, the new one
renamed in, and the old one removed; a rename that was cut short is repaired by the next run.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sitegeo.errors import OutputError, SurveyError

_NEW = ".sitegeo-new"
_OLD = ".sitegeo-old"


def repair(folder: Path) -> None:
    """Put back the old folder where a run was killed between the two renames."""
    old = _beside(folder, _OLD)
    if old.is_dir() and not folder.exists():
        old.rename(folder)


def require_free(folder: Path, marker: str, *, overwrite: bool) -> None:
    """Raise `OutputError` unless `folder` may be written.

    Parameters
    ----------
    folder
        Where results are to go.
    marker
        The file that shows a folder to hold such results; no other folder is ever replaced.
    overwrite
        Whether such a folder may be replaced.
    """
    repair(folder)
    if not folder.exists():
        return
    if not folder.is_dir():
        raise OutputError("is a file, not a folder", where=folder, remedy="Choose another --out")
    empty = next(folder.iterdir(), None) is None
    if empty:
        return
    if not (folder / marker).is_file():
        raise OutputError(
            f"the folder holds other things (no {marker}) and is left alone",
            where=folder,
            remedy="Choose another --out",
        )
    if not overwrite:
        raise OutputError(
            "the folder holds results already",
            where=folder,
            remedy="Add --overwrite to replace them",
        )


@contextmanager
def replacing(folder: Path, marker: str, *, overwrite: bool = False) -> Iterator[Path]:
    """Give an empty folder to fill; it takes the place of `folder` only if nothing fails.

    Parameters
    ----------
    folder, marker, overwrite
        As for `require_free`.

    Yields
    ------
    Path
        The folder to fill, beside `folder`.

    Raises
    ------
    OutputError
        If `folder` may not be replaced, or cannot be written.
    """
    folder = folder.absolute()
    require_free(folder, marker, overwrite=overwrite)
    new, old = _beside(folder, _NEW), _beside(folder, _OLD)
    try:
        shutil.rmtree(new, ignore_errors=True)
        new.mkdir(parents=True)
    except OSError as error:
        raise OutputError(f"cannot be written: {error.strerror}", where=folder) from None
    try:
        yield new
        shutil.rmtree(old, ignore_errors=True)
        if folder.exists():
            folder.rename(old)
        new.rename(folder)
        shutil.rmtree(old, ignore_errors=True)
    except OSError as error:
        repair(folder)
        raise OutputError(f"cannot be written: {error.strerror or error}", where=folder) from None
    finally:
        shutil.rmtree(new, ignore_errors=True)


def require_ours(folder: Path, marker: str, kind: str) -> None:
    """Raise unless `folder` holds results of one kind.

    Parameters
    ----------
    folder
        Where they should lie.
    marker
        The file that shows them to be there.
    kind
        The command that writes them, for the error: ``survey``, ``plan`` or ``scan``.

    Raises
    ------
    SurveyError
        There is no such folder, or it holds something else.
    """
    repair(folder.absolute())
    if not (folder / marker).is_file():
        found = "no such folder" if not folder.exists() else f"is not a {kind} (no {marker} in it)"
        raise SurveyError(
            found, where=folder, remedy=f"Give the folder that 'sitegeo {kind} … --out' wrote"
        )


def _beside(folder: Path, suffix: str) -> Path:
    return folder.with_name(f".{folder.name}{suffix}")
