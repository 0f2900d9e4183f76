"""Reading a raster on a web server by parts, through the polite client.

GDAL's own network reader would not know the cache, the limits or `--offline`; here every part
goes through a `Fetcher`. Only TIFF is opened, since other formats can name further files.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import rasterio
from rasterio.abc import MultiByteRangeResourceContainer
from rasterio.errors import RasterioError

from sitegeo.errors import GatherError
from sitegeo.gather.client import Fetcher, Request

BLOCK_BYTES = 16_384
"""Unit in which a remote file is read and kept: what GDAL reads of a GeoTIFF's header at once."""

MAX_SPAN_BYTES = 4_194_304
"""Bytes asked for at once: what a killed run may lose (judgement)."""


class RemoteFile:
    """A file on a server, known block by block."""

    def __init__(self, fetcher: Fetcher, url: str) -> None:
        self._fetcher = fetcher
        self._url = url
        self._blocks: dict[int, bytes] = {}
        self._tag: str | None = None
        self.failure: BaseException | None = None
        self.size = 0

    def read(self, start: int, length: int) -> bytes:
        """Return bytes from `start`, fewer at the end of the file; none after a failure."""
        self.load([(start, length)])
        if self.failure is not None:
            return b""
        first, last = start // BLOCK_BYTES, (start + length - 1) // BLOCK_BYTES
        held = b"".join(self._blocks.get(b, b"") for b in range(first, last + 1))
        return held[start - first * BLOCK_BYTES :][:length]

    def read_whole(self, start: int, length: int) -> bytes:
        """Return exactly `length` bytes; fewer are a failure, and zeros stand in for GDAL."""
        held = self.read(start, length)
        if len(held) < length and self.failure is None:
            self.failure = GatherError("the file is cut short", where=Request(self._url).shown)
        return held.ljust(length, b"\0")

    def load(self, spans: list[tuple[int, int]]) -> None:
        """Fetch the blocks of some spans that are not there yet, neighbours in one request."""
        wanted = {
            b
            for start, length in spans
            if length > 0
            for b in range(start // BLOCK_BYTES, (start + length - 1) // BLOCK_BYTES + 1)
        }
        missing = sorted(wanted - set(self._blocks))
        while missing and self.failure is None:
            count = 1
            while count < len(missing) and missing[count] == missing[0] + count:
                count += 1
            run = min(count, MAX_SPAN_BYTES // BLOCK_BYTES)
            self._fetch(missing[0], run)
            missing = missing[run:]

    def _fetch(self, first: int, count: int) -> None:
        start = first * BLOCK_BYTES
        if self.size and start >= self.size:
            return
        try:
            answer = self._fetcher.part(self._url, start, count * BLOCK_BYTES)
            if self._tag is not None and (answer.tag, answer.total) != (self._tag, self.size):
                raise GatherError(
                    "the file changed while it was read",
                    where=Request(self._url).shown,
                    remedy="Run again with --fresh",
                )
        except BaseException as error:  # nothing passes through GDAL, an interrupt neither
            self.failure = error
            return
        self._tag, self.size = answer.tag, answer.total or 0
        for i in range(0, len(answer.body), BLOCK_BYTES):
            self._blocks[first + i // BLOCK_BYTES] = answer.body[i : i + BLOCK_BYTES]


class _Handle(io.RawIOBase):
    """What GDAL reads from; its errors are kept, since they cannot pass through GDAL."""

    def __init__(self, file: RemoteFile) -> None:
        self._file = file
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        self._at = offset + (0, self._at, self._file.size)[whence]
        return self._at

    def tell(self) -> int:
        return self._at

    def read(self, size: int = -1) -> bytes:
        size = self._file.size - self._at if size < 0 else size
        held = self._file.read(self._at, size) if size > 0 else b""
        self._at += len(held)
        return held

    def get_byte_ranges(self, offsets: list[int], sizes: list[int]) -> list[bytes]:
        spans = list(zip(offsets, sizes, strict=True))
        self._file.load(spans)
        return [self._file.read_whole(start, length) for start, length in spans]


class _Server(MultiByteRangeResourceContainer):  # type: ignore[misc]
    """A folder with one file in it, as GDAL sees it."""

    def __init__(self, file: RemoteFile, url: str) -> None:
        self._file = file
        self._url = url

    def open(self, path: str, mode: str = "rb", **_: Any) -> _Handle:
        if path != self._url or "w" in mode:
            raise FileNotFoundError(path)
        return _Handle(self._file)

    def isfile(self, path: str) -> bool:
        return path == self._url

    def isdir(self, _path: str) -> bool:
        return False

    def ls(self, _path: str) -> list[str]:
        return []

    def mtime(self, _path: str) -> int:
        return 0

    def rm(self, path: str) -> None:
        raise PermissionError(path)

    def size(self, _path: str) -> int:
        return self._file.size


@contextmanager
def open_remote(fetcher: Fetcher, url: str, **options: Any) -> Iterator[Any]:
    """Open a TIFF on a server for reading by parts.

    Raises
    ------
    GatherError
        If it cannot be fetched or is no such file, now or while it is open.
    """
    file = RemoteFile(fetcher, url)
    file.load([(0, BLOCK_BYTES)])
    if file.failure is not None:
        raise file.failure
    try:
        with (
            rasterio.Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR", GTIFF_IGNORE_READ_ERRORS="NO"),
            rasterio.open(url, driver="GTiff", opener=_Server(file, url), **options) as source,
        ):
            yield source
    except RasterioError as error:
        if file.failure is None:
            raise GatherError(
                f"cannot be read as a GeoTIFF: {error}", where=Request(url).shown
            ) from None
    if file.failure is not None:
        raise file.failure
