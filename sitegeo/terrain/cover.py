"""Cover classes from an aerial photo: water, tree, low cover, open ground, built or bare.

Thresholds come from the photo itself (Otsu 1979), held within bounds that physics sets, so that
a photo without one of two classes is not cut in half.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from rasterio.features import rasterize
from scipy import ndimage

from sitegeo.angles import smoothstep
from sitegeo.errors import RasterError
from sitegeo.grid import Raster, require_same_crs, require_same_grid
from sitegeo.layers import Cover
from sitegeo.steps import step
from sitegeo.terrain.indices import (
    Bools,
    Floats,
    ndvi,
    nearest_calm,
    odd_window,
    otsu,
    otsu_low_of_three,
    texture,
)
from sitegeo.terrain.openwater import (
    WaterFound,
    WaterParams,
    find_with_infrared,
    find_without_infrared,
    only_large,
)

Codes = NDArray[np.uint8]

_LAND = (Cover.TREE, Cover.LOW, Cover.OPEN, Cover.BUILT)


@dataclass(frozen=True)
class CoverParams:
    """How cover is told apart.

    Parameters
    ----------
    water
        How open water is recognised.
    tree_height_m, low_height_m
        Canopy at least this high is a tree, or low cover, where heights are given.
    crown_m
        Window in which the contrast of tree crowns is measured.
    smooth_m
        Land classes are smoothed over this distance.
    island_m2
        Rough islands smaller than this are low cover, whatever their colour.
    rgb_trust
        Confidence without infrared as a share of confidence with it.
    """

    water: WaterParams = field(default_factory=WaterParams)
    tree_height_m: float = 3.0
    low_height_m: float = 0.5
    crown_m: float = 5.0
    smooth_m: float = 5.0
    island_m2: float = 5_000.0
    rgb_trust: float = 0.75


@step("cover")
def cover(
    *,
    imagery: Raster,
    mapped_water: gpd.GeoDataFrame | None = None,
    landcover: Raster | None = None,
    canopy: Raster | None = None,
    params: CoverParams = CoverParams(),
) -> Raster:
    """Return the cover class and the confidence (0-100) of each pixel.

    Parameters
    ----------
    imagery
        Bands named "red", "green" and at least one of "nir" and "blue"; 8 or 16 bit.
    mapped_water
        Water polygons: within them a pixel is water unless the photo shows plants.
    landcover
        Codes of `Cover` that replace what the photo says; 0 leaves the photo's answer.
    canopy
        Height above ground in metres; decides between tree and low cover.

    Returns
    -------
    Raster
        Bands "class" and "confidence", uint8, on the photo's grid with its valid pixels.

    Raises
    ------
    RasterError
        If bands are missing, rasters lie on different grids, or no pixel is valid.
    """
    valid = imagery.mask
    bands = _scaled(imagery)
    water = _water(bands, valid, imagery.grid.pixel_m, params.water)
    classes, sure = _land_classes(bands, valid & ~water.mask, imagery.grid.pixel_m, params)
    classes[water.mask] = Cover.WATER
    sure[water.mask] = water.score[water.mask]
    if "nir" not in bands:
        sure *= params.rgb_trust
    if canopy is not None:
        require_same_grid(imagery, canopy)
        _raise(classes, sure, canopy, params)
    if mapped_water is not None:
        _anchor(classes, sure, imagery, mapped_water)
    if landcover is not None:
        require_same_grid(imagery, landcover)
        known = landcover.mask & (landcover.values > 0)
        classes[known] = landcover.values[known]
        sure[known] = 0.9
    classes[~valid] = Cover.NONE
    confidence = np.where(valid, np.clip(np.rint(100 * sure), 0, 100), 0)
    values = np.stack([classes, confidence.astype(np.uint8)])
    return Raster(values, imagery.grid, imagery.valid, ("class", "confidence"))


def _scaled(imagery: Raster) -> dict[str, Floats]:
    """Return the bands as float32, 1 near the brightest value of the photo."""
    names = set(imagery.bands)
    if not {"red", "green"} <= names or not names & {"nir", "blue"}:
        raise RasterError(
            "imagery needs red and green, and blue or nir",
            value=imagery.bands,
            remedy="Name the bands in their order under [imagery] bands",
        )
    valid = imagery.mask
    if not valid.any():
        raise RasterError("imagery holds no data")
    wanted: list[str] = [n for n in ("red", "green", "blue", "nir") if n in names]
    # One scale for all bands keeps their ratios; a sample is enough and is always the same one.
    top = max(np.percentile(imagery.band(n)[valid][::7], 99.9) for n in wanted)
    scale = np.float32(1.0 / max(float(top), 1e-6))
    scaled: dict[str, Floats] = {}
    for name in wanted:
        plane: Floats = imagery.band(name).astype(np.float32) * scale
        if imagery.valid is not None:
            plane = np.where(valid, plane, np.float32(np.median(plane[valid])))
        scaled[name] = plane
    return scaled


def _water(
    bands: dict[str, Floats], valid: Bools, pixel_m: float, params: WaterParams
) -> WaterFound:
    if "nir" in bands:
        return find_with_infrared(bands["green"], bands["nir"], valid, pixel_m, params)
    rgb = np.stack([bands["red"], bands["green"], bands["blue"]])
    return find_without_infrared(rgb, valid, pixel_m, params)


def _land_classes(
    bands: dict[str, Floats], land: Bools, pixel_m: float, params: CoverParams
) -> tuple[Codes, Floats]:
    """Return class and certainty (0-1) of land pixels.

    Plants are green; trees among them are the rough and dark ones, low cover the rough.
    """
    classes = np.zeros(land.shape, np.uint8)
    sure = np.zeros(land.shape, np.float32)
    if not land.any():
        return classes, sure
    greenness, limits = _greenness(bands)
    # With infrared three classes show: bare, sparse or dry, and green.
    find = otsu_low_of_three if "nir" in bands else otsu
    green_cut = float(np.clip(find(greenness[land]), *limits))
    plants = land & (greenness > green_cut)
    leafy = land & (greenness > np.clip(otsu(greenness[land]), green_cut, limits[1] + 0.05))

    log_green = np.log(bands["green"] + np.float32(0.02))
    window = odd_window(params.crown_m, pixel_m)
    contrast = texture(log_green, window, where=land)
    rough = np.log(contrast + np.float32(1e-3))
    shade = log_green - np.float32(np.median(log_green[leafy]) if leafy.any() else 0.0)
    blur = odd_window(params.smooth_m, pixel_m)
    crown = ndimage.uniform_filter(rough - shade, blur)
    # Leaves and the gaps between crowns differ by some 5 to 7 % of brightness at the least.
    crown_cut = _held(crown[leafy], 0.05, 0.07)
    rough = np.log(nearest_calm(contrast, window) + np.float32(1e-3))
    low_cut = _held(rough[plants & (crown <= crown_cut)], 0.02, 0.05)

    tree = leafy & (crown > crown_cut)
    if pixel_m > params.crown_m / 2:
        # Single crowns are not resolved: only broad stands are believed to be trees.
        tree = ndimage.binary_opening(tree, np.ones((3, 3), bool), iterations=2)
    low = (plants | _islands(land, params.island_m2 / pixel_m**2)) & ~tree & (rough > low_cut)
    members = (tree, low, plants & ~tree & ~low, land & ~plants & ~low)
    agreement = _vote(classes, land, members, blur)
    margin = np.where(
        classes == Cover.BUILT, (green_cut - greenness) / 0.1, np.abs(crown - crown_cut) / 0.7
    )
    sure[land] = agreement[land] * (0.6 + 0.35 * smoothstep(margin[land], 0.0, 1.0))
    return classes, sure


def _vote(classes: Codes, land: Bools, members: Sequence[Bools], window: int) -> Floats:
    """Set the commonest land class about each pixel, in place, and return its share."""
    best = np.zeros(land.shape, np.float32)
    total = np.full(land.shape, np.float32(1e-6))
    for code, member in zip(_LAND, members, strict=True):
        votes = ndimage.uniform_filter(member.astype(np.float32), window)
        classes[(votes > best) & land] = code
        np.maximum(best, votes, out=best)
        total += votes
    return np.asarray(best / total, np.float32)


def _islands(land: Bools, max_pixels: float) -> Bools:
    """Return the small islands: rough ground alone in water is reeds or brush, green or not."""
    return land & ~only_large(land, max_pixels)


def _greenness(bands: dict[str, Floats]) -> tuple[Floats, tuple[float, float]]:
    """Return how green each pixel is, and the bounds of its threshold."""
    if "nir" in bands:
        red, nir = (ndimage.gaussian_filter(bands[n], 1.0) for n in ("red", "nir"))
        return ndvi(red, nir), (-0.05, 0.05)
    # Haze lifts blue above all: the darkest pixels show by how much (Chavez 1988).
    clear = (bands[n] - np.percentile(bands[n][::3, ::3], 0.5) for n in ("red", "green", "blue"))
    red, green, blue = (np.maximum(ndimage.gaussian_filter(b, 2.0), 0.0) for b in clear)
    excess = (2 * green - red - blue) / np.maximum(red + green + blue, 0.05)
    return excess.astype(np.float32), (0.0, 0.15)


def _held(log_values: Floats, low: float, high: float) -> float:
    """Return Otsu's threshold of logarithms, held between two plain values."""
    cut = otsu(log_values) if log_values.size else 0.0
    return float(np.clip(cut, np.log(low), np.log(high)))


