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
    """How missing heights are filled. All values are judgement.

    Parameters
    ----------
    low_cover_m
        Height of brush, reeds and tall grass where none is given.
    low_cover_error_m
        Its error.
    highest_m
        Measured heights above this are taken as faults and cut off.
    measured_error_m
        Error of a measured height: laser surveys miss some of the tops of crowns.
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
    then what the shadows show where `taken` has a time; then what is assumed.

    Parameters
    ----------
    cover
        The `cover` raster.
    canopy
        Height above ground in metres.
    surface, ground
        Height of the tops, and of the ground, in metres above one datum.
    assume
        What the place assumes of its trees.
    imagery, taken
        The photo, and its time in ISO 8601 with its offset from UTC.
    params
        How missing heights are filled.

    Returns
    -------
    height, error : Raster
        The layers `canopy_height` and `canopy_error`, float32, metres.

    Raises
    ------
    RasterError
        If the rasters lie on different grids.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.contracts import Cover
    >>> from sitegeo.core.grid import Grid, Raster
    >>> from sitegeo.places.config import Assume
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 1.0, (1, 3))
    >>> seen = np.array([[[Cover.TREE, Cover.TREE, Cover.OPEN]], [[90, 90, 90]]], np.uint8)
    >>> cover = Raster(seen, grid, None, ("class", "confidence"))
    >>> measured = Raster(np.array([[14.0, np.nan, np.nan]], np.float32), grid)
    >>> assumed = Assume(canopy_height_m=10.0, canopy_height_error_m=3.0)
    >>> height, error = canopy_height(cover=cover, canopy=measured, assume=assumed)
    >>> height.values.tolist(), error.values.tolist()
    ([[14.0, 10.0, 0.0]], [[1.0, 3.0, 0.0]])
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


@dataclass(frozen=True)
class ShadowHeight:
    """Height of the trees whose shadow could be measured, its error, and how many edges."""

    height_m: float
    error_m: float
    count: int


@dataclass(frozen=True)
class ShadowParams:
    """How shadows are measured. All values are judgement.

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
    sun_deg
        Elevations of the sun between which shadows are neither drowned in others nor too short.
    edge_m
        A shadow begins within this of the edge of the trees, and the ground is bare so far out.
    blur_px, shade_percent
        Blur of the photo, and the percentile of its brightness that stands for shade.
    every
        One edge pixel in so many is looked at.
    """

    longest_m: float = 70.0
    lit_m: float = 6.0
    min_count: int = 40
    min_share: float = 0.15
    stand_m: float = 12.0
    coarsest_m: float = 2.0
    sun_deg: tuple[float, float] = (15.0, 65.0)
    edge_m: float = 3.0
    blur_px: float = 0.7
    shade_percent: float = 2.0
    every: int = 3


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

    Parameters
    ----------
    imagery, cover
        The photo and its cover, on one grid.
    taken
        Time of the photo in ISO 8601 with its offset from UTC.
    params
        How shadows are measured.

    Returns
    -------
    ShadowHeight or None
        The median height, and as its error half the spread of the middle half of the
        measurements and half a pixel of length.

    Raises
    ------
    RasterError
        If the rasters lie on different grids.

    Notes
    -----
    A shadow runs from the lit crown to its tip on lit, open, level ground; height is its length
    times the tangent of the sun's elevation.
    """
    require_same_grid(imagery, cover)
    grid = cover.grid
    sun = sun_position(grid, taken)
    if sun is None or not params.sun_deg[0] <= sun[1] <= params.sun_deg[1]:
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
    green = imagery.band("green").astype(np.float32)
    light = np.log(ndimage.gaussian_filter(green, params.blur_px) + 1.0)
    ground = (classes == Cover.OPEN) | (classes == Cover.BUILT) | (classes == Cover.LOW)
    tree = classes == Cover.TREE
    if not ground.any() or not tree.any():
        return np.empty(0), 0
    # Lit crowns are often darker than lit ground, and a shadow is darker than both.
    lit = min(float(np.median(light[ground])), float(np.median(light[tree])))
    shade = float(np.percentile(light[(ground | tree) & cover.mask], params.shade_percent))
    dark = light < (lit + shade) / 2
    east, north = unit_from_bearing(away_deg)
    step = grid.pixel_m / 2
    # Last tree pixels down the sun's ray; crowns' dark sides and shadows are often taken for trees.
    # Only stands are measured: a bush is soon taken for a tree.
    row, column = np.nonzero(open_by_disc(tree, params.stand_m / 2 / grid.pixel_m))
    ahead = round(params.edge_m / grid.pixel_m) + 1
    beyond_row = row - np.rint(north * ahead).astype(int)
    beyond_column = column + np.rint(east * ahead).astype(int)
    inside = grid.contains(beyond_row, beyond_column)
    row, column = row[inside], column[inside]
    edge = ground[beyond_row[inside], beyond_column[inside]]
    row, column = row[edge][:: params.every], column[edge][:: params.every]
    along = np.arange(-params.longest_m, params.longest_m / 2 + step, step)
    y = np.rint(row[:, None] - north * along / grid.pixel_m).astype(int)
    x = np.rint(column[:, None] + east * along / grid.pixel_m).astype(int)
    on = grid.contains(y, x)
    y, x = np.where(on, y, 0), np.where(on, x, 0)
    shaded = dark[y, x] & on
    open_ground = ground[y, x] & on & ~dark[y, x]
    lengths = _runs(shaded, open_ground, tree[y, x] & on, along, step=step, params=params)
    return lengths, len(row)


def _runs(
    shaded: BoolArray,
    open_ground: BoolArray,
    tree: BoolArray,
    along: FloatArray,
    *,
    step: float,
    params: ShadowParams,
) -> FloatArray:
    """Return the length of the shaded run about the edge (along = 0) of each ray that shows one."""
    zero = int(np.argmin(np.abs(along)))
    slack, need = (max(1, round(m / step)) for m in (params.edge_m, params.lit_m))
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
