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

    @property
    def canopy_height_error_m(self) -> float:
        """Its standard error."""


@dataclass(frozen=True)
class HeightParams:
    """How missing heights are filled.

    Parameters
    ----------
    low_cover_m
        Height of brush, reeds and tall grass where none is given.
    low_cover_error_m
        Its error.
    highest_m
        Measured heights above this are taken as faults and cut off.
    measured_error_m
        Error of a measured height (judgement: laser surveys miss some of the tops of crowns).
    """

    low_cover_m: float = 1.5
    low_cover_error_m: float = 0.7
    highest_m: float = 60.0
    measured_error_m: float = 1.0


@step("canopy_height", "canopy_error")
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
) -> tuple[Raster, Raster]:
    """Return the height of plants above ground and its error in metres, 0 where there are none.

    A given canopy is used where it holds data; then surface minus ground on trees and low cover;
    then what the shadows show where `taken` has a time; then what is assumed. All rasters must
    lie on one grid, or `RasterError` is raised.
    """
    classes = cover.band("class")
    tree, low = classes == Cover.TREE, classes == Cover.LOW
    usual, doubt = assume.canopy_height_m, assume.canopy_height_error_m
    if canopy is None and surface is None and imagery is not None and taken is not None:
        shadows = height_from_shadows(imagery, cover, taken)
        if shadows is not None:
            usual, doubt = shadows.height_m, shadows.error_m
    height = np.where(tree, usual, np.where(low, params.low_cover_m, 0.0))
    error = np.where(tree, doubt, np.where(low, params.low_cover_error_m, 0.0))
    if surface is not None and ground is not None:
        require_same_grid(cover, surface)
        require_same_grid(cover, ground)
        measured = surface.values.astype(np.float32) - ground.values.astype(np.float32)
        usable = surface.mask & ground.mask & (tree | low) & np.isfinite(measured)
        height = np.where(usable, measured, height)
        error = np.where(usable, params.measured_error_m, error)
    if canopy is not None:
        require_same_grid(cover, canopy)
        usable = canopy.mask & np.isfinite(canopy.values)
        height = np.where(usable, canopy.values, height)
        error = np.where(usable, params.measured_error_m, error)
    height = np.where(cover.mask, np.clip(height, 0.0, params.highest_m), 0.0)
    error = np.where(height > 0, error, 0.0)
    return (
        Raster(height.astype(np.float32), cover.grid, cover.valid),
        Raster(error.astype(np.float32), cover.grid, cover.valid),
    )