def _anchor(
    classes: Codes,
    sure: Floats,
    imagery: Raster,
    mapped_water: gpd.GeoDataFrame,
) -> None:
    """Set mapped water in place, except where the photo shows plants standing in it."""
    require_same_crs(imagery.grid.crs, mapped_water.crs, where="mapped water")
    shapes = [s for s in mapped_water.geometry if s is not None and not s.is_empty]
    if not shapes:
        return
    inside = rasterize(
        shapes, out_shape=imagery.grid.shape, transform=imagery.grid.transform, dtype="uint8"
    ).astype(bool)
    wet = classes == Cover.WATER
    sure[inside & wet] = 0.95
    sure[~inside & wet] *= 0.8
    bare = inside & ((classes == Cover.BUILT) | (classes == Cover.OPEN))
    classes[bare] = Cover.WATER
    sure[bare] = 0.55


def _raise(
    classes: Codes,
    sure: Floats,
    canopy: Raster,
    params: CoverParams,
) -> None:
    """Let measured heights decide between trees and what is lower, in place."""
    known, height = canopy.mask, np.where(canopy.mask, canopy.values, 0.0)
    tall, brushy = height >= params.tree_height_m, height >= params.low_height_m
    land = (classes != Cover.WATER) & (classes != Cover.NONE)
    # Reeds in water are often missed by a height survey: there the photo stands.
    reeds = (classes == Cover.LOW) & _islands(land, params.island_m2 / canopy.grid.pixel_m**2)
    plants = (classes == Cover.TREE) | (classes == Cover.LOW)
    flat = known & ~brushy & plants & ~reeds
    short = known & brushy & ~tall & land
    classes[tall] = Cover.TREE
    classes[short] = Cover.LOW
    classes[flat] = Cover.OPEN
    sure[tall | short | flat] = 0.95
