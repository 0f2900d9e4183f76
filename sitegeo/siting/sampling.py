"""What lies around many points at once: rasters sampled on small patterns of offsets."""

from __future__ import annotations

import numpy as np

from sitegeo.angles import unit_from_bearing
from sitegeo.core.grid import Raster
from sitegeo.core.typing import AnyArray, FloatArray


def disc(radius_m: float, step_m: float) -> FloatArray:
    """Return (n, 2) offsets that fill a disc at a spacing."""
    n = int(np.floor(radius_m / step_m))
    ticks = np.arange(-n, n + 1) * step_m
    x, y = np.meshgrid(ticks, ticks)
    inside = x**2 + y**2 <= radius_m**2 + 1e-9
    return np.column_stack([x[inside], y[inside]])


def strip(length_m: float, half_width_m: float, step_m: float) -> FloatArray:
    """Return (n, 2) offsets that fill a strip running along +y from the origin."""
    along = np.arange(0.0, length_m + step_m / 2, step_m)
    across = np.arange(-half_width_m, half_width_m + step_m / 2, step_m)
    x, y = np.meshgrid(across, along)
    return np.column_stack([x.ravel(), y.ravel()])


def fan(radius_m: float, half_angle_deg: float, step_m: float) -> FloatArray:
    """Return (n, 2) offsets that fill a sector about +y."""
    offsets = disc(radius_m, step_m)
    angle = np.degrees(np.arctan2(np.abs(offsets[:, 0]), offsets[:, 1]))
    return offsets[(angle <= half_angle_deg) & (offsets[:, 1] > 0)]


def turned(offsets: FloatArray, bearing_grid_deg: FloatArray) -> FloatArray:
    """Return (points, n, 2) offsets with +y turned onto each grid bearing.

    `offsets` is (n, 2) for all points alike, or (points, n, 2).
    """
    east, north = (np.atleast_1d(v)[:, None] for v in unit_from_bearing(bearing_grid_deg))
    x, y = offsets[..., 0], offsets[..., 1]
    return np.stack([x * north + y * east, y * north - x * east], axis=-1)


def sample(raster: Raster, at: FloatArray, offsets: FloatArray) -> AnyArray:
    """Return the raster under every offset of every point, NaN where there is no data.

    Parameters
    ----------
    at
        (points, 2) coordinates in the raster's CRS.
    offsets
        (n, 2) for all points alike, or (points, n, 2).

    Returns
    -------
    (points, n), or (bands, points, n) for a raster of bands.
    """
    where = at[:, None, :] + (offsets if offsets.ndim == 3 else offsets[None])
    flat = raster.sample(where[..., 0].ravel(), where[..., 1].ravel())
    return flat.reshape(*flat.shape[:-1], *where.shape[:2])


def classes(cover: Raster, at: FloatArray, offsets: FloatArray) -> AnyArray:
    """Return (points, n) cover classes under every offset of every point, NaN off the data."""
    return sample(Raster(cover.band("class"), cover.grid, cover.valid), at, offsets)
