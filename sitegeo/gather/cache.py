"""Answers kept on disk, one file a request, whole or not there at all."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sitegeo.errors import OutputError


@dataclass(frozen=True)
class Answer:
    """What a service answered, and when."""

    body: bytes
    fetched: datetime
    total: int | None = None
    """Size of the whole file, where this is a part of it."""
    tag: str = ""
    """Changes when the file does."""


class Cache:
    """A folder of answers by the key of their request.

    An entry is a line of JSON and the body. It is written beside its name and renamed, so that a
    killed run leaves no half an answer; one that does not match its own digest counts as absent.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def _path(self, key: str) -> Path:
        return self.folder / key[:2] / key

    def get(self, key: str) -> Answer | None:
        """Return the answer kept under a key, if a whole one is."""
        try:
            head, _, body = self._path(key).read_bytes().partition(b"\n")
            held = json.loads(head)
            if held["sha256"] != hashlib.sha256(body).hexdigest():
                return None
            return Answer(body, datetime.fromisoformat(held["fetched"]), held["total"], held["tag"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    def put(self, key: str, answer: Answer, *, shown: str) -> None:
        """Keep an answer under a key, whole or not at all.

        Parameters
        ----------
        key
            `Request.key` of what was asked.
        answer
            What came back.
        shown
            Whose answer it is, for a person who opens the file; it holds no key or token.

        Raises
        ------
        OutputError
            If the folder cannot be written.
        """
        head = {
            "of": shown,
            "fetched": answer.fetched.isoformat(),
            "total": answer.total,
            "tag": answer.tag,
            "sha256": hashlib.sha256(answer.body).hexdigest(),
        }
        path = self._path(key)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            handle, name = tempfile.mkstemp(dir=path.parent, prefix=".new-")
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(json.dumps(head).encode() + b"\n" + answer.body)
                Path(name).replace(path)
            except BaseException:
                Path(name).unlink(missing_ok=True)
                raise
        except OSError as error:
            raise OutputError(
                f"the cache cannot be written: {error.strerror}",
                where=self.folder,
                remedy="Name another folder with --cache",
            ) from None

    def drop(self, key: str) -> None:
        """Forget an answer."""
        self._path(key).unlink(missing_ok=True)
