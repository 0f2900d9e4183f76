"""What the wind meets: water with its level, and all that stands above it, as one raster.

Made once for a place. `rank`, `plan` and the wind atlas sweep it as it is; the leaves are a
matter of the morning, so trees carry one class here and are looked up as bare when they are.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster, require_same_grid
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, Float32Array
from sitegeo.exposure.sweep import encode_surface, nearest_level, water_levels
from sitegeo.places.config import Assume

OBSTACLE_CLASSES = ("solid", "open")
"""Density classes of the obstacles, in the order of their codes: two, which sweeps fastest."""

WITH_EVERGREENS = (*OBSTACLE_CLASSES, "none", "evergreen")
"""The same where evergreens are known apart. Of their code the low bit is that of ``open``: swept
in two classes they are trees like all others, as in summer they are."""


_EVERGREEN = WITH_EVERGREENS.index("evergreen")
_PLANT_M = 1.0  # judgement: lower plants leave the wind to meet what they stand on


def classes_of(obstacles: Raster) -> tuple[str, ...]:
    """Return the density classes of an `obstacles` layer, in the order of their codes."""
    evergreen = (obstacles.values >= 0) & ((obstacles.values & 3) == _EVERGREEN)
    return WITH_EVERGREENS if evergreen.any() else OBSTACLE_CLASSES


def lookup_classes(*, leaf_off: bool | None, bands: int = len(OBSTACLE_CLASSES)) -> tuple[str, ...]:
    """Return what each class is looked up as: trees stand bare only where that is known."""
    trees = "bare" if leaf_off else "open"
    return ("solid", trees, trees, "open")[:bands]


def classes_for(obstacles: Raster, *, leaf_off: bool | None) -> tuple[str, ...]:
    """Return what to sweep an `obstacles` layer for on one morning, as `lookup_classes`.

    In leaf evergreens are trees like the others, and two classes sweep faster.
    """
    bands = len(classes_of(obstacles) if leaf_off else OBSTACLE_CLASSES)
    return lookup_classes(leaf_off=leaf_off, bands=bands)


@step("obstacles")
def obstacles(
    *,
    cover: Raster,
    canopy_height: Raster,
    assume: Assume,
    ground: Raster | None = None,
    surface: Raster | None = None,
    evergreen: Raster | None = None,
) -> Raster:
    """Water levels, obstacle heights and density classes, ready to be swept along any wind.

    Returns the `obstacles` raster, int16 as `sweep.encode_surface` packs it. Trees are of class
    ``open``, a single row in leaf, or ``evergreen`` where that is known; buildings and bare banks
    ``solid``, buildings as high as the canopy raster or the surface above the ground say. With a
    ground raster each connected body of water has its own level, the median ground over it; a
    body over which the ground is void takes ``[assume] water_level_m``, else the level of the
    nearest body. Land on which the ground is void counts as level with the nearest water.

    Parameters
    ----------
    cover
        The `cover` layer; its grid is that of the result.
    canopy_height
        Metres above the ground, on the same grid.
    assume
        What the place assumes; of it only `water_level_m`.
    ground, surface
        Heights of the bare ground and of what stands on it, metres in one vertical reference,
        on the same grid.
    evergreen
        1 where trees keep their needles, on the same grid.

    Returns
    -------
    Raster
        (rows, columns) int16 on the grid of `cover`.

    Raises
    ------
    RasterError
        The rasters lie on different grids, or water levels are more than 800 m apart.
    """
    classes = cover.band("class")
    water = classes == Cover.WATER
    require_same_grid(cover, canopy_height)
    built = classes == Cover.BUILT
    tops = np.where(water, np.float32(0), canopy_height.values.astype(np.float32))
    if surface is not None and ground is not None:
        require_same_grid(cover, surface)
        require_same_grid(cover, ground)
        known = built & surface.mask & ground.mask
        tops[known] = np.fmax(tops[known], surface.values[known] - ground.values[known])
    level, height = _levels(water, tops, ground, cover, assume)
    solid = built | (tops < _PLANT_M)
    density = np.where(
        solid, OBSTACLE_CLASSES.index("solid"), OBSTACLE_CLASSES.index("open")
    ).astype(np.uint8)
    if evergreen is not None:
        require_same_grid(cover, evergreen)
        density[~solid & (evergreen.values == 1)] = _EVERGREEN
    packed = encode_surface(water, height, density=density, level_m=level, known=cover.valid)
    return Raster(packed, cover.grid)


def _levels(
    water: BoolArray,
    tops: Float32Array,
    ground: Raster | None,
    cover: Raster,
    assume: Assume,
) -> tuple[Any, Float32Array]:
    """Return the water's level and the tops of the land, both in the ground's own reference."""
    if ground is None or not water.any():
        return 0.0, tops
    require_same_grid(cover, ground)
    bare = np.where(ground.mask, ground.values, np.nan).astype(np.float32)
    if not np.isfinite(bare[water]).any() and assume.water_level_m is None:
        return 0.0, tops
    level = water_levels(water, bare, otherwise_m=assume.water_level_m)
    level = nearest_level(water, level)
    filled = np.where(np.isfinite(bare), bare, level)
    return level, np.asarray(filled + tops, dtype=np.float32)
