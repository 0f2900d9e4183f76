"""The shores of a region: whole waters across tiles, and the positions their banks show.

Where a shore is cut, the stations along it begin anew, and with them tree lines and coves would
move. So shores are drawn and walked once for the whole region; tiles only look at the ground
about the stations in their core.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from sitegeo.core.grid import Grid
from sitegeo.core.typing import BoolArray, IntArray
from sitegeo.scan.plates import Plate, assemble_plates, plates_key, write_whole
from sitegeo.scan.region import Region, digest, read_shapes, step_params
from sitegeo.scan.tiling import Piece, anchor_points, widen, with_region_ids
from sitegeo.scan.vectors import layers_key
from sitegeo.shore.position import Position, positions_layer
from sitegeo.shore.positions import find_shore_positions
from sitegeo.shore.shoreline import (
    LAND_FRACTION_RADII_M,
    data_extent,
    describe_stations,
    place_stations,
    polygons_of,
    split_into_waters,
    trace_water,
    water_layer,
)
from sitegeo.shore.tree_lines import TreeBelts, measure_tree_belts
from sitegeo.surveys import pipeline

CONTOUR_PX = 12
"""Pixels about a plate on which its contour depends, and some."""

LOOK_AROUND_M = max(LAND_FRACTION_RADII_M) + 10.0
"""How far about a station anything is looked at."""

COMPETING_M = 150.0
"""Finds on waters this close are weighed against each other, as in one survey (judgement)."""

WHOLE_POSITION_M = 60.0
"""A tile keeps positions anchored this far within what it sees: a blind looks that far about
(judgement)."""

_BELT = "belt_"

WALKED_STEPS = ("shoreline", "positions")
"""Steps that must be ours for shores to be walked whole; another package's work tile by tile."""


def walks_whole_shores() -> bool:
    """Whether the installed steps let shores be walked over the whole region."""
    return all(
        pipeline.find_step(name).package == __name__.partition(".")[0] for name in WALKED_STEPS
    )


def trace_outline(plates: Sequence[Plate], core: Grid, region: Grid, folder: str) -> str:
    """Return the file of a plate's contour of water, drawn from what lies about it too.

    Parameters
    ----------
    plates
        Those that touch the core and `CONTOUR_PX` about it.
    core
        The plate.
    region
        Pixels of the whole region.
    folder
        Where outlines are kept.

    Returns
    -------
    str
        GeoParquet of two shapes: the water, and the ground on which there is data.
    """
    path = Path(folder) / f"{digest(plates_key(plates), core.bounds)}.parquet"
    if path.exists():
        return str(path)
    window = widen(core, CONTOUR_PX, region)
    cover = assemble_plates(plates, window)["cover"]
    known = data_extent(window, cover.valid).intersection(shapely.box(*core.bounds))
    params = step_params("shoreline")
    area = trace_water(cover, known, params) if cover.mask.any() else shapely.Polygon()
    with write_whole(path) as new:
        gpd.GeoDataFrame(geometry=[area, known], crs=core.crs).to_parquet(new)
    return str(path)


@dataclass(frozen=True)
class Shores:
    """Waters of a whole region and the stations along their shores.

    Parameters
    ----------
    water
        The `water` layer.
    walked
        Stations without what pixels tell, as `place_stations` gives them.
    extent
        Ground on which there is data.
    """

    water: gpd.GeoDataFrame
    walked: gpd.GeoDataFrame
    extent: BaseGeometry

    def in_core(self, tile: Piece) -> gpd.GeoDataFrame:
        """Return the walked stations that lie in a tile's core."""
        west, south, east, north = tile.core.bounds
        x, y = self.walked.geometry.x.to_numpy(), self.walked.geometry.y.to_numpy()
        inside = (x >= west) & (x < east) & (y > south) & (y <= north)
        return self.walked[inside].reset_index(drop=True)


