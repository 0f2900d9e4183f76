"""The aerial photo as the page carries it: Web Mercator, WebP, inside a budget of bytes."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import numpy as np
from pyproj import Transformer
from rasterio.enums import Resampling
from rasterio.io import MemoryFile
from rasterio.transform import from_origin
from rasterio.warp import reproject, transform_bounds

from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import AnyArray

_LONGEST_PX = 2048
"""Pixels along the longer side of a picture, at most."""

_DETAIL_M = 250.0
"""The sharp piece reaches so far from its middle."""

_WHOLE_SHARE = 0.75
"""Share of the bytes that the whole photo gets where a sharp piece lies on it."""

_SHRINKS = 1.2
"""A picture with so many times fewer pixels along a side is averaged, not interpolated."""

_STEPS = ((1.0, 80), (1.0, 70), (0.8, 70), (0.65, 65), (0.5, 65), (0.35, 60), (0.25, 50))
"""Shares of `_LONGEST_PX` and WebP qualities that are tried, finest first."""


@dataclass(frozen=True)
class PhotoImage:
    """An image as a data URI, and the [[south, west], [north, east]] degrees it fills."""

    uri: str
    bounds: list[list[float]]


def photo_images(
    photo: Raster, *, budget_bytes: int, focus: tuple[float, float] | None = None
) -> list[PhotoImage]:
    """Return the photo, and where it had to be made coarser a sharp piece around `focus`.

    Parameters
    ----------
    photo
        Bands red, green and blue as bytes.
    budget_bytes
        The URIs together stay within this.
    focus
        Middle of the sharp piece in the photo's CRS; None for no such piece.

    Returns
    -------
    list of PhotoImage
        The whole, then the piece.
    """
    rgb = Raster(
        np.stack([photo.band(b) for b in ("red", "green", "blue")]), photo.grid, photo.valid
    )
    coarser = max(photo.grid.shape) > _LONGEST_PX
    if not coarser or focus is None:
        return [_fitted(rgb, budget_bytes)]
    whole = int(budget_bytes * _WHOLE_SHARE)
    return [_fitted(rgb, whole), _fitted(_around(rgb, focus), budget_bytes - whole)]


def _around(photo: Raster, focus: tuple[float, float]) -> Raster:
    grid = photo.grid
    row, col = (int(i) for i in grid.rowcol(*focus))
    half = int(_DETAIL_M / grid.pixel_m)
    rows, cols = grid.shape
    top, bottom = np.clip([row - half, row + half], 0, rows)
    left, right = np.clip([col - half, col + half], 0, cols)
    if top == bottom or left == right:
        return photo
    west, north = grid.west + left * grid.pixel_m, grid.north - top * grid.pixel_m
    piece = Grid(grid.crs, west, north, grid.pixel_m, (int(bottom - top), int(right - left)))
    return Raster(
        photo.values[:, top:bottom, left:right], piece, photo.mask[top:bottom, left:right]
    )


def _fitted(photo: Raster, budget_bytes: int) -> PhotoImage:
    """Return the finest picture whose URI keeps the budget; the coarsest when none does."""
    for share, quality in _STEPS:
        rgba, bounds = _warped(photo, longest_px=int(_LONGEST_PX * share))
        uri = "data:image/webp;base64," + base64.b64encode(_webp(rgba, quality)).decode("ascii")
        if len(uri) <= budget_bytes:
            break
    return PhotoImage(uri, bounds)


def _warped(photo: Raster, *, longest_px: int) -> tuple[AnyArray, list[list[float]]]:
    """Return red, green, blue, alpha in Web Mercator and the degrees they fill."""
    grid = photo.grid
    west, south, east, north = transform_bounds(grid.crs, "EPSG:3857", *grid.bounds)
    pixel = max(east - west, north - south) / min(longest_px, max(grid.shape))
    shape = (max(1, round((north - south) / pixel)), max(1, round((east - west) / pixel)))
    target = from_origin(west, north, pixel, pixel)
    alpha = np.where(photo.mask, 255, 0).astype(np.uint8)
    source = np.concatenate([photo.values.astype(np.uint8), alpha[None]])
    rgba = np.zeros((4, *shape), np.uint8)
    shrinking = max(grid.shape) > _SHRINKS * max(shape)
    reproject(
        source,
        rgba,
        src_transform=grid.transform,
        src_crs=grid.crs,
        dst_transform=target,
        dst_crs="EPSG:3857",
        num_threads=2,
        resampling=Resampling.average if shrinking else Resampling.bilinear,
    )
    rgba[3] = np.where(rgba[3] > 127, 255, 0)
    to_degrees = Transformer.from_crs(3857, 4326, always_xy=True)
    (w, e), (s, n) = to_degrees.transform(
        [west, west + pixel * shape[1]], [north - pixel * shape[0], north]
    )
    return rgba, [[round(s, 8), round(w, 8)], [round(n, 8), round(e, 8)]]


def _webp(rgba: AnyArray, quality: int) -> bytes:
    bands = rgba if (rgba[3] == 0).any() else rgba[:3]
    with MemoryFile() as memory:
        with memory.open(
            driver="WEBP",
            width=bands.shape[2],
            height=bands.shape[1],
            count=len(bands),
            dtype="uint8",
            transform=from_origin(0, 0, 2, 2),
            QUALITY=quality,
            METHOD=2,
        ) as image:
            image.write(bands)
        data: bytes = memory.read()
    return data
