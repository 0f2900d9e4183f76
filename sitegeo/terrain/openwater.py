"""Open water in a photo, object by object.

A pixel alone cannot be told from a wet road or a slate roof: all have more green than infrared.
So dark, wet-looking pixels are gathered into objects, and each is judged as a whole on what
water has together: it is dark, smooth, of the right colour, and has room. Only then is its edge
drawn, against its own bank.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.segmentation import watershed

from sitegeo.angles import smoothstep
from sitegeo.terrain.indices import (
    Bools,
    Floats,
    ndwi,
    nearest_calm,
    odd_window,
    otsu,
    texture,
)

Labels = NDArray[np.int32]
Doubles = NDArray[np.float64]

# Index between which a dark object turns from surely grey to surely not, and the index of a
# photo that can only be water; infrared of land and water differ at least by the factor.
_GREY = (0.08, 0.2)
_PLAIN_WATER = 0.3
_APART = 1.5


@dataclass(frozen=True)
class WaterParams:
    """How open water is recognised.

    Parameters
    ----------
    min_area_m2
        Smaller waters are dropped.
    min_area_rgb_m2
        The same without infrared, where a patch of shade looks like a small pond.
    min_island_m2
        Smaller gaps in water (glint, a boat) are filled.
    texture_m
        Window in which smoothness is measured.
    bank_m
        Width of the ring about an object taken as its bank.
    accept
        Objects scoring less than this, 0 to 1, are not water.
    """

    min_area_m2: float = 200.0
    min_area_rgb_m2: float = 800.0
    min_island_m2: float = 25.0
    texture_m: float = 5.0
    bank_m: float = 4.0
    accept: float = 0.5


@dataclass(frozen=True)
class WaterFound:
    """Water and how sure of it: `score` is 0 to 1, 0 outside water."""

    mask: Bools
    score: Floats


def find_with_infrared(
    green: Floats, nir: Floats, valid: Bools, pixel_m: float, params: WaterParams
) -> WaterFound:
    """Return the water of a photo that has an infrared band.

    The index is McFeeters' (1996), thresholded after Otsu (1979); the limit at the edge of each
    object is half-way between its own infrared level and its bank's.
    """
    green, nir = (ndimage.gaussian_filter(b, 0.7) for b in (green, nir))
    index = ndwi(green, nir)
    # McFeeters' threshold is 0; the data may move it, not replace it.
    cut = float(np.clip(otsu(index[valid]), -0.05, 0.3))
    land = valid & (nir > otsu(nir[valid]))
    land_level = float(nir[land].mean()) if land.any() else 1.0
    rest_level = float(nir[valid & ~land].mean())
    if land_level < _APART * rest_level and float(np.median(index[valid])) > _PLAIN_WATER:
        # All of it is water: there is no land to compare with, so its green stands in.
        land_level = 2.0 * float(np.median(green[valid]))
    window = odd_window(params.texture_m, pixel_m)
    rough = _log_rough(nearest_calm(texture(nir, window), window))
    land_rough = float(np.median(rough[land])) if land.any() else 0.0

    wet = np.pad(valid & (index > cut) & (nir < 0.6 * land_level), 1, mode="edge")
    seeds = ndimage.binary_opening(wet)[1:-1, 1:-1]
    labels, count = ndimage.label(seeds)
    level = per_object(nir, labels, count)
    width_m = half_width(labels, count) * pixel_m
    dark = 1 - smoothstep(level / land_level, 0.25, 0.6)
    smooth = 1 - smoothstep(per_object(rough, labels, count) - land_rough, -0.9, 0.0)
    strong = smoothstep(per_object(index, labels, count), 0.0, 0.5)
    score = (2 * dark + smooth + strong + _roomy(width_m)) / 5

    # Shade darkens a soil and keeps its colour: much of its bank then has nearly its index.
    around = ndimage.maximum_filter(labels, 2 * max(1, round(params.bank_m / pixel_m)) + 1)
    bank = np.where((labels == 0) & valid, around, 0)
    alike = (index > 0.5 * per_object(index, labels, count)[around]).astype(np.float32)
    score *= 1 - 0.4 * smoothstep(per_object(alike, bank, count), 0.08, 0.25)
    # Asphalt, slate and tar are grey out into the infrared; water is not.
    score *= 1 - 0.4 * (1 - smoothstep(per_object(index, labels, count), *_GREY))
    score[0] = 0.0

    accepted = score >= params.accept
    has_bank = np.bincount(bank.ravel(), minlength=count + 1) > 0
    bank_level = np.where(has_bank, per_object(nir, bank, count), land_level)
    limit = np.where(accepted, (level + bank_level) / 2, -np.inf)
    mask = valid & (index > min(cut, 0.0) - 0.1) & (nir < limit[around])
    return _tidy(
        mask,
        score[around],
        valid=valid,
        min_area_m2=params.min_area_m2,
        pixel_m=pixel_m,
        min_island_m2=params.min_island_m2,
    )


def find_without_infrared(
    rgb: Floats, valid: Bools, pixel_m: float, params: WaterParams
) -> WaterFound:
    """Return the water of a colour photo; worse than with infrared, above all for small ponds.

    Objects are smooth, dark in red, compact and no less blue than the land; what lies between
    them and certain land is shared out by a watershed on the colour gradient.
    """
    red, green, blue = (ndimage.gaussian_filter(b, 0.7) for b in rgb)
    window = odd_window(params.texture_m, pixel_m)
    spread = np.maximum(texture(green, window), texture(red, window))
    rough = _log_rough(nearest_calm(spread, window))
    red_cut = otsu(red[valid])
    dim = valid & (red < red_cut)
    rough_cut = otsu(rough[dim]) if dim.any() else 0.0
    land = valid & (rough > rough_cut)
    total = np.maximum(red + green + blue, 1e-6)
    blueness = (blue - (red + green) / 2) / total
    coolness = (np.maximum(green, blue) - red) / total
    land_rough, land_blue = (
        (float(np.percentile(rough[land], 75)), float(np.median(blueness[land])))
        if land.any()
        else (0.0, 0.0)
    )

    labels, count = ndimage.label(ndimage.binary_opening(dim & (rough < rough_cut)))
    area_m2 = np.bincount(labels.ravel(), minlength=count + 1) * pixel_m**2
    width_m = half_width(labels, count) * pixel_m
    smooth = 1 - smoothstep(per_object(rough, labels, count) - land_rough, -0.9, -0.4)
    compact = smoothstep(width_m / np.sqrt(np.maximum(area_m2, 1e-6) / np.pi), 0.15, 0.6)
    cool = smoothstep(per_object(blueness, labels, count) - land_blue, -0.05, 0.1)
    dark = 1 - smoothstep(per_object(red, labels, count) / max(red_cut, 1e-6), 0.4, 1.0)
    score = (2 * smooth + compact + _roomy(width_m) + cool + dark) / 6
    score[area_m2 < params.min_area_m2 / 4] = 0
    score[0] = 0

    is_water = (score >= params.accept)[labels]
    warm_or_grey = (coolness < 0.03) | (blueness < land_blue - 0.05)
    refused = (labels > 0) & ~is_water & (area_m2 >= params.min_area_m2 / 2)[labels]
    is_land = (rough > land_rough - 0.35) | ((red > red_cut) & warm_or_grey) | refused | ~valid
    # A rough spot amid calm water (weed, ripples) is not yet land.
    is_land = only_large(is_land & ~is_water, params.min_area_rgb_m2 / pixel_m**2)
    markers = np.where(is_water, labels, 0)
    markers[is_land] = count + 1
    grown = _flood(rgb, markers, count + 1)
    score = np.append(score, 0.0)
    return _tidy(
        grown > 0,
        score[grown],
        valid=valid,
        min_area_m2=params.min_area_rgb_m2,
        pixel_m=pixel_m,
        min_island_m2=params.min_island_m2,
    )


def _flood(rgb: Floats, markers: Labels, land_label: int) -> Labels:
    """Return markers grown to the strongest colour edges, land set to 0."""
    undecided = markers == 0
    touching, count = ndimage.label(undecided | ((markers > 0) & (markers < land_label)))
    wanted = np.zeros(count + 1, bool)
    wanted[np.unique(touching[(markers > 0) & (markers < land_label)])] = True
    zone = ndimage.binary_dilation(wanted[touching], iterations=2)
    gradient = sum(ndimage.gaussian_gradient_magnitude(b, 1.0) for b in rgb)
    markers = np.where(zone, markers, 0)
    grown = np.asarray(watershed(gradient, markers, mask=zone), np.int32)  # type: ignore[no-untyped-call]
    return np.where(grown == land_label, 0, grown)


def per_object(plane: Floats, labels: Labels, count: int) -> Doubles:
    """Return the mean of a plane in each object; 0 for index 0, the ground between."""
    inside = np.flatnonzero(labels)
    which = labels.ravel()[inside]
    total = np.bincount(which, plane.ravel()[inside], minlength=count + 1)
    return np.asarray(total / np.maximum(np.bincount(which, minlength=count + 1), 1))


def half_width(labels: Labels, count: int) -> Doubles:
    """Return twice the area over the perimeter of each object, in pixels.

    This is the radius of a disc, and the half width of a long strip.
    """
    area = np.bincount(labels.ravel(), minlength=count + 1)
    edge = np.zeros(count + 1)
    for a, b in ((labels[1:], labels[:-1]), (labels[:, 1:], labels[:, :-1])):
        differ = a != b
        edge += np.bincount(a[differ], minlength=count + 1)
        edge += np.bincount(b[differ], minlength=count + 1)
    # A digital edge is 4/pi times the true length, averaged over directions.
    return np.asarray(2.0 * area / np.maximum(edge * np.pi / 4, 1.0))


def only_large(mask: Bools, min_pixels: float) -> Bools:
    """Return the mask without objects smaller than a number of pixels."""
    labels, count = ndimage.label(mask)
    keep = np.bincount(labels.ravel(), minlength=count + 1) >= min_pixels
    keep[0] = False
    return np.asarray(keep[labels])


def _log_rough(std: Floats) -> Floats:
    # A quarter of an 8-bit step is as smooth as a photo can show.
    return np.asarray(np.log10(std + np.float32(1e-3)), np.float32)


def _roomy(width_m: Doubles) -> Doubles:
    return np.asarray(smoothstep(np.log10(width_m + 1e-6), 0.3, 1.5))


def _tidy(
    mask: Bools,
    score: Doubles,
    *,
    valid: Bools,
    min_area_m2: float,
    pixel_m: float,
    min_island_m2: float,
) -> WaterFound:
    mask = only_large(mask, min_area_m2 / pixel_m**2)
    mask = ~only_large(~mask, min_island_m2 / pixel_m**2) & valid
    return WaterFound(mask, np.where(mask, score, 0).astype(np.float32))