def walk_shores(region: Region, outlines: Iterable[str]) -> Shores:
    """Return the shores of the whole region from the outlines of its plates."""
    held = [gpd.read_parquet(path).geometry.to_numpy() for path in outlines]
    area, extent = (_united([shapes[i] for shapes in held]) for i in (0, 1))
    mapped, _ = read_shapes(region, region.grid, ("water",))
    params, pixel_m = step_params("shoreline"), region.grid.pixel_m
    bodies = split_into_waters(area, params, pixel_m=pixel_m)
    sources = _sources(bodies, mapped.get("mapped_water"), params.shown_share)
    water = water_layer(bodies, sources, region.grid.crs)
    return Shores(water, place_stations(water, extent, params, pixel_m=pixel_m), extent)


def _sources(
    bodies: Sequence[Polygon], mapped: gpd.GeoDataFrame | None, shown_share: float
) -> list[str]:
    """Return which of the photo and the map show each water; what the map has, both may show."""
    if mapped is None or mapped.empty or not bodies:
        return ["photo"] * len(bodies)
    held = mapped.geometry.to_numpy()
    one, other = shapely.STRtree(held).query(bodies, predicate="intersects")
    shared = shapely.area(shapely.intersection(np.array(bodies, dtype=object)[one], held[other]))
    total = np.bincount(one, shared, minlength=len(bodies))
    return [
        "both" if t > shown_share * b.area else "photo" for t, b in zip(total, bodies, strict=True)
    ]


def _united(parts: Sequence[BaseGeometry]) -> BaseGeometry:
    # A union of one would turn its rings about, and simplifying starts where a ring does.
    filled = [p for p in parts if not p.is_empty]
    return filled[0] if len(filled) == 1 else shapely.union_all(filled)


def describe_shores(
    plates: Sequence[Plate], tile: Piece, walked: gpd.GeoDataFrame, folder: str
) -> str:
    """Return the file of a tile's stations with what lies about each, their belts of trees too.

    Parameters
    ----------
    plates
        Those that touch what the tile sees.
    tile
        Its core holds the stations.
    walked
        Stations as `place_stations` gives them.
    folder
        Where shores are kept.

    Returns
    -------
    str
        GeoParquet of the stations, the columns of their belts beside the layer's.
    """
    window = widen(tile.core, math.ceil(LOOK_AROUND_M / tile.core.pixel_m), tile.seen)
    key = digest(plates_key(plates), window.bounds, layers_key({"walked": walked}))
    path = Path(folder) / f"{tile.name}-{key}.parquet"
    if path.exists():
        return str(path)
    seen = assemble_plates(plates, window)
    cover, height = seen["cover"], seen["canopy_height"]
    stations = describe_stations(walked, cover, height, step_params("shoreline"))
    belts = measure_tree_belts(
        stations,
        cover,
        height,
        canopy_error=seen["canopy_error"],
        params=step_params("positions").tree_lines,
    )
    told = {_BELT + f.name: getattr(belts, f.name) for f in fields(belts)}
    with write_whole(path) as new:
        stations.assign(**told).to_parquet(new)
    return str(path)


@dataclass(frozen=True)
class Banks:
    """The region's waters, its stations, and the positions of its banks under their ids."""

    water: gpd.GeoDataFrame
    stations: gpd.GeoDataFrame
    positions: gpd.GeoDataFrame

    def near(self, window: Grid) -> dict[str, gpd.GeoDataFrame]:
        """Return what of them a tile sees, shores cut at the window's edge told apart."""
        west, south, east, north = window.bounds
        frame = shapely.box(west, south, east, north)
        inner = frame.buffer(-min(WHOLE_POSITION_M, (east - west) / 4, (north - south) / 4))
        water = self.water[self.water.intersects(frame)]
        parts = [_polygons(g) for g in shapely.intersection(water.geometry.to_numpy(), frame)]
        water = water.set_geometry(np.array(parts, dtype=object), crs=water.crs)
        x, y = self.stations.geometry.x, self.stations.geometry.y
        inside = (x >= west) & (x < east) & (y > south) & (y <= north)
        at = anchor_points(self.positions)
        whole_ones = shapely.contains_xy(inner, at[:, 0], at[:, 1])
        return {
            "water": water[~water.geometry.is_empty].reset_index(drop=True),
            "stations": _cut_apart(self.stations, inside.to_numpy()),
            "positions": self.positions[whole_ones].reset_index(drop=True),
        }


