"""The positions a hunter looks for, each with its measures and a reason in plain words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import geopandas as gpd
from shapely.geometry.base import BaseGeometry

from sitegeo.core.grid import Grid, Raster, require_same_crs, require_same_grid
from sitegeo.core.steps import step
from sitegeo.shore.flats import FlatParams, find_open_flats
from sitegeo.shore.openings import find_cover_clumps, find_timber_openings
from sitegeo.shore.points_and_coves import HeadlandParams, find_points_and_coves
from sitegeo.shore.position import Position, positions_layer
from sitegeo.shore.tree_lines import TreeBelts, find_tree_lines, measure_tree_belts


@dataclass(frozen=True)
class PositionParams:
    """What counts as a position.

    Parameters
    ----------
    bank_m
        Depth of bank in which trees are counted; `tree_share` of it must be trees.
    belt_m
        How far behind the shore the tree belt's depth is followed.
    gap_m
        Shorter gaps do not break a run of bank.
    min_run_m, max_run_m, max_turn_deg
        Runs of bank are at least, and cut to, this length; and cut where the facing swings more.
    headlands
        What counts as a point or a cove.
    opening_tree_share, opening_width_m, opening_area_m2
        A timber opening's share of tree edge, least inscribed width and largest area.
    clump_area_m2
        Smallest and largest cover clump; half of it must be plants.
    front_m
        A tree line has at least this much water in front: room for birds to come in.
    tip_m
        A tree line no longer than twice this, with its middle within this of a point's tip, is
        the cover of that point and not a find of its own.
    flats
        What counts as an open flat.
    """

    bank_m: float = 15.0
    tree_share: float = 0.5
    belt_m: float = 90.0
    gap_m: float = 20.0
    min_run_m: float = 30.0
    max_run_m: float = 250.0
    max_turn_deg: float = 60.0
    headlands: HeadlandParams = field(default_factory=HeadlandParams)
    opening_tree_share: float = 0.8
    opening_width_m: float = 8.0
    opening_area_m2: float = 10_000.0
    clump_area_m2: tuple[float, float] = (25.0, 5_000.0)
    front_m: float = 20.0
    tip_m: float = 50.0
    flats: FlatParams = field(default_factory=FlatParams)


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

    Tree lines are lines along the shore, points and coves lie at their tip or head, openings,
    clumps and flats are polygons. Bearings are true. `confidence` is 0 to 1 and counts the
    photo's own confidence in the classes behind a find; `why` says what was seen. Flats need
    `depth`; without it, `imagery` shows only where the water is paler.

    One piece of ground is one find: the bank of a timber opening is not also a tree line, a short
    tree line round the tip of a point belongs to the point, and of several tips or heads close
    together the most pronounced is kept.
    """
    require_same_grid(cover, canopy_height)
    require_same_crs(cover.grid.crs, stations.crs, where="stations")
    require_same_crs(cover.grid.crs, water.crs, where="water")
    belts = belts_of(stations, cover, canopy_height, canopy_error, params)
    finds = find_shore_positions(stations, belts, water, cover.grid, params)
    finds += find_inner_positions(
        water, cover, canopy_height, depth=depth, imagery=imagery, params=params
    )
    return positions_layer(finds, cover.grid.crs)


def belts_of(
    stations: gpd.GeoDataFrame,
    cover: Raster,
    canopy_height: Raster,
    canopy_error: Raster | None,
    params: PositionParams,
) -> TreeBelts:
    """Return the trees behind each station."""
    return measure_tree_belts(
        stations,
        cover,
        canopy_height,
        canopy_error,
        bank_m=params.bank_m,
        belt_m=params.belt_m,
        front_m=params.front_m,
    )


def find_shore_positions(
    stations: gpd.GeoDataFrame,
    belts: TreeBelts,
    water: gpd.GeoDataFrame,
    grid: Grid,
    params: PositionParams,
) -> list[Position]:
    """Return what the shores of whole waters show: tree lines, points, coves, timber openings.

    Asks for no pixel: all that the photo has to say is in the stations and their belts.
    """
    owner = stations["shore_id"].astype(str).str.rsplit("-", n=1).str[0]
    # A ditch has bends, not points and coves; half its perimeter times its width is its area.
    wide = 2 * water.geometry.area / water.geometry.length >= params.headlands.min_water_width_m
    headlands = list(
        find_points_and_coves(stations[owner.isin(water["id"][wide])], params.headlands)
    )
    openings = dict(
        find_timber_openings(
            stations,
            water,
            grid,
            min_tree_share=params.opening_tree_share,
            min_width_m=params.opening_width_m,
            max_area_m2=params.opening_area_m2,
        )
    )
    banks = ~owner.isin(list(openings)).to_numpy()
    lines = find_tree_lines(
        stations[banks],
        belts.of(banks),
        grid,
        bank_m=params.bank_m,
        min_share=params.tree_share,
        gap_m=params.gap_m,
        min_length_m=params.min_run_m,
        max_length_m=params.max_run_m,
        max_turn_deg=params.max_turn_deg,
    )
    tips = [f.geometry for f in headlands if f.kind == "point"]
    found = [*headlands, *openings.values()]
    return found + [f for f in lines if not _round_a_tip(f, tips, params.tip_m)]


def find_inner_positions(
    water: gpd.GeoDataFrame,
    cover: Raster,
    canopy_height: Raster,
    *,
    depth: Raster | None,
    imagery: Raster | None,
    params: PositionParams,
) -> list[Position]:
    """Return what lies within the waters: cover clumps and open flats."""
    clumps = find_cover_clumps(
        water,
        cover,
        canopy_height,
        min_area_m2=params.clump_area_m2[0],
        max_area_m2=params.clump_area_m2[1],
        min_plant_share=0.5,
    )
    return [*clumps, *find_open_flats(cover, depth=depth, imagery=imagery, params=params.flats)]


def _round_a_tip(line: Position, tips: Sequence[BaseGeometry], tip_m: float) -> bool:
    middle = line.geometry.interpolate(0.5, normalized=True)
    return line.geometry.length <= 2 * tip_m and any(middle.distance(t) <= tip_m for t in tips)
