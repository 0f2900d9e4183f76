"""The positions a hunter looks for, each with its measures and a reason in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import geopandas as gpd
from shapely.geometry.base import BaseGeometry

from sitegeo.core.grid import Grid, Raster, require_same_crs, require_same_grid
from sitegeo.core.steps import step
from sitegeo.shore.flats import FlatParams, find_open_flats
from sitegeo.shore.openings import (
    ClumpParams,
    OpeningParams,
    find_cover_clumps,
    find_timber_openings,
)
from sitegeo.shore.points_and_coves import HeadlandParams, find_points_and_coves
from sitegeo.shore.position import Position, positions_layer
from sitegeo.shore.tree_lines import TreeBelts, TreeLineParams, find_tree_lines, measure_tree_belts


@dataclass(frozen=True)
class PositionParams:
    """What counts as a position.

    Parameters
    ----------
    tree_lines, headlands, openings, clumps, flats
        What counts as a tree line, a point or a cove, a timber opening, a cover clump and an open
        flat.
    tip_m
        A tree line no longer than twice this, with its middle within this of a point's tip, is
        the cover of that point and no position of its own (judgement).
    """

    tree_lines: TreeLineParams = field(default_factory=TreeLineParams)
    headlands: HeadlandParams = field(default_factory=HeadlandParams)
    openings: OpeningParams = field(default_factory=OpeningParams)
    clumps: ClumpParams = field(default_factory=ClumpParams)
    flats: FlatParams = field(default_factory=FlatParams)
    tip_m: float = 50.0


@step("positions")
def positions(
    *,
    stations: gpd.GeoDataFrame,
    cover: Raster,
    canopy_height: Raster,
    water: gpd.GeoDataFrame,
    canopy_error: Raster | None = None,
    depth: Raster | None = None,
    imagery: Raster | None = None,
    params: PositionParams = PositionParams(),
) -> gpd.GeoDataFrame:
    """Return tree lines, points, coves, timber openings, cover clumps and open flats.

    Parameters
    ----------
    stations, water
        The layers of those names, in the CRS of `cover`.
    cover, canopy_height, canopy_error
        Rasters on one grid; heights and their error in metres.
    depth
        Depth of the water in metres; flats are known by it.
    imagery
        The photo; without `depth`, flats are where it shows paler water.
    params
        What counts as a position.

    Returns
    -------
    GeoDataFrame
        The `positions` layer. Tree lines are lines along the shore, points and coves lie at their
        tip or head, openings, clumps and flats are polygons. Bearings are true. `confidence` is 0
        to 1 and counts the photo's own confidence in its classes; `why` says what was seen.

    Raises
    ------
    RasterError, CrsError
        If layers lie on different grids or in different coordinate systems.

    Notes
    -----
    One piece of ground is one position: the bank of a timber opening is not also a tree line, a
    short tree line round the tip of a point belongs to the point, and of several tips or heads
    close together the most pronounced is kept.

    Examples
    --------
    >>> import numpy as np
    >>> from pyproj import CRS
    >>> from sitegeo.core.contracts import Cover
    >>> from sitegeo.core.grid import Grid, Raster
    >>> from sitegeo.shore.shoreline import shoreline
    >>> grid = Grid(CRS.from_epsg(32617), 500_000, 4_200_000, 2.0, (100, 100))
    >>> classes = np.full((100, 100), Cover.TREE, np.uint8)
    >>> classes[:, 50:] = Cover.WATER
    >>> seen = np.stack([classes, np.full_like(classes, 90)])
    >>> cover = Raster(seen, grid, None, ("class", "confidence"))
    >>> height = Raster(np.where(classes == Cover.TREE, 12.0, 0.0), grid)
    >>> water, land, stations = shoreline(cover=cover, canopy_height=height)
    >>> found = positions(stations=stations, cover=cover, canopy_height=height, water=water)
    >>> found[["id", "kind", "facing_deg", "canopy_height_m"]].round().values.tolist()
    [['T001', 'tree line', 90.0, 12.0]]
    """
    require_same_grid(cover, canopy_height)
    require_same_crs(cover.grid.crs, stations.crs, where="stations")
    require_same_crs(cover.grid.crs, water.crs, where="water")
    belts = measure_tree_belts(
        stations, cover, canopy_height, canopy_error=canopy_error, params=params.tree_lines
    )
    found = find_shore_positions(stations, belts, water, grid=cover.grid, params=params)
    found += find_inner_positions(
        water, cover, canopy_height, depth=depth, imagery=imagery, params=params
    )
    return positions_layer(found, cover.grid.crs)


def find_shore_positions(
    stations: gpd.GeoDataFrame,
    belts: TreeBelts,
    water: gpd.GeoDataFrame,
    *,
    grid: Grid,
    params: PositionParams = PositionParams(),
) -> list[Position]:
    """Return what the shores of whole waters show: tree lines, points, coves, timber openings.

    Needs no pixel: all that the photo has to say is in the stations and their belts.

    Parameters
    ----------
    stations, water
        The layers of those names.
    belts
        The trees behind the stations, row by row.
    grid
        A grid about the waters, for its convergence.
    params
        What counts as a position.

    Returns
    -------
    list[Position]
        In no order that matters.
    """
    owner = stations["shore_id"].astype(str).str.rsplit("-", n=1).str[0]
    # A ditch has bends, not points and coves; half its perimeter times its width is its area.
    wide = 2 * water.geometry.area / water.geometry.length >= params.headlands.min_water_width_m
    broad = stations[owner.isin(water["id"][wide])]
    headlands = list(find_points_and_coves(broad, params.headlands))
    openings = dict(find_timber_openings(stations, water, grid, params=params.openings))
    banks = ~owner.isin(list(openings)).to_numpy()
    lines = find_tree_lines(stations[banks], belts.select(banks), grid, params=params.tree_lines)
    tips = [p.geometry for p in headlands if p.kind == "point"]
    found = [*headlands, *openings.values()]
    return found + [line for line in lines if not _round_a_tip(line, tips, params.tip_m)]


def find_inner_positions(
    water: gpd.GeoDataFrame,
    cover: Raster,
    canopy_height: Raster,
    *,
    depth: Raster | None = None,
    imagery: Raster | None = None,
    params: PositionParams = PositionParams(),
) -> list[Position]:
    """Return what lies within the waters: cover clumps and open flats.

    Parameters
    ----------
    water
        The `water` layer.
    cover, canopy_height
        Rasters on one grid; height in metres.
    depth, imagery
        By which flats are known, as in `positions`.
    params
        What counts as a position.

    Returns
    -------
    list[Position]
        Polygons.
    """
    clumps = find_cover_clumps(water, cover, canopy_height, params=params.clumps)
    flats = find_open_flats(cover, depth=depth, imagery=imagery, params=params.flats)
    return [*clumps, *flats]


def _round_a_tip(line: Position, tips: Sequence[BaseGeometry], tip_m: float) -> bool:
    middle = line.geometry.interpolate(0.5, normalized=True)
    return line.geometry.length <= 2 * tip_m and any(middle.distance(t) <= tip_m for t in tips)
