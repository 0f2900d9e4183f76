"""Numbers read from a photo: spectral indices, texture, and thresholds found in the data.

Everything here takes and gives arrays; a window is in pixels.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.filters import threshold_multiotsu, threshold_otsu

Floats = NDArray[np.float32]
Bools = NDArray[np.bool_]

_TINY = np.float32(1e-6)


def normalised_difference(a: NDArray[Any], b: NDArray[Any]) -> Floats:
    """Return (a - b) / (a + b) as float32, 0 where both are 0."""
    a, b = np.asarray(a, np.float32), np.asarray(b, np.float32)
    total = a + b
    share = np.divide(a - b, total, out=np.zeros_like(total), where=np.abs(total) > _TINY)
    return np.asarray(share, np.float32)


def ndwi(green: NDArray[Any], nir: NDArray[Any]) -> Floats:
    """Return the water index (green - nir) / (green + nir).

    Source: McFeeters 1996, doi 10.1080/01431169608948714.
    """
    return normalised_difference(green, nir)


def ndvi(red: NDArray[Any], nir: NDArray[Any]) -> Floats:
    """Return the vegetation index (nir - red) / (nir + red)."""
    return normalised_difference(nir, red)


def otsu(values: NDArray[Any]) -> float:
    """Return the threshold that best parts values into two classes.

    Source: Otsu 1979, as scikit-image computes it; a single value is its own threshold.
    """
    return float(threshold_otsu(np.asarray(values)))  # type: ignore[no-untyped-call]


def otsu_low_of_three(values: NDArray[Any]) -> float:
    """Return the lower of the two thresholds that best part values into three classes."""
    values = np.asarray(values)
    if values.size == 0 or values.min() == values.max():
        return float(values.min()) if values.size else 0.0
    cuts = threshold_multiotsu(values, classes=3, nbins=64)  # type: ignore[no-untyped-call]
    return float(cuts[0])


def odd_window(metres: float, pixel_m: float) -> int:
    """Return a window of about `metres` as an odd number of pixels, at least 3."""
    return max(3, 2 * round(metres / pixel_m / 2 - 0.5) + 1)


def texture(plane: Floats, window: int, *, where: Bools | None = None) -> Floats:
    """Return the strength of fine detail about each pixel: its departure from the local mean.

    A gentle slope of brightness (haze, a shelving bed) counts for nothing, and pixels outside
    `where` do not count at all. The root of the mean square in a square window.
    """
    if where is None:
        detail = plane - ndimage.uniform_filter(plane, window)
        power = ndimage.uniform_filter(detail * detail, window)
    else:
        share = np.maximum(ndimage.uniform_filter(where.astype(np.float32), window), 1e-3)
        mean = ndimage.uniform_filter(np.where(where, plane, 0), window) / share
        detail = np.where(where, plane - mean, 0)
        power = ndimage.uniform_filter(detail * detail, window) / share
    return np.asarray(np.sqrt(np.maximum(power, 0)), np.float32)


def nearest_calm(roughness: Floats, window: int) -> Floats:
    """Return the least roughness of any window that holds the pixel.

    A pixel just inside an edge then keeps the roughness of its own side (after Kuwahara 1976).
    """
    return np.asarray(ndimage.minimum_filter(roughness, window), np.float32)
