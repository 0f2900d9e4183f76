"""Raster files: opened with errors of our own and brought onto a grid, their masks right.

The photo sets the grid of the place (`imagery`); every other raster is read onto it here.
"""

from __future__ import annotations

import math
import os
import warnings
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Lock
from typing import Any

import numpy as np
import rasterio
import rasterio.crs
import rasterio.shutil
from affine import Affine
from pyproj import CRS
from pyproj.exceptions import ProjError
from rasterio._err import CPLE_BaseError
from rasterio.enums import ColorInterp, MaskFlags, Resampling
from rasterio.errors import CRSError, NotGeoreferencedWarning, RasterioError
from rasterio.io import MemoryFile
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import AnyArray, BoolArray, Bounds
from sitegeo.errors import CrsError, PlaceError, RasterError

HELD_PX = 16_000_000
"""Pixels up to which a plane to work on is held in memory."""

_REMOTE = {
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    "GDAL_HTTP_MAX_RETRY": "3",
    "CPL_VSIL_CURL_USE_HEAD": "NO",  # a signed address often holds for GET alone
}

_EVERGREEN = "evergreen"
"""What a land-cover class may be called beside our own: trees that keep leaves or needles."""


def require_proj() -> None:
    """Raise where another program's PROJ data, named in the environment, would be read for ours."""
    try:
        rasterio.crs.CRS.from_epsg(32617)
    except CRSError as error:
        found = [f"{n}={os.environ[n]}" for n in ("PROJ_DATA", "PROJ_LIB") if n in os.environ]
        raise RasterError(
            f"the table of coordinate systems cannot be read: {error}",
            value=", ".join(found) or None,
            remedy=f"Unset {' and '.join(n.partition('=')[0] for n in found)} and run again"
            if found
            else "Install rasterio again",
        ) from None


def is_remote(path: Path | str) -> bool:
    """Return whether a path is an address, read over the network."""
    return isinstance(path, str) and path.startswith(("http://", "https://", "/vsi", "s3://"))


@contextmanager
def open_raster(path: Path | str) -> Iterator[Any]:
    """Open a georeferenced raster, local or at an address, with errors of our own.

    Raises
    ------
    RasterError, CrsError
        If it cannot be read, now or while it is open, or says not where it lies.
    """
    remote = is_remote(path)
    if not remote and not Path(path).exists():
        raise RasterError("no such file", where=path, remedy="Check the path in PLACE.toml")
    if not remote and Path(path).is_dir():
        raise RasterError("is a folder, not a raster", where=path, remedy="Name the file in it")
    try:
        with rasterio.Env(**(_REMOTE if remote else {})), rasterio.open(path) as source:
            if source.crs is None:
                raise CrsError(
                    "has no coordinate reference system",
                    where=path,
                    remedy="Assign the right one, e.g. with gdal_edit.py -a_srs; "
                    "sitegeo never guesses",
                )
            if source.transform.is_identity:
                raise CrsError(
                    "does not say where it lies: no geotransform and no world file",
                    where=path,
                    remedy="Use the georeferenced file, with its world file beside it",
                )
            yield source
    except (RasterioError, CRSError, ProjError, CPLE_BaseError) as error:
        raise RasterError(
            f"cannot be read as a raster, or is cut short: {error}",
            where=path,
            remedy="Check that it is a raster; if it is, copy or download it again",
        ) from None


def raster_extent(path: Path) -> tuple[str, Bounds]:
    """Return a raster's own CRS and its bounds in it: west, south, east, north."""
    with open_raster(path) as source:
        return horizontal_crs(source).to_string(), tuple(source.bounds)


def horizontal_crs(source: Any) -> CRS:
    """Return the CRS of an open raster without its vertical part."""
    own = CRS.from_user_input(source.crs)
    return own.to_2d() if len(own.axis_info) > 2 else own


def read_raster_onto(path: Path, grid: Grid, *, categories: bool = False) -> Raster:
    """Return the first band of a raster resampled onto a grid.

    Parameters
    ----------
    path
        Any georeferenced raster that GDAL reads.
    grid
        That of the place.
    categories
        Whether values are codes: kept as they are, each from the nearest pixel.

    Returns
    -------
    Raster
        Shape (row, column) of the grid: bilinear float32 with the file's scale and offset applied,
        or the codes.

    Raises
    ------
    RasterError, CrsError
        If it cannot be read or does not overlap the grid.
    """
    with open_raster(path) as source:
        with WarpedVRT(
            source,
            crs=grid.crs.to_wkt(),
            transform=grid.transform,
            height=grid.shape[0],
            width=grid.shape[1],
            resampling=Resampling.nearest if categories else Resampling.bilinear,
            add_alpha=source.nodata is None and ColorInterp.alpha not in source.colorinterp,
        ) as view:
            values = view.read(1)
            valid = valid_mask(view, [1], Window(0, 0, view.width, view.height), grid.shape)
        scale, offset, bounds = source.scales[0], source.offsets[0], source.bounds
    if not categories:
        values = values.astype(np.float32) * np.float32(scale) + np.float32(offset)
        valid &= np.isfinite(values)
        values = np.where(valid, values, np.float32(0))
    if not valid.any():
        raise RasterError(
            "the raster does not overlap the photo, or holds no data there",
            where=path,
            value=tuple(round(v, 6) for v in bounds),
            remedy="Check its coordinate reference system, extent and nodata value",
        )
    return Raster(values, grid, None if valid.all() else valid)


