"""What lies around many points at once: rasters sampled on small patterns of offsets."""

from __future__ import annotations

import numpy as np

from sitegeo.angles import unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Grid, Raster
from sitegeo.core.typing import AnyArray, FloatArray
from sitegeo.spreads.frame import NEAR_DECOYS_M, POCKET_M

PATCH_M = 4.0
"""Radius within which the wind over decoys is averaged; judgement."""

PATCH_STEP_M = 1.0
"""Spacing of the spots of a small patch; judgement."""


def disc_offsets(radius_m: float, step_m: float) -> FloatArray:
    """Return (n, 2) offsets in metres that fill a disc at a spacing.

    Examples
    --------
    >>> len(disc_offsets(2.0, 1.0))
    13
    """
    n = int(np.floor(radius_m / step_m))
    ticks = np.arange(-n, n + 1) * step_m
    x, y = np.meshgrid(ticks, ticks)
    inside = x**2 + y**2 <= radius_m**2 + 1e-9
    return np.column_stack([x[inside], y[inside]])


def strip_offsets(length_m: float, half_width_m: float, step_m: float) -> FloatArray:
    """Return offsets that fill a strip running along +y from the origin.

    Parameters
    ----------
    length_m, half_width_m
        How far it runs, and how far it reaches to either side of the axis.
    step_m
        Spacing.

    Returns
    -------
    ndarray
        (n, 2), metres.
    """
    along = np.arange(0.0, length_m + step_m / 2, step_m)
    across = np.arange(-half_width_m, half_width_m + step_m / 2, step_m)
    x, y = np.meshgrid(across, along)
    return np.column_stack([x.ravel(), y.ravel()])


def fan_offsets(radius_m: float, half_angle_deg: float, step_m: float) -> FloatArray:
    """Return offsets that fill a sector about +y.

    Parameters
    ----------
    radius_m, half_angle_deg
        Its radius, and how far it opens to either side of +y.
    step_m
        Spacing.

    Returns
    -------
    ndarray
        (n, 2), metres.
    """
    offsets = disc_offsets(radius_m, step_m)
    angle = np.degrees(np.arctan2(np.abs(offsets[:, 0]), offsets[:, 1]))
    return offsets[(angle <= half_angle_deg) & (offsets[:, 1] > 0)]


def rotate_offsets(offsets: FloatArray, bearing_grid_deg: FloatArray) -> FloatArray:
    """Return (points, n, 2) offsets with +y turned onto the grid bearing of each point.

    `offsets` is (n, 2) for all points alike, or (points, n, 2).

    Examples
    --------
    >>> ahead = np.array([[0.0, 10.0]])
    >>> rotate_offsets(ahead, np.array([0.0, 90.0])).round(6).tolist()
    [[[0.0, 10.0]], [[10.0, 0.0]]]
    """
    east, north = (np.atleast_1d(v)[:, None] for v in unit_from_bearing(bearing_grid_deg))
    x, y = offsets[..., 0], offsets[..., 1]
    return np.stack([x * north + y * east, y * north - x * east], axis=-1)


def patch_ahead(distance_m: float, radius_m: float, bearing_grid_deg: FloatArray) -> FloatArray:
    """Return offsets that fill a small disc straight ahead of each point.

    Parameters
    ----------
    distance_m, radius_m
        Of the disc's middle from the point, and its radius.
    bearing_grid_deg
        (points,) where each point looks.

    Returns
    -------
    ndarray
        (points, n, 2), metres.
    """
    disc = disc_offsets(radius_m, PATCH_STEP_M) + [0.0, distance_m]
    return rotate_offsets(disc, bearing_grid_deg)


def decoy_patches(facing_grid_deg: FloatArray) -> FloatArray:
    """Return (blinds, 2, n, 2) offsets from hides: patches at the pocket and at the near decoys."""
    patches = [patch_ahead(m, PATCH_M, facing_grid_deg) for m in (POCKET_M, NEAR_DECOYS_M)]
    return np.stack(patches, axis=1)


def sample_around(raster: Raster, at: FloatArray, offsets: FloatArray) -> AnyArray:
    """Return the raster under every offset of every point, NaN where there is no data.

    Parameters
    ----------
    raster
        What is sampled.
    at
        (points, 2) coordinates in the raster's CRS.
    offsets
        (n, 2) for all points alike, or (points, n, 2); metres.

    Returns
    -------
    ndarray
        float, (points, n), or (bands, points, n) for a raster of bands.
    """
    where = at[:, None, :] + (offsets if offsets.ndim == 3 else offsets[None])
    flat = raster.sample(where[..., 0].ravel(), where[..., 1].ravel())
    return flat.reshape(*flat.shape[:-1], *where.shape[:2])


def cover_classes(cover: Raster, at: FloatArray, offsets: FloatArray) -> AnyArray:
    """Return cover classes under every offset of every point, NaN off the data.

    Parameters
    ----------
    cover
        The `cover` layer.
    at
        (points, 2) coordinates in its CRS.
    offsets
        (n, 2) for all points alike, or (points, n, 2); metres.

    Returns
    -------
    ndarray
        float, (points, n).
    """
    return sample_around(Raster(cover.band("class"), cover.grid, cover.valid), at, offsets)


def crop_around(raster: Raster, at: tuple[float, float], reach_m: float) -> Raster:
    """Return the part of a raster within reach of a point, a square cut at the raster's edges.

    Parameters
    ----------
    raster
        With or without bands.
    at
        Easting and northing in its CRS.
    reach_m
        Half the side of the square, rounded up to whole pixels.

    Returns
    -------
    Raster
        A view of the same values on a smaller grid.
    """
    grid = raster.grid
    row, col = (int(np.atleast_1d(v)[0]) for v in grid.rowcol(*at))
    n = int(np.ceil(reach_m / grid.pixel_m))
    top, left = max(0, row - n), max(0, col - n)
    rows, cols = slice(top, row + n + 1), slice(left, col + n + 1)
    values = raster.values[..., rows, cols]
    west, north = grid.west + left * grid.pixel_m, grid.north - top * grid.pixel_m
    part = Grid(grid.crs, west, north, grid.pixel_m, (values.shape[-2], values.shape[-1]))
    valid = None if raster.valid is None else raster.valid[rows, cols]
    return Raster(values, part, valid, raster.bands)


_CHORD_STEP_M, _CHORD_MOST_M, _CHORD_RAYS = 2.0, 60.0, 16
"""How an opening's width is looked at: steps and length of a ray, and rays all round."""


def least_chord_m(cover: Raster, at: FloatArray) -> FloatArray:
    """Return (points,) the least width of what is open about points, from trees to trees, metres.

    Looked at along eight chords, `_CHORD_MOST_M` to either side at the most.
    """
    out = np.arange(_CHORD_STEP_M, _CHORD_MOST_M, _CHORD_STEP_M)
    reach = []
    for turn in np.deg2rad(np.arange(_CHORD_RAYS) * 360.0 / _CHORD_RAYS):
        spots = out[:, None] * np.array([np.sin(turn), np.cos(turn)])
        trees = cover_classes(cover, at, spots) == Cover.TREE
        met = np.where(trees.any(axis=1), trees.argmax(axis=1), len(out))
        reach.append(met * _CHORD_STEP_M)
    half = _CHORD_RAYS // 2
    return np.asarray((np.array(reach[:half]) + np.array(reach[half:])).min(axis=0), float)
