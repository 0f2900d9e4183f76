"""Cover classes of a place: what the photo shows, and what the place is known to hold.

The photo is read in `photo_cover`. Mapped water anchors it, measured heights decide what is a
tree, and a land-cover raster replaces it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
from rasterio.features import rasterize
from rasterio.windows import Window
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster, require_same_crs, require_same_grid
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, Bounds, ByteArray, Float32Array
from sitegeo.landcover.filters import texture, window_minimum
from sitegeo.landcover.indices import window_radius_px
from sitegeo.landcover.photo_cover import PhotoParams, classify
from sitegeo.landcover.tiling import TILE_PX, Tile
from sitegeo.places.imagery import opened_photo


@dataclass(frozen=True)
class CoverParams:
    """How what is known is weighed against the photo.

    Parameters
    ----------
    tree_height_m, low_height_m
        Canopy at least this high is a tree, or low cover, where heights are given.
    roof_m, roof_rough_m
        What is tall, bare in the photo and no rougher than this in a window is a roof.
    island_m2
        Low cover on islands smaller than this stands, though heights missed it.
    """

    tree_height_m: float = 3.0
    low_height_m: float = 0.5
    roof_m: float = 3.0
    roof_rough_m: float = 0.4
    island_m2: float = 5_000.0


@step("cover")
def cover(
    *,
    photo_cover: Raster,
    mapped_water: gpd.GeoDataFrame | None = None,
    landcover: Raster | None = None,
    canopy: Raster | None = None,
    params: CoverParams = CoverParams(),
) -> Raster:
    """Return the cover class and the confidence (0-100) of each pixel.

    Parameters
    ----------
    photo_cover
        What the photo shows on its own.
    mapped_water
        Water polygons: within them a pixel is water unless the photo shows plants.
    landcover
        ByteArray of `Cover` that replace what the photo says; 0 leaves the photo's answer.
    canopy
        Height above ground in metres; decides between tree and low cover.

    Returns
    -------
    Raster
        Bands "class" and "confidence", uint8, on the photo's grid with its valid pixels.

    Raises
    ------
    RasterError, CrsError
        If layers lie on different grids or in different coordinate systems.
    """
    classes = photo_cover.band("class").copy()
    sure = photo_cover.band("confidence").astype(np.float32) / np.float32(100)
    if canopy is not None:
        require_same_grid(photo_cover, canopy)
        _raise(classes, sure, canopy, params)
    if mapped_water is not None:
        _anchor(classes, sure, photo_cover, mapped_water)
    if landcover is not None:
        require_same_grid(photo_cover, landcover)
        known = landcover.mask & (landcover.values > 0)
        classes[known] = landcover.values[known]
        sure[known] = 0.9
    valid = photo_cover.mask
    classes[~valid] = Cover.NONE
    confidence = np.where(valid, np.clip(np.rint(100 * sure), 0, 100), 0)
    values = np.stack([classes, confidence.astype(np.uint8)])
    return Raster(values, photo_cover.grid, photo_cover.valid, ("class", "confidence"))


def _anchor(
    classes: ByteArray,
    sure: Float32Array,
    photo: Raster,
    mapped_water: gpd.GeoDataFrame,
) -> None:
    """Set mapped water in place, except where the photo shows plants standing in it."""
    require_same_crs(photo.grid.crs, mapped_water.crs, where="mapped water")
    shapes = [s for s in mapped_water.geometry if s is not None and not s.is_empty]
    if not shapes:
        return
    inside = rasterize(
        shapes, out_shape=photo.grid.shape, transform=photo.grid.transform, dtype="uint8"
    ).astype(bool)
    wet = classes == Cover.WATER
    sure[inside & wet] = 0.95
    sure[~inside & wet] *= 0.8
    bare = inside & ((classes == Cover.BUILT) | (classes == Cover.OPEN))
    classes[bare] = Cover.WATER
    sure[bare] = 0.55


def _raise(
    classes: ByteArray,
    sure: Float32Array,
    canopy: Raster,
    params: CoverParams,
) -> None:
    """Let measured heights decide between trees and what is lower, in place."""
    known = canopy.mask
    height = np.where(known, canopy.values, 0.0).astype(np.float32)
    tall, brushy = height >= params.tree_height_m, height >= params.low_height_m
    land = (classes != Cover.WATER) & (classes != Cover.NONE)
    # Some height layers hold buildings too: a roof is bare in the photo, and even, as no crown is.
    roof = tall & (classes == Cover.BUILT) & _even(height, canopy.grid.pixel_m, params)
    tall &= ~roof
    # Reeds in water are often missed by a height survey: there the photo stands.
    reeds = (classes == Cover.LOW) & _islands(land, params.island_m2 / canopy.grid.pixel_m**2)
    plants = (classes == Cover.TREE) | (classes == Cover.LOW)
    flat = known & ~brushy & plants & ~reeds
    short = known & brushy & ~tall & ~roof & land
    classes[tall] = Cover.TREE
    classes[short] = Cover.LOW
    classes[flat] = Cover.OPEN
    sure[tall | short | flat] = 0.95


def _even(height: Float32Array, pixel_m: float, params: CoverParams) -> BoolArray:
    """Return where heights lie on a plane, level or sloping, on at least one side."""
    radius = window_radius_px(params.roof_m, pixel_m)
    return window_minimum(texture(height, radius), radius) < params.roof_rough_m


def _islands(land: BoolArray, max_pixels: float) -> BoolArray:
    """Return the small islands: rough ground alone in water is reeds or brush, green or not."""
    labels, _ = ndimage.label(land)
    return np.asarray(land & (np.bincount(labels.ravel()) < max_pixels)[labels])


def classify_file(
    photo: Path,
    out: Path,
    *,
    bands: tuple[str, ...] | None = None,
    finest_m: float = 0.5,
    area: Bounds | None = None,
    params: PhotoParams | None = None,
    tile_px: int = TILE_PX,
) -> Path:
    """Write the cover classes and confidence of a photo as a tiled GeoTIFF, as in a survey.

    The photo is never held whole: memory is set by `tile_px`, and the file comes out the same
    whatever it is. Band order, pixel and area are those of `imagery.read_imagery`.

    Raises
    ------
    RasterError, CrsError
        If the photo cannot be used.
    """
    with opened_photo(photo, bands=bands, finest_m=finest_m, area=area) as source:
        rows, cols = source.grid.shape
        profile = {
            "driver": "GTiff",
            "height": rows,
            "width": cols,
            "count": 2,
            "dtype": "uint8",
            "nodata": int(Cover.NONE),
            "crs": source.grid.crs.to_wkt(),
            "transform": source.grid.transform,
            "tiled": True,
            "blockxsize": 256,
            "blockysize": 256,
            "compress": "deflate",
            "interleave": "band",
            "bigtiff": "if_safer",
        }
        with rasterio.open(out, "w", **profile) as target:

            def keep(tile: Tile, part: ByteArray) -> None:
                target.write(part, window=Window.from_slices(tile.rows, tile.cols))

            classify(source, keep, params=params or PhotoParams(), tile_px=tile_px)
            target.update_tags(**{f"class_{c.value}": c.name.lower() for c in Cover})
            target.set_band_description(1, "class")
            target.set_band_description(2, "confidence")
    return out