def reclassify_land_cover(codes: Raster, table: Mapping[str, str], *, where: object) -> Raster:
    """Return a supplied land-cover raster in our own codes; codes not in the table are void.

    A class may also be called "evergreen": trees that keep their leaves or needles in winter.

    Parameters
    ----------
    codes
        The raster on the grid of the place.
    table
        The name of one of our classes (`Cover`) for each code, the code written as text.
    where
        The file that holds the table, named in messages.

    Returns
    -------
    Raster
        uint8 values of `Cover` on the same grid.

    Raises
    ------
    PlaceError
        If the table is empty, or holds what is no code or none of our classes.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.grid import Grid, Raster
    >>> grid = Grid(CRS("EPSG:32617"), 500_000.0, 4_900_000.0, 10.0, (1, 3))
    >>> codes = Raster(np.array([[11, 42, 7]]), grid)
    >>> ours = reclassify_land_cover(codes, {"11": "water", "42": "tree"}, where="place.toml")
    >>> ours.values.tolist(), ours.mask.tolist()
    ([[1, 2, 0]], [[True, True, False]])
    """
    if not table:
        raise PlaceError(
            "a land-cover raster needs [classes.landcover] to say what its codes mean",
            where=where,
            remedy='Write for example 1 = "water", 2 = "tree", 3 = "low", 4 = "open"',
        )
    out = np.zeros(codes.grid.shape, dtype=np.uint8)
    for code, name in table.items():
        ours = "tree" if name.lower() == _EVERGREEN else name
        if ours.upper() not in Cover.__members__ or not code.lstrip("-").isdecimal():
            raise PlaceError(
                "[classes.landcover] pairs a whole number with one of our classes",
                where=where,
                value=f'{code} = "{name}"',
                remedy="The classes are "
                + ", ".join([*(c.name.lower() for c in Cover), _EVERGREEN]),
            )
        out[codes.values == int(code)] = Cover[ours.upper()]
    valid = codes.mask & (out > 0)
    if not valid.any():
        raise PlaceError(
            "the land-cover raster holds none of the codes under [classes.landcover]",
            where=where,
            value=list(table),
            remedy=f"It holds {np.unique(codes.values[codes.mask])[:20].tolist()}",
        )
    return Raster(out, codes.grid, valid)


def evergreen_raster(codes: Raster, table: Mapping[str, str]) -> Raster | None:
    """Return 1 where a supplied land cover has evergreen trees; None if it has no such class."""
    chosen = [int(code) for code, name in table.items() if name.lower() == _EVERGREEN]
    if not chosen:
        return None
    known = np.isin(codes.values, [int(code) for code in table]) & codes.mask
    return Raster(np.isin(codes.values, chosen).astype(np.uint8), codes.grid, known)


@contextmanager
def view_with_alpha(source: Any, names: tuple[str, ...]) -> Iterator[Any]:
    """Give the source with its transparency tagged as named, since all masks follow the tags.

    Near-infrared is often tagged alpha, which would make dark water transparent.
    """
    tags = [
        ColorInterp.alpha
        if name == "alpha"
        else (ColorInterp.undefined if tag == ColorInterp.alpha else tag)
        for name, tag in zip(names, source.colorinterp, strict=True)
    ]
    if tags == list(source.colorinterp):
        yield source
        return
    with MemoryFile(ext=".vrt") as memory:
        rasterio.shutil.copy(source, memory.name, driver="VRT")
        with rasterio.open(memory.name, "r+") as view:
            view.colorinterp = tags
        with rasterio.open(memory.name) as view:
            yield view