def find_banks(shores: Shores, looks: Sequence[str], region: Grid) -> Banks:
    """Return tree lines, points, coves and timber openings of the whole region.

    Parameters
    ----------
    shores
        Waters and stations of the region.
    looks
        Files of `describe_shores`, one a tile.
    region
        Pixels of the whole region.

    Returns
    -------
    Banks
        Stations in the order of their ids, positions under the region's ids.
    """
    told = [gpd.read_parquet(path) for path in looks]
    every = pd.concat([t for t in told if len(t)] or told[:1], ignore_index=True)
    every = every.sort_values("id", ignore_index=True)
    belt = {f.name: every.pop(_BELT + f.name).to_numpy() for f in fields(TreeBelts)}
    stations = gpd.GeoDataFrame(every, geometry="geometry", crs=region.crs)
    params = step_params("positions")
    groups = dict(zip(shores.water["id"], _neighbours(shores.water), strict=True))
    group = stations["shore_id"].str.rpartition("-")[0].map(groups).to_numpy()
    found: list[Position] = []
    for number in np.unique(group):
        rows = np.flatnonzero(group == number)
        bodies = shores.water[[groups[n] == number for n in shores.water["id"]]]
        belts = TreeBelts(**{name: values[rows] for name, values in belt.items()})
        some = stations.iloc[rows].reset_index(drop=True)
        found += find_shore_positions(
            some, belts, bodies, grid=_about(bodies, region), params=params
        )
    return Banks(shores.water, stations, with_region_ids(positions_layer(found, region.crs)))


def _neighbours(water: gpd.GeoDataFrame) -> IntArray:
    """Return a number for each water, the same for those so close that their finds compete."""
    shapes = water.geometry.to_numpy()
    if not len(shapes):
        return np.empty(0, np.int64)
    a, b = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=COMPETING_M)
    links = coo_array((np.ones(len(a)), (a, b)), shape=(len(shapes), len(shapes)))
    return np.asarray(connected_components(links, directed=False)[1], np.int64)


def _about(bodies: gpd.GeoDataFrame, region: Grid) -> Grid:
    """Return a grid about some waters: its convergence is their own."""
    west, south, east, north = bodies.total_bounds
    shape = (max(1, round(north - south)), max(1, round(east - west)))
    return Grid(region.crs, west, north, 1.0, shape)


def _polygons(shape: BaseGeometry) -> BaseGeometry:
    parts = polygons_of(shape)
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _cut_apart(stations: gpd.GeoDataFrame, inside: BoolArray) -> gpd.GeoDataFrame:
    """Return some of the stations; a shore that is seen in pieces becomes several shores."""
    chainage = stations["chainage_m"].to_numpy(float).copy()
    names = stations["shore_id"].to_numpy(object).copy()
    for name, found in stations.groupby("shore_id", sort=True).indices.items():
        rows = np.asarray(found, np.int64)
        seen = rows[inside[rows]]
        if len(seen) in (0, len(rows)):
            continue
        order = rows[np.argsort(chainage[rows], kind="stable")]
        step = float(np.diff(chainage[order]).mean())
        closed = chainage[order[0]] == 0
        run = np.cumsum(~inside[order])[inside[order]]
        ids = order[inside[order]]
        if closed and inside[order[0]] and inside[order[-1]]:
            # The piece across the start goes on where the ring ends.
            first = run == run[0]
            chainage[ids[first]] += step * len(order)
            run[first] = run[-1]
        numbers = np.unique(run, return_inverse=True)[1]
        names[ids] = [f"{name}.{n + 1}" for n in numbers]
    told = stations.assign(chainage_m=chainage, shore_id=names)[inside]
    return told.reset_index(drop=True)
