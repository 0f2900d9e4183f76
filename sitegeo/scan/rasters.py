"""The photos of a region: where they lie, and the pixels of any window of them.

A region's rasters are many files. Each is described once, from its header; a window is then put
together from those that touch it, in the order they were named, on the region's own pixels.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS, Transformer
from rasterio.enums import ColorInterp, Resampling
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import AnyArray, BoolArray, Bounds
from sitegeo.errors import MissingExtraError, PlaceError, RasterError, SitegeoError
from sitegeo.places.imagery import NOT_PICTURE, band_names, metric_crs
from sitegeo.places.rasters import (
    horizontal_crs,
    is_remote,
    open_raster,
    valid_mask,
    view_with_alpha,
)

RASTER_SUFFIXES = frozenset({".tif", ".tiff", ".jp2", ".vrt", ".img"})
"""Files of a folder that are taken for photos."""

FLAT_PX = 4096
"""More pixels than this, all of one colour, are a fill where a photo should be (judgement)."""

ALIGNED_PX = 1e-3
"""Pixels no further apart than this, in pixels, are one: copied, not resampled (judgement)."""

Fault = tuple[str, str]
"""A file that cannot be read, and why."""


@dataclass(frozen=True)
class RasterSource:
    """One raster file or address, described by its header.

    Parameters
    ----------
    bounds
        West, south, east, north in the region's CRS.
    stamp
        Changes when the file does: size and time of change, or the address alone.
    """

    path: str
    bounds: Bounds
    stamp: str


def list_rasters(given: Sequence[str], base: Path, *, asset: str | None = None) -> list[str]:
    """Return the rasters a person named: files, addresses, those of folders and catalogues.

    Parameters
    ----------
    given
        Paths and addresses.
    base
        Folder from which paths count.
    asset
        The photo among a STAC item's assets; needed where it cannot be told.

    Returns
    -------
    list of str
        Paths and addresses, each once, in the order they were named.

    Raises
    ------
    PlaceError
        If a path does not exist, or a folder or catalogue holds no raster.
    """
    found: list[str] = []
    for text in given:
        path = base / text
        if Path(text).suffix.lower() == ".json":
            found += _catalogued(text if is_remote(text) else str(path), asset)
        elif is_remote(text):
            found.append(text)
        elif path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in RASTER_SUFFIXES)
            if not inside:
                raise PlaceError(
                    "the folder holds no raster",
                    where=path,
                    remedy=f"Known are {', '.join(sorted(RASTER_SUFFIXES))}",
                )
            found += map(str, inside)
        elif path.exists():
            found.append(str(path))
        else:
            raise PlaceError(
                "no such file or folder under [imagery] source",
                where=path,
                remedy="Check the paths; they count from the folder that holds REGION.toml",
            )
    return list(dict.fromkeys(found))


def _catalogued(path: str, asset: str | None) -> list[str]:
    """Return the photo of every item of a static STAC catalogue, in its order."""
    try:
        import pystac  # noqa: PLC0415 (an extra)
    except ImportError:
        raise MissingExtraError(
            "reading a STAC catalogue needs pystac", remedy="Run: pip install 'sitegeo[scan]'"
        ) from None
    try:
        catalogue = pystac.Catalog.from_file(path)
        items = list(catalogue.get_items(recursive=True))
        found = [_photo_of(item, asset, path) for item in items]
    except SitegeoError:
        raise
    except Exception as error:  # pystac raises many kinds
        raise PlaceError(f"cannot be read as a STAC catalogue: {error}", where=path) from None
    if not found:
        raise PlaceError("the STAC catalogue holds no item", where=path)
    return found


def _photo_of(item: Any, asset: str | None, where: str) -> str:
    assets = item.assets
    named = [asset] if asset else [n for n, a in assets.items() if "data" in (a.roles or [])]
    named = named or (list(assets) if len(assets) == 1 else [])
    if len(named) != 1 or named[0] not in assets:
        raise PlaceError(
            f"cannot tell which asset of item '{item.id}' is the photo",
            where=where,
            value=list(assets),
            remedy="Name it under [imagery] asset",
        )
    return str(assets[named[0]].get_absolute_href())


def describe_rasters(
    paths: Iterable[str], *, crs: CRS | None, finest_m: float
) -> tuple[CRS, float, list[RasterSource], list[Fault]]:
    """Return the CRS of the region, its pixel, its rasters, and those that cannot be opened.

    Parameters
    ----------
    paths
        Files and addresses.
    crs
        By default the first raster's own where it is metric and true, else its UTM zone.
    finest_m
        Pixels finer than this are averaged up to it.

    Returns
    -------
    crs : CRS
        Projected, in metres.
    pixel_m : float
        The first raster's, a whole number of times.
    rasters : list of RasterSource
        In their order.
    faults : list of Fault
        Files that cannot be opened, and why.

    Raises
    ------
    RasterError
        If none can be opened.
    """
    found: list[RasterSource] = []
    faults: list[Fault] = []
    pixel_m = 0.0
    for path in paths:
        try:
            with open_raster(path) as source:
                crs = crs or metric_crs(source, Path(path))
                own = horizontal_crs(source)
                to_ours = Transformer.from_crs(own, crs, always_xy=True)
                bounds = to_ours.transform_bounds(*source.bounds)
                if not found:
                    width = source.width if own == crs else math.hypot(*source.shape)
                    across = bounds[2] - bounds[0]
                    if own != crs:
                        across = math.hypot(across, bounds[3] - bounds[1])
                    pixel_m = round(across / width, 6)
            found.append(RasterSource(path, bounds, file_stamp(path)))
        except SitegeoError as error:
            faults.append((path, str(error)))
    if crs is None or not found:
        raise RasterError(
            "none of the region's photos can be read",
            value=[p for p, _ in faults][:3],
            remedy=faults[0][1] if faults else "Name some under [imagery] source",
        )
    factor = max(1, math.ceil(finest_m / pixel_m - 1e-6))
    return crs, pixel_m * factor, found, faults


def file_stamp(path: str) -> str:
    """Return what changes when a file does: size and time of change, or the address alone."""
    if is_remote(path):
        return path
    status = Path(path).stat()
    return f"{status.st_size}:{status.st_mtime_ns}"


def rasters_touching(sources: Iterable[RasterSource], grid: Grid) -> list[RasterSource]:
    """Return the sources whose extent overlaps a grid, in their order."""
    west, south, east, north = grid.bounds
    return [
        s
        for s in sources
        if s.bounds[0] < east and west < s.bounds[2] and s.bounds[1] < north and south < s.bounds[3]
    ]


def read_photo(
    sources: Iterable[RasterSource], grid: Grid, *, bands: tuple[str, ...] | None
) -> tuple[Raster | None, list[Fault]]:
    """Return the photo on a window of the region, None without a pixel, and unreadable files.

    Pixels of a file that cannot be read are no data.

    Parameters
    ----------
    sources
        Rasters of the photo; earlier ones lie on top.
    grid
        The window.
    bands
        Names of the bands, where the files do not say them.

    Returns
    -------
    photo : Raster or None
        Shape (bands, rows, cols).
    faults : list of Fault
        Files that cannot be read, and why.
    """
    names: tuple[str, ...] | None = None
    values: AnyArray | None = None
    valid = np.zeros(grid.shape, bool)
    faults: list[Fault] = []
    for source in rasters_touching(sources, grid):
        part = _overlap(source.bounds, grid)
        if part is None:
            continue
        rows, columns, window = part
        try:
            with open_raster(source.path) as file:
                own = band_names(file, bands, Path(source.path))[0]
                with view_with_alpha(file, own) as view:
                    picture = [i + 1 for i, n in enumerate(own) if n not in NOT_PICTURE]
                    kept = tuple(own[i - 1] for i in picture)
                    if names is not None and kept != names:
                        raise RasterError(f"has bands {kept}, not {names}", where=source.path)
                    pixels, held = _on(view, picture, window)
        except SitegeoError as error:
            faults.append((source.path, str(error)))
            continue
        if _flat(pixels):
            continue  # fill, where a photo should be
        if values is None:
            names, values = kept, np.zeros((len(kept), *grid.shape), pixels.dtype)
        new = held & ~valid[rows, columns]
        values[:, rows, columns][:, new] = pixels[:, new]
        valid[rows, columns] |= new
    if values is None or names is None or not valid.any():
        return None, faults
    return Raster(values, grid, None if valid.all() else valid, names), faults


def _flat(pixels: AnyArray) -> bool:
    """Whether pixels are all of one colour, as no photo of ground is."""
    bands = pixels.reshape(len(pixels), -1)
    return bands.shape[1] > FLAT_PX and bool((bands.max(axis=1) == bands.min(axis=1)).all())


def read_plane(
    source: RasterSource, grid: Grid, *, categories: bool = False
) -> tuple[Raster | None, list[Fault]]:
    """Return the first band of a raster on a window, None without data, and unreadable files.

    Parameters
    ----------
    source
        The raster.
    grid
        The window.
    categories
        Whether it holds codes, which are never averaged.

    Returns
    -------
    plane : Raster or None
        float32 with scale and offset applied, or the codes as they are.
    faults : list of Fault
        The file, if it cannot be read, and why.
    """
    part = _overlap(source.bounds, grid)
    if part is None:
        return None, []
    rows, columns, window = part
    try:
        with open_raster(source.path) as file:
            pixels, held = _on(file, [1], window, categories=categories)
            scale, offset = file.scales[0], file.offsets[0]
    except SitegeoError as error:
        return None, [(source.path, str(error))]
    plane = pixels[0]
    if not categories:
        plane = plane.astype(np.float32) * np.float32(scale) + np.float32(offset)
        held &= np.isfinite(plane)
        plane = np.where(held, plane, np.float32(0))
    valid = np.zeros(grid.shape, bool)
    valid[rows, columns] = held
    values = np.zeros(grid.shape, plane.dtype)
    values[rows, columns] = plane
    if not valid.any():
        return None, []
    return Raster(values, grid, None if valid.all() else valid), []


def _overlap(bounds: Bounds, grid: Grid) -> tuple[slice, slice, Grid] | None:
    """Return the rows and columns of a grid that bounds touch, and the grid of them."""
    west, south, east, north = bounds
    step = 1e-6
    left = max(0, math.floor((west - grid.west) / grid.pixel_m + step))
    right = min(grid.shape[1], math.ceil((east - grid.west) / grid.pixel_m - step))
    top = max(0, math.floor((grid.north - north) / grid.pixel_m + step))
    foot = min(grid.shape[0], math.ceil((grid.north - south) / grid.pixel_m - step))
    if right <= left or foot <= top:
        return None
    return (
        slice(top, foot),
        slice(left, right),
        subgrid(grid, top, left, (foot - top, right - left)),
    )


def subgrid(grid: Grid, row: int, column: int, shape: tuple[int, int]) -> Grid:
    """Return a part of a grid, which may reach beyond it.

    Parameters
    ----------
    grid
        Whose pixels are kept.
    row, column
        First row and column, negative beyond the north or west edge.
    shape
        Rows and columns of the part.

    Returns
    -------
    Grid
        In step with the whole.

    Examples
    --------
    >>> from pyproj import CRS
    >>> whole = Grid(CRS(32615), 500_000.0, 4_900_000.0, 2.0, (100, 100))
    >>> subgrid(whole, 10, -5, (20, 30)).bounds
    (499990.0, 4899940.0, 500050.0, 4899980.0)
    """
    west = grid.west + column * grid.pixel_m
    return Grid(grid.crs, west, grid.north - row * grid.pixel_m, grid.pixel_m, shape)


def _on(
    view: Any, bands: list[int], grid: Grid, *, categories: bool = False
) -> tuple[AnyArray, BoolArray]:
    """Return bands of an open raster on a grid, and which pixels hold data."""
    window = _aligned(view, grid)
    if window is not None:
        shape = (len(bands), *grid.shape)
        how = Resampling.nearest if categories else Resampling.average
        values = view.read(bands, window=window, out_shape=shape, resampling=how)
        return values, valid_mask(view, bands, window, grid.shape)
    has_mask = view.nodata is not None or ColorInterp.alpha in view.colorinterp
    with WarpedVRT(
        view,
        crs=grid.crs.to_wkt(),
        transform=grid.transform,
        height=grid.shape[0],
        width=grid.shape[1],
        resampling=Resampling.nearest if categories else Resampling.bilinear,
        add_alpha=not has_mask,
        tolerance=0.001,  # a rougher, approximate transform would differ from window to window
    ) as warped:
        whole = Window(0, 0, warped.width, warped.height)
        return warped.read(bands), valid_mask(warped, bands, whole, grid.shape)


def _aligned(view: Any, grid: Grid) -> Window | None:
    """Return the window of a raster that a grid is, where whole pixels of it make one of ours."""
    t = view.transform
    north_up = t.b == 0 and t.d == 0 and t.a > 0 and abs(t.a + t.e) < 1e-6 * t.a
    if not north_up or horizontal_crs(view) != grid.crs:
        return None
    factor = grid.pixel_m / t.a
    column, row = (grid.west - t.c) / t.a, (t.f - grid.north) / t.a
    if any(abs(v - round(v)) > ALIGNED_PX for v in (factor, column, row)) or round(factor) < 1:
        return None
    rows, columns = (round(factor) * n for n in grid.shape)
    left, top = round(column), round(row)
    if left < 0 or top < 0 or left + columns > view.width or top + rows > view.height:
        return None
    return Window(left, top, columns, rows)
