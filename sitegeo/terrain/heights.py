"""Height of plants above ground, measured where it can be and assumed where it must be."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from sitegeo.grid import Raster, require_same_grid
from sitegeo.layers import Cover
from sitegeo.steps import step
from sitegeo.terrain.shadows import height_from_shadows


class CanopyAssumption(Protocol):
    """What the place assumes where no height is given."""

    @property
    def canopy_height_m(self) -> float:
        """Height of a tree."""


@dataclass(frozen=True)
class HeightParams:
    """How missing heights are filled.

    Parameters
    ----------
    low_cover_m
        Height of brush, reeds and tall grass where none is given.
    highest_m
        Measured heights above this are taken as faults and cut off.
    """

    low_cover_m: float = 1.5
    highest_m: float = 60.0


@step("canopy_height")
def canopy_height(
    *,
    cover: Raster,
    canopy: Raster | None = None,
    surface: Raster | None = None,
    ground: Raster | None = None,
    assume: CanopyAssumption,
    imagery: Raster | None = None,
    taken: str | None = None,
    params: HeightParams = HeightParams(),
) -> Raster:
    """Return the height of plants above ground in metres, 0 where there are none.

    A given canopy is used where it holds data; then surface minus ground on trees and low cover;
    then what the shadows show where `taken` has a time; then what is assumed. All rasters must
    lie on one grid, or `RasterError` is raised.
    """
    classes = cover.band("class")
    tree, low = classes == Cover.TREE, classes == Cover.LOW
    usual = assume.canopy_height_m
    if canopy is None and surface is None and imagery is not None and taken is not None:
        shadows = height_from_shadows(imagery, cover, taken)
        usual = usual if shadows is None else shadows.height_m
    height = np.where(tree, usual, np.where(low, params.low_cover_m, 0.0))
    if surface is not None and ground is not None:
        require_same_grid(cover, surface)
        require_same_grid(cover, ground)
        measured = surface.values.astype(np.float32) - ground.values.astype(np.float32)
        usable = surface.mask & ground.mask & (tree | low) & np.isfinite(measured)
        height = np.where(usable, measured, height)
    if canopy is not None:
        require_same_grid(cover, canopy)
        usable = canopy.mask & np.isfinite(canopy.values)
        height = np.where(usable, canopy.values, height)
    height = np.clip(height, 0.0, params.highest_m).astype(np.float32)
    return Raster(np.where(cover.mask, height, np.float32(0)), cover.grid, cover.valid)