@contextmanager
def view_on_grid(source: Any, crs: CRS, finest_m: float) -> Iterator[Any]:
    """Give a source on a north-up square grid in a CRS: itself where it lies so, else a warp.

    Parameters
    ----------
    source
        The open dataset.
    crs
        The projected metric CRS wanted.
    finest_m
        Where it is warped and its pixels are finer, they are averaged up to this.

    Yields
    ------
    dataset
        Open until the block ends.
    """
    t = source.transform
    north_up = t.b == 0 and t.d == 0 and t.a > 0 and abs(t.a + t.e) < 1e-6 * t.a
    if north_up and horizontal_crs(source) == crs:
        yield source
        return
    has_mask = source.nodata is not None or ColorInterp.alpha in source.colorinterp
    options = {
        "crs": crs.to_wkt(),
        "resampling": Resampling.bilinear,
        "add_alpha": not has_mask,
    }
    with ExitStack() as stack:
        view = stack.enter_context(WarpedVRT(source, **options))
        factor, t = averaging_factor(view, finest_m), view.transform
        if factor > 1:
            # Warped straight to the coarse grid, which keeps void pixels out of the averages.
            options |= {
                "transform": Affine(t.a * factor, 0, t.c, 0, t.e * factor, t.f),
                "width": max(1, view.width // factor),
                "height": max(1, view.height // factor),
            }
            view = stack.enter_context(WarpedVRT(source, **options))
        yield view


def averaging_factor(view: Any, finest_m: float) -> int:
    """Return how many pixels of a view, each way, go into one no finer than `finest_m`."""
    return max(1, math.ceil(finest_m / float(view.transform.a) - 1e-6))


def valid_mask(view: Any, bands: list[int], window: Window, shape: tuple[int, int]) -> BoolArray:
    """Return which pixels hold data: by transparency, the file's mask or its nodata value.

    A coarse pixel holds data where any of the pixels in it does.

    Parameters
    ----------
    view
        The open dataset or warp.
    bands
        Numbers of the bands looked at, from 1; a pixel is void only where each of them is.
    window, shape
        The part of the dataset, and the rows and columns it is read into.

    Returns
    -------
    BoolArray
        Of that shape.
    """
    options = {"window": window, "resampling": Resampling.average}
    has_alpha = ColorInterp.alpha in view.colorinterp
    if not has_alpha and all(MaskFlags.all_valid in flags for flags in view.mask_flag_enums):
        return np.ones(shape, dtype=bool)
    # A pixel is void only where every band is: one black band is a colour.
    masks = view.read_masks(bands, out_shape=(len(bands), *shape), **options)
    held = (masks > 0).any(axis=0)
    if has_alpha:
        # The library does not always count an alpha band among the masks.
        band = view.colorinterp.index(ColorInterp.alpha) + 1
        held &= view.read(band, out_shape=shape, **options) > 0
    return np.asarray(held, dtype=bool)


class HeldPlane:
    """A plane in memory, read and written in part."""

    def __init__(self, shape: tuple[int, int], dtype: str) -> None:
        self._values: AnyArray = np.zeros(shape, dtype)

    def read(self, rows: slice, cols: slice) -> AnyArray:
        """Return the values of a part."""
        return self._values[rows, cols]

    def write(self, rows: slice, cols: slice, values: AnyArray) -> None:
        """Set the values of a part.

        Parameters
        ----------
        rows, cols
            The part.
        values
            Of the shape of the part.
        """
        self._values[rows, cols] = values


class FilePlane:
    """The same on disk, read and written by one thread at a time."""

    def __init__(self, path: Path, shape: tuple[int, int], dtype: str) -> None:
        profile = {"driver": "GTiff", "height": shape[0], "width": shape[1], "count": 1,
                   "dtype": dtype, "tiled": True, "blockxsize": 256, "blockysize": 256,
                   "compress": "lzw", "sparse_ok": True, "bigtiff": "if_safer"}  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            self._file = rasterio.open(path, "w+", **profile)
        self._lock = Lock()

    def read(self, rows: slice, cols: slice) -> AnyArray:
        """Return the values of a part."""
        with self._lock:
            values: AnyArray = self._file.read(1, window=Window.from_slices(rows, cols))
        return values

    def write(self, rows: slice, cols: slice, values: AnyArray) -> None:
        """Set the values of a part, as `HeldPlane.write` does.

        Parameters
        ----------
        rows, cols
            The part.
        values
            Of the shape of the part.
        """
        with self._lock:
            self._file.write(values, 1, window=Window.from_slices(rows, cols))

    def close(self) -> None:
        """Close the file."""
        self._file.close()


@contextmanager
def scratch_plane(shape: tuple[int, int], dtype: str) -> Iterator[HeldPlane | FilePlane]:
    """Give a plane to work on: in memory up to `HELD_PX` pixels, else on disk; gone afterwards."""
    if shape[0] * shape[1] <= HELD_PX:
        yield HeldPlane(shape, dtype)
        return
    with TemporaryDirectory(prefix="sitegeo-", ignore_cleanup_errors=True) as folder:
        plane = FilePlane(Path(folder) / "plane.tif", shape, dtype)
        try:
            yield plane
        finally:
            plane.close()
