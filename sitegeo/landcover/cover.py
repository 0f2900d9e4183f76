"""Cover classes of a place: what the photo shows, and what the place is known to hold.

The photo is read in `photo_cover`. Mapped water anchors it, measured heights decide what is a
tree, and a land-cover raster replaces it.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from rasterio.features import rasterize
from scipy import ndimage

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster, require_same_crs, require_same_grid
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, ByteArray, Float32Array
from sitegeo.landcover.filters import texture, window_minimum
from sitegeo.landcover.indices import window_radius_px
from sitegeo.landcover.water_params import WaterParams


@dataclass(frozen=True)
class CoverParams:
    """How what is known is weighed against the photo. All values are judgement.

    Parameters
    ----------
    tree_height_m, low_height_m
        Canopy at least this high is a tree, or low cover, where heights are given.
    roof_m, roof_rough_m
        What is tall, bare in the photo and no rougher than this in a window is a roof.
    island_m2
        Low cover on islands smaller than this stands, though heights missed it.
    measured_trust, given_trust
        Confidence in classes that heights decide, and in those of a land-cover raster.
    mapped_trust, unmapped_share
        Confidence in water that photo and map both show; share of the photo's confidence that is
        left in water the map lacks.
    unseen_trust
        Confidence in water of the map that the photo shows as bare ground.
    """

    tree_height_m: float = 3.0
    low_height_m: float = 0.5
    roof_m: float = 3.0
    roof_rough_m: float = 0.4
    island_m2: float = WaterParams.island_m2
    measured_trust: float = 0.95
    given_trust: float = 0.9
    mapped_trust: float = 0.95
    unmapped_share: float = 0.8
    unseen_trust: float = 0.55


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
        Codes of `Cover` that replace what the photo says; 0 leaves the photo's answer.
    canopy
        Height above ground in metres; decides between tree and low cover.
    params
        How what is known is weighed against the photo.

    Returns
    -------
    Raster
        Bands "class" and "confidence", uint8, on the photo's grid with its valid pixels.

    Raises
    ------
    RasterError, CrsError
        If layers lie on different grids or in different coordinate systems.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.contracts import Cover
    >>> from sitegeo.core.grid import Grid, Raster
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 1.0, (1, 3))
    >>> seen = np.array([[[Cover.TREE, Cover.TREE, Cover.OPEN]], [[60, 60, 60]]], np.uint8)
    >>> photo = Raster(seen, grid, None, ("class", "confidence"))
    >>> heights = Raster(np.array([[9.0, 1.2, 0.0]], np.float32), grid)
    >>> found = cover(photo_cover=photo, canopy=heights)
    >>> [Cover(code).name for code in found.band("class")[0]], found.band("confidence")[0].tolist()
    (['TREE', 'LOW', 'OPEN'], [95, 95, 60])
    """
    classes = photo_cover.band("class").copy()
    sure = photo_cover.band("confidence").astype(np.float32) / np.float32(100)
    if canopy is not None:
        require_same_grid(photo_cover, canopy)
        _apply_heights(classes, sure, canopy, params)
    if mapped_water is not None:
        _apply_map(classes, sure, photo_cover, mapped_water, params)
    if landcover is not None:
        require_same_grid(photo_cover, landcover)
        known = landcover.mask & (landcover.values > 0)
        classes[known] = landcover.values[known]
        sure[known] = params.given_trust
    valid = photo_cover.mask
    classes[~valid] = Cover.NONE
    confidence = np.where(valid, np.clip(np.rint(100 * sure), 0, 100), 0)
    values = np.stack([classes, confidence.astype(np.uint8)])
    return Raster(values, photo_cover.grid, photo_cover.valid, ("class", "confidence"))


@dataclass(frozen=True)
class TrustParams:
    """When a reading of the ground is to be trusted.

    Parameters
    ----------
    least_water_confidence
        Least mean confidence in the water, per cent. Judgement: of the photos with a reference in
        docs/accuracy.md, four-band ones with their water right lie at 80 and more, those with dry
        ground taken for water at 70 and less; colours alone, whose best is 75, do not part them.
    """

    least_water_confidence: float = 75.0


@dataclass(frozen=True)
class ReadingTrust:
    """How far the water of a cover is to be trusted.

    Parameters
    ----------
    water_share
        Share of the ground with data that is called water, 0 to 1.
    water_confidence
        Mean confidence in it, per cent; None without water.
    trusted
        Whether there is water and the confidence in it is high enough: to find none proves
        nothing, since water can be missed.
    """

    water_share: float
    water_confidence: float | None
    trusted: bool


def judge_reading(cover: Raster, *, params: TrustParams = TrustParams()) -> ReadingTrust:
    """Return how far the water of a cover is to be trusted.

    Parameters
    ----------
    cover
        Bands "class" and "confidence" (0-100).
    params
        What confidence is enough.

    Returns
    -------
    ReadingTrust
        Of the cover as a whole, each pixel counted once.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.contracts import Cover
    >>> from sitegeo.core.grid import Grid, Raster
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 1.0, (1, 4))
    >>> seen = np.array([[[Cover.WATER, Cover.WATER, Cover.OPEN, 0]], [[90, 60, 95, 0]]], np.uint8)
    >>> read = Raster(seen, grid, np.array([[True, True, True, False]]), ("class", "confidence"))
    >>> judge_reading(read, params=TrustParams(least_water_confidence=80.0))
    ReadingTrust(water_share=0.6667, water_confidence=75.0, trusted=False)
    """
    wet = (cover.band("class") == Cover.WATER) & cover.mask
    count = int(wet.sum())
    share = round(count / max(int(cover.mask.sum()), 1), 4)
    if not count:
        return ReadingTrust(share, None, trusted=False)
    mean = float(cover.band("confidence")[wet].mean(dtype=float))
    return ReadingTrust(share, round(mean, 1), mean >= params.least_water_confidence)


def _apply_map(
    classes: ByteArray,
    sure: Float32Array,
    photo: Raster,
    mapped_water: gpd.GeoDataFrame,
    params: CoverParams,
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
    sure[inside & wet] = params.mapped_trust
    sure[~inside & wet] *= params.unmapped_share
    bare = inside & ((classes == Cover.BUILT) | (classes == Cover.OPEN))
    classes[bare] = Cover.WATER
    sure[bare] = params.unseen_trust


def _apply_heights(
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
    sure[tall | short | flat] = params.measured_trust


def _even(height: Float32Array, pixel_m: float, params: CoverParams) -> BoolArray:
    """Return where heights lie on a plane, level or sloping, on at least one side."""
    radius = window_radius_px(params.roof_m, pixel_m)
    return window_minimum(texture(height, radius), radius) < params.roof_rough_m


def _islands(land: BoolArray, max_pixels: float) -> BoolArray:
    """Return the small islands: rough ground alone in water is reeds or brush, green or not."""
    labels, _ = ndimage.label(land)
    return np.asarray(land & (np.bincount(labels.ravel()) < max_pixels)[labels])
