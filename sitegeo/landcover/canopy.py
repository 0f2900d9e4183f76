"""Height of plants above ground, measured where it can be and assumed where it must be."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

import numpy as np
from astral import Observer
from astral.sun import azimuth, elevation
from pyproj import Transformer
from scipy import ndimage

from sitegeo.angles import unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import WGS84, Grid, Raster, require_same_grid
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, FloatArray
from sitegeo.landcover.filters import open_by_disc


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


_LOWEST_DEG, _HIGHEST_DEG = 15.0, 65.0


@dataclass(frozen=True)
class ShadowHeight:
    """Height of the trees whose shadow could be measured, its error, and how many edges."""

    height_m: float
    error_m: float
    count: int


@dataclass(frozen=True)
class ShadowParams:
    """How shadows are measured.

    Parameters
    ----------
    longest_m
        Shadows are followed this far.
    lit_m
        Beyond the tip, this much ground must be lit and without trees.
    min_count, min_share
        Fewer shadows than this, or a smaller share of the edges looked at, give no estimate.
    stand_m
        Narrower trees, and what is taken for them, are not measured.
    coarsest_m
        Pixels larger than this do not show the length of a shadow.
    """

    longest_m: float = 70.0
    lit_m: float = 6.0
    min_count: int = 40
    min_share: float = 0.15
    stand_m: float = 12.0
    coarsest_m: float = 2.0


def sun_position(grid: Grid, taken: str) -> tuple[float, float] | None:
    """Return the sun's grid bearing and elevation in degrees over the middle of a grid.

    None where `taken` is a day without a time, or a time without its offset from UTC: an hour
    off is 15 degrees.
    """
    try:
        when = datetime.fromisoformat(taken)
    except ValueError:
        return None
    if when.tzinfo is None or len(taken) <= len("2025-09-14"):
        return None
    west, south, east, north = grid.bounds
    to_degrees = Transformer.from_crs(grid.crs, WGS84, always_xy=True)
    lon, lat = to_degrees.transform((west + east) / 2, (south + north) / 2)
    at = Observer(lat, lon, 0.0)
    return float(grid.to_grid_bearing(azimuth(at, when))), float(elevation(at, when))


def height_from_shadows(
    imagery: Raster, cover: Raster, taken: str, *, params: ShadowParams = ShadowParams()
) -> ShadowHeight | None:
    """Return the height of trees on the edge of open ground, or None where it cannot be told.

    A shadow runs from the lit crown to its tip on lit, open, level ground; height is its length
    times the tangent of the sun's elevation. The height is the median; its error is half the
    spread of the middle half of the measurements, and half a pixel of length.
    """
    require_same_grid(imagery, cover)
    grid = cover.grid
    sun = sun_position(grid, taken)
    if sun is None or not _LOWEST_DEG <= sun[1] <= _HIGHEST_DEG:
        return None
    if grid.pixel_m > params.coarsest_m:
        return None
    lengths, edges = _lengths(imagery, cover, away_deg=sun[0] + 180.0, params=params)
    if len(lengths) < max(params.min_count, params.min_share * edges):
        return None
    slope = float(np.tan(np.deg2rad(sun[1])))
    low, middle, high = np.percentile(lengths, [25, 50, 75])
    error = (high - low) / 2 + grid.pixel_m / 2
    return ShadowHeight(float(middle * slope), float(error * slope), len(lengths))


def _lengths(
    imagery: Raster, cover: Raster, *, away_deg: float, params: ShadowParams
) -> tuple[FloatArray, int]:
    """Return the shadow lengths met along rays from down-sun edges of trees, and all the edges."""
    grid = cover.grid
    classes = cover.band("class")
    light = np.log(ndimage.gaussian_filter(imagery.band("green").astype(np.float32), 0.7) + 1.0)
    ground = (classes == Cover.OPEN) | (classes == Cover.BUILT) | (classes == Cover.LOW)
    tree = classes == Cover.TREE
    if not ground.any() or not tree.any():
        return np.empty(0), 0
    # Lit crowns are often darker than lit ground, and a shadow is darker than both.
    lit = min(float(np.median(light[ground])), float(np.median(light[tree])))
    shade = float(np.percentile(light[(ground | tree) & cover.mask], 2))
    dark = light < (lit + shade) / 2
    east, north = unit_from_bearing(away_deg)
    step = grid.pixel_m / 2
    # Last tree pixels down the sun's ray; crowns' dark sides and shadows are often taken for trees.
    # Only stands are measured: a bush is soon taken for a tree.
    row, column = np.nonzero(open_by_disc(tree, params.stand_m / 2 / grid.pixel_m))
    ahead = round(3.0 / grid.pixel_m) + 1
    beyond_row = row - np.rint(north * ahead).astype(int)
    beyond_column = column + np.rint(east * ahead).astype(int)
    inside = grid.contains(beyond_row, beyond_column)
    row, column = row[inside], column[inside]
    edge = ground[beyond_row[inside], beyond_column[inside]]
    row, column = row[edge][::3], column[edge][::3]
    along = np.arange(-params.longest_m, params.longest_m / 2 + step, step)
    y = np.rint(row[:, None] - north * along / grid.pixel_m).astype(int)
    x = np.rint(column[:, None] + east * along / grid.pixel_m).astype(int)
    on = grid.contains(y, x)
    y, x = np.where(on, y, 0), np.where(on, x, 0)
    shaded = dark[y, x] & on
    open_ground = ground[y, x] & on & ~dark[y, x]
    lengths = _runs(shaded, open_ground, tree[y, x] & on, along, step=step, lit_m=params.lit_m)
    return lengths, len(row)


def _runs(
    shaded: BoolArray,
    open_ground: BoolArray,
    tree: BoolArray,
    along: FloatArray,
    *,
    step: float,
    lit_m: float,
) -> FloatArray:
    """Return the length of the shaded run about the edge (along = 0) of each ray that shows one."""
    zero = int(np.argmin(np.abs(along)))
    slack, need = max(1, round(3.0 / step)), max(1, round(lit_m / step))
    lengths = []
    for dark, lit, wood in zip(shaded, open_ground, tree, strict=True):
        near = np.flatnonzero(dark[zero - slack : zero + slack + 1])
        if not near.size:
            continue
        start = end = zero - slack + int(near[-1])
        while end + 1 < len(dark) and dark[end + 1]:
            end += 1
        while start > 0 and dark[start - 1]:
            start -= 1
        after, before = lit[end + 1 : end + 1 + need], wood[max(0, start - slack) : start]
        if len(after) < need or not after.all() or not before.size or not before.all():
            continue
        if start > 0:
            lengths.append((end - start + 1) * step)
    return np.array(lengths)
