"""Spectral indices of a photo, and thresholds found in the data.

Everything here takes and gives arrays.
"""

from __future__ import annotations

import numpy as np
from skimage.filters import threshold_multiotsu, threshold_otsu

from sitegeo.core.typing import AnyArray, Float32Array

_TINY = np.float32(1e-6)


def normalised_difference(a: AnyArray, b: AnyArray) -> Float32Array:
    """Return (a - b) / (a + b) of brightnesses as float32, 0 where both are 0."""
    a, b = np.asarray(a, np.float32), np.asarray(b, np.float32)
    return np.asarray((a - b) / np.maximum(a + b, _TINY), np.float32)


def ndwi(green: AnyArray, nir: AnyArray) -> Float32Array:
    """Return the water index (green - nir) / (green + nir).

    References
    ----------
    McFeeters 1996, doi 10.1080/01431169608948714.

    Examples
    --------
    >>> ndwi([75.0], [25.0])
    array([0.5], dtype=float32)
    """
    return normalised_difference(green, nir)


def ndvi(red: AnyArray, nir: AnyArray) -> Float32Array:
    """Return the vegetation index (nir - red) / (nir + red)."""
    return normalised_difference(nir, red)


def excess_green(red: AnyArray, green: AnyArray, blue: AnyArray) -> AnyArray:
    """Return 2g - r - b of the shares each colour has in the sum, 0 where all are 0.

    Parameters
    ----------
    red, green, blue
        Brightness, arrays of one shape and of one scale.

    Returns
    -------
    AnyArray
        The same shape, -1 to 2.

    References
    ----------
    Woebbecke et al. 1995, Transactions of the ASAE 38(1), 259-269.

    Examples
    --------
    >>> import numpy as np
    >>> excess_green(np.array([50.0]), np.array([100.0]), np.array([50.0]))
    array([0.5])
    """
    total = np.maximum(red + green + blue, _TINY)
    return np.asarray((2 * green - red - blue) / total)


def otsu(values: AnyArray) -> float:
    """Return the threshold that best parts values into two classes; a single value is its own.

    References
    ----------
    Otsu 1979, as scikit-image computes it.
    """
    return float(threshold_otsu(np.asarray(values)))  # type: ignore[no-untyped-call]


def otsu_low_of_three(values: AnyArray) -> float:
    """Return the lower of the two thresholds that best part values into three classes."""
    values = np.asarray(values)
    if values.size == 0 or values.min() == values.max():
        return float(values.min()) if values.size else 0.0
    cuts = threshold_multiotsu(values, classes=3, nbins=64)  # type: ignore[no-untyped-call]
    return float(cuts[0])


def window_radius_px(metres: float, pixel_m: float) -> int:
    """Return the radius in pixels, at least 1, of a window of about `metres`."""
    return max(1, round(metres / pixel_m / 2 - 0.5))
