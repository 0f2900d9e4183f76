"""Where water comes and goes: the ground at another level of the water, and trees that stand in it.

A change of level is laid on the largest water and on every other that stands level with it in the
photo; a pond perched elsewhere keeps its level. Water rises over ground that it reaches, and falls
off the bed that the depth layer knows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import shapely
from rasterio.features import shapes
from rasterio.transform import from_origin
from scipy import ndimage
from shapely.geometry import Polygon, shape
from shapely.geometry.base import BaseGeometry

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.typing import AnyArray, BoolArray, ByteArray
from sitegeo.exposure.sweep import nearest_level, water_levels
from sitegeo.siting.sampling import crop_around
from sitegeo.spreads.layouts import polygons_of
from sitegeo.spreads.sketch import Polygonal

LEVEL_WITH_M = 0.3
"""Waters whose levels differ by less than this are taken as one; judgement."""

STANDS_OUT_M = 0.3
"""Reeds and brush that stand this far out of the water are still cover; judgement."""

TIMBER_REACH_M = 90.0
"""Flooded trees are looked for this far about a hide; judgement."""

FLOATS_DECOY_M = 0.1
"""Less water than this floats no decoy; judgement."""

_TOUCHING = np.ones((3, 3), int)
_SIMPLIFY_PX = 0.25  # with the corners it cuts, less than half a pixel in all


@dataclass(frozen=True)
class Stage:
    """The ground at another level of the water.

    Parameters
    ----------
    classes
        Cover classes: a bed that falls dry is open ground, low ground that floods is water where
        no plants stand out of it. Flooded trees stay trees.
    depth_m
        Depth of water, NaN where there is none or it is not known; None without a depth layer.
    ground_m
        Ground, and the surface of the water; None without a ground layer.
    flooded, dry
        Where water came, and where it went.
    """

    classes: ByteArray
    depth_m: AnyArray | None
    ground_m: AnyArray | None
    flooded: BoolArray
    dry: BoolArray


def apply_stage(
    classes: ByteArray,
    *,
    change_m: float,
    canopy_height_m: AnyArray,
    depth_m: AnyArray | None = None,
    ground_m: AnyArray | None = None,
) -> Stage:
    """Return the ground with the water higher or lower than in the photo.

    Parameters
    ----------
    classes
        (rows, columns) cover classes.
    change_m
        How much higher; negative for lower.
    canopy_height_m, depth_m, ground_m
        Heights of plants, depth of water and ground in metres, NaN where not known, on the same
        pixels. Without depth no bed falls dry and without ground no land floods.

    Returns
    -------
    Stage
        On the same pixels.

    Examples
    --------
    >>> bank = np.array([[Cover.WATER, Cover.OPEN, Cover.OPEN]], np.uint8)
    >>> none, ground = np.zeros((1, 3)), np.array([[10.0, 10.2, 11.0]])
    >>> apply_stage(bank, change_m=0.5, canopy_height_m=none, ground_m=ground).flooded.tolist()
    [[False, True, False]]
    """
    water = classes == Cover.WATER
    moving, level = _moving(water, ground_m)
    flooded, dry = np.zeros_like(water), np.zeros_like(water)
    depth = None if depth_m is None else _deeper(depth_m, water & ~moving, change_m)
    if depth is not None and change_m < 0:
        dry = moving & (depth <= 0)
    if ground_m is not None and change_m > 0:
        low = ~water & (ground_m < level + change_m) & (classes != Cover.NONE)
        flooded = low & _reached(low | moving, moving)
        if depth is not None:
            depth = np.where(flooded, level + change_m - ground_m, depth)
    if depth is not None:
        depth = np.where(depth > 0, depth, np.nan)
    new = classes.copy()
    new[dry] = Cover.OPEN
    over = flooded & np.isin(classes, (Cover.OPEN, Cover.LOW))
    if ground_m is not None:
        stands_out = canopy_height_m > level + change_m - ground_m + STANDS_OUT_M
        over &= ~((classes == Cover.LOW) & stands_out)
    new[over] = Cover.WATER
    surface = None
    if ground_m is not None:
        at_level = dry | (new == Cover.WATER) & (moving | flooded)
        surface = np.where(at_level, level + change_m, ground_m).astype(np.float32)
    return Stage(new, depth, surface, flooded, dry)


def _moving(water: BoolArray, ground_m: AnyArray | None) -> tuple[BoolArray, AnyArray]:
    """Return the water the change is laid on, and the level of the nearest of it, everywhere."""
    labels, count = ndimage.label(water, structure=_TOUCHING)
    if count == 0:
        return water, np.full(water.shape, np.nan, np.float32)
    if ground_m is None or not np.isfinite(ground_m[water]).any():
        return water, np.full(water.shape, np.nan, np.float32)
    levels = water_levels(water, ground_m)
    largest = int(np.bincount(labels.ravel())[1:].argmax()) + 1
    main = float(levels[labels == largest][0])
    moving = water & (np.abs(levels - main) <= LEVEL_WITH_M)
    return moving, nearest_level(moving, levels)


def _deeper(depth_m: AnyArray, still: BoolArray, change_m: float) -> AnyArray:
    return np.asarray(np.where(still, depth_m, depth_m + change_m), float)


def _reached(open_to: BoolArray, source: BoolArray) -> BoolArray:
    """Return the ground connected with the water that rises."""
    labels, count = ndimage.label(open_to, structure=_TOUCHING)
    fed = np.zeros(count + 1, bool)
    fed[np.unique(labels[source])] = True
    fed[0] = False
    return np.asarray(fed[labels], bool)


def find_flooded_trees(
    cover: Raster, depth: Raster | None, at: shapely.Point, *, reach_m: float = TIMBER_REACH_M
) -> Polygonal:
    """Return the trees within reach of a point that stand in water, or may: depth unknown counts.

    A plan says where depth was not known.

    Parameters
    ----------
    cover
        The `cover` layer.
    depth
        Metres of water on the same grid, None where it is not known.
    at
        A point in their CRS.
    reach_m
        Half the side of the square looked at.

    Returns
    -------
    Polygon or MultiPolygon
        In the same CRS, without the steps of the pixels.
    """
    near = crop_around(cover, (at.x, at.y), reach_m)
    grid, wooded = near.grid, near.band("class") == Cover.TREE
    if depth is not None:
        water = crop_around(depth, (at.x, at.y), reach_m)
        wooded = wooded & ~(np.where(water.mask, water.values, np.nan) < FLOATS_DECOY_M)
    transform = from_origin(grid.west, grid.north, grid.pixel_m, grid.pixel_m)
    found = shapes(wooded.astype(np.uint8), mask=wooded, transform=transform)
    trees = [
        _without_steps(cast("Polygon", shape(geometry)), grid.pixel_m) for geometry, _ in found
    ]
    return polygons_of(shapely.union_all(trees))


def _without_steps(area: Polygon, pixel_m: float) -> BaseGeometry:
    """Return an area traced along pixel edges without its steps, nowhere half a pixel off.

    Its corners are moved to the middles of its sides, twice: a slanting row of steps becomes a
    straight line through them.
    """
    rings = []
    for ring in (area.exterior, *area.interiors):
        xy = shapely.get_coordinates(shapely.segmentize(ring, pixel_m))[:-1]
        for _ in range(2):
            xy = 0.5 * (xy + np.roll(xy, -1, axis=0))
        rings.append(xy)
    return Polygon(rings[0], rings[1:]).simplify(_SIMPLIFY_PX * pixel_m)
