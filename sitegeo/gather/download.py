"""A vector file published for download, packed in a zip or not."""

from __future__ import annotations

import stat
import tempfile
import zipfile
from pathlib import Path, PurePosixPath

import geopandas as gpd
import pyogrio
from pyogrio.errors import DataLayerError, DataSourceError

from sitegeo.core.grid import WGS84
from sitegeo.core.typing import Bounds
from sitegeo.errors import GatherError
from sitegeo.gather.client import MEGABYTE, Fetcher, Request
from sitegeo.gather.features import ColumnMapping, map_columns
from sitegeo.gather.sources import Service, SourceData, SourceRequest, features_within
from sitegeo.places.config import VECTOR_REACH_M

MAX_ZIP_FILES = 200
"""Files in an archive, beyond which it is refused (judgement)."""

MAX_UNPACKED_BYTES = 500 * MEGABYTE
"""Size of an archive unpacked, beyond which it is refused (judgement)."""

MAP_FILE_SUFFIXES = frozenset(
    {".shp", ".shx", ".dbf", ".prj", ".cpg", ".gpkg", ".geojson", ".json", ".fgb"}
)
"""What is unpacked of an archive."""

FILE_SIGNATURES = {
    ".gpkg": b"SQLite format 3",
    ".fgb": b"fgb",
    ".geojson": b"{",
    ".json": b"{",
    ".shp": b"\x00\x00\x27\x0a",
}
"""First bytes of each kind of map file: another kind under its name could ask for further files."""


class DownloadOptions(ColumnMapping):
    """What a source of this service may say under `options`."""

    layer: str | None = None
    member: str | None = None
    """The file in the zip, where it holds several."""


def unpack_zip(archive: Path, into: Path, *, where: object) -> list[Path]:
    """Unpack the map files of a zip flat into a folder; return their paths.

    Names are never followed: each file lands in the folder under its last part. Links, too many
    files, too many bytes, and bytes beyond what the archive declares are refused.

    Parameters
    ----------
    archive
        The zip.
    into
        A folder that is there.
    where
        What an error names as its place.

    Returns
    -------
    list of Path
        The files of `MAP_FILE_SUFFIXES`, in the archive's order.

    Raises
    ------
    GatherError
        If it is no zip, or holds what is refused.
    """
    try:
        with zipfile.ZipFile(archive) as packed:
            members = [m for m in packed.infolist() if not m.is_dir()]
            if len(members) > MAX_ZIP_FILES:
                raise GatherError(f"the zip holds {len(members)} files", where=where)
            if sum(m.file_size for m in members) > MAX_UNPACKED_BYTES:
                raise GatherError("the zip holds too much", where=where)
            written = []
            for member in members:
                name = PurePosixPath(member.filename.replace("\\", "/"))
                linked = stat.S_ISLNK(member.external_attr >> 16)
                if name.is_absolute() or ".." in name.parts or linked:
                    raise GatherError(
                        "the zip holds a name that leads out of it, and is not unpacked",
                        where=where,
                        value=member.filename,
                    )
                if name.suffix.lower() in MAP_FILE_SUFFIXES:
                    target = into / name.name
                    with packed.open(member) as file:
                        target.write_bytes(file.read(member.file_size))
                    written.append(target)
            return written
    except (zipfile.BadZipFile, RuntimeError, NotImplementedError, OSError, EOFError) as error:
        raise GatherError(f"is not a zip that can be unpacked: {error}", where=where) from None


def read_download(wanted: SourceRequest, fetcher: Fetcher) -> SourceData:
    """Return the features of the file in the area and 2 km around it; raises `GatherError`."""
    options: DownloadOptions = wanted.options(DownloadOptions)
    shown = Request(wanted.source.url).shown
    body = fetcher.bytes(wanted.source.url)
    with tempfile.TemporaryDirectory() as folder:
        into = Path(folder)
        if body.startswith(b"PK"):
            packed = into / "packed.zip"
            packed.write_bytes(body)
            files = unpack_zip(packed, into, where=shown)
        else:
            files = [into / f"layer{_suffix(body)}"]
            files[0].write_bytes(body)
        path = _the_file(files, options, shown)
        frame = _frame(path, options, wanted.area.bounds(margin_m=VECTOR_REACH_M), shown)
    return SourceData({} if frame.empty else {wanted.source.gives[0]: map_columns(frame, options)})


def _suffix(body: bytes) -> str:
    if body.startswith(b"SQLite format 3"):
        return ".gpkg"
    return ".fgb" if body.startswith(b"fgb") else ".geojson"


def _the_file(files: list[Path], options: DownloadOptions, where: str) -> Path:
    found = [f for s in FILE_SIGNATURES for f in sorted(files) if f.suffix.lower() == s]
    named = [f for f in found if options.member in {None, f.name}]
    if len(named) != 1:
        raise GatherError(
            "holds no map file of that name" if not named else "holds several map files",
            where=where,
            value=[f.name for f in found],
            remedy="Name one under options.member",
        )
    return named[0]


def _frame(path: Path, options: DownloadOptions, bounds: Bounds, where: str) -> gpd.GeoDataFrame:
    with path.open("rb") as file:
        if (
            not file.read(64)
            .removeprefix(b"\xef\xbb\xbf")
            .startswith(FILE_SIGNATURES[path.suffix.lower()])
        ):
            raise GatherError("is not a map file of a kind read here", where=where)
    try:
        frame = pyogrio.read_dataframe(path, layer=options.layer, use_arrow=False)
    except (DataSourceError, DataLayerError, ValueError) as error:
        raise GatherError(f"cannot be read as a map: {error}", where=where) from None
    if not isinstance(frame, gpd.GeoDataFrame) or frame.crs is None:
        raise GatherError("has no coordinate reference system", where=where)
    frame = frame[~(frame.geometry.isna() | frame.geometry.is_empty)]
    return features_within(frame.to_crs(WGS84), bounds)


DOWNLOAD = Service(read_download)
