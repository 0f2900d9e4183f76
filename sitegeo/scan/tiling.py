"""Cutting a region into plates and tiles, and telling a position seen by two tiles from two.

A *plate* is a fixed square in which the classes of the photo are told apart; thresholds come from
the plate, so its size and place never depend on the tiles. A *tile* is what one task surveys: a
core, which owns the positions anchored in it, and a halo, which it only looks at.

Tiles that share an edge both see the positions about it. An id therefore says where a position
is, whichever tile found it, and of several *sightings* of one position one is chosen.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from mgrs import MGRS
from pyproj import Transformer
from scipy.spatial import cKDTree

from sitegeo.core.contracts import POSITION_KINDS
from sitegeo.core.grid import WGS84, Grid
from sitegeo.core.typing import AnyArray, BoolArray, Bounds, FloatArray
from sitegeo.errors import UsageError
from sitegeo.scan.rasters import subgrid

PLATE_PX = 2000
"""Side of a plate in pixels: room for whole waters, at a worker's cost of 1 GB (judgement)."""

PLATE_MARGIN_PX = 200
"""How far beyond its core a plate looks, so that most waters are judged whole (judgement)."""

LARGEST_PX = 4000
"""Largest side of a tile taken unasked (judgement)."""

LEAST_TILE_M = 200.0
"""Least side of a tile: positions are that large (judgement)."""

SURVEY_BYTES = 190.0
"""Peak memory of surveying and ranking, per pixel of core and halo: measured, see docs/scale.md."""

FIXED_BYTES = 420e6
"""Memory of a worker before it has read a pixel: measured."""

SEAM_M = 40.0
"""Positions anchored this close outside a core are reported too (judgement); sightings of one
position by two tiles lie closer together than this. Positions of one kind on one bank lie farther
apart, except small clumps, which every tile sees alike."""


@dataclass(frozen=True)
class Piece:
    """A square of the region: its name, its core, and the core with what is seen about it."""

    name: str
    core: Grid
    seen: Grid

    def owns(self, x: float, y: float) -> bool:
        """Whether a point lies in the core; a point on a shared edge is in one core alone."""
        west, south, east, north = self.core.bounds
        return west <= x < east and south < y <= north


def region_grid(crs: object, pixel_m: float, bounds: Bounds, corner: tuple[float, float]) -> Grid:
    """Return the region's grid: pixels in step with a corner, covering the bounds.

    Parameters
    ----------
    crs
        Projected, in metres.
    pixel_m
        Side of a pixel.
    bounds
        West, south, east, north.
    corner
        A corner of a pixel, in the region's CRS: of the first photo, so that photos in its CRS
        are never resampled.

    Returns
    -------
    Grid
        Of at least one pixel.

    Examples
    --------
    >>> from pyproj import CRS
    >>> grid = region_grid(CRS(32615), 2.0, (0.0, 0.0, 9.0, 5.0), (0.0, 0.0))
    >>> grid.bounds, grid.shape
    ((0.0, 0.0, 10.0, 6.0), (3, 5))
    """
    west, south, east, north = bounds
    tiny = 1e-6
    left = math.floor((west - corner[0]) / pixel_m + tiny)
    right = math.ceil((east - corner[0]) / pixel_m - tiny)
    top = math.floor((corner[1] - north) / pixel_m + tiny)
    foot = math.ceil((corner[1] - south) / pixel_m - tiny)
    start = (corner[0] + left * pixel_m, corner[1] - top * pixel_m)
    return Grid(crs, *start, pixel_m, (max(1, foot - top), max(1, right - left)))  # type: ignore[arg-type]


def fit_tile_size_m(
    given_m: float | None, *, pixel_m: float, halo_m: float, memory_bytes: float
) -> float:
    """Return the side of a tile that a worker's memory allows.

    Parameters
    ----------
    given_m
        Side asked for; by default the largest that fits, up to `LARGEST_PX`.
    pixel_m
        Side of a pixel.
    halo_m
        How far beyond its core a tile looks.
    memory_bytes
        Of the smallest worker.

    Returns
    -------
    float
        Side of a core in metres.

    Raises
    ------
    UsageError
        If the memory is too small for the side asked for, or for any tile or plate at all.

    Examples
    --------
    >>> fit_tile_size_m(None, pixel_m=1.0, halo_m=600.0, memory_bytes=4e9) // 1
    3140.0
    """
    pixels = max(0.0, memory_bytes - FIXED_BYTES) / SURVEY_BYTES
    most_m = math.sqrt(pixels) * pixel_m - 2 * halo_m
    plate_px = PLATE_PX + 2 * PLATE_MARGIN_PX
    wanted = given_m if given_m is not None else LEAST_TILE_M
    if most_m < wanted or pixels < plate_px**2:
        side = max(wanted + 2 * halo_m, plate_px * pixel_m) / pixel_m
        need = (FIXED_BYTES + SURVEY_BYTES * side**2) / 1e9
        raise UsageError(
            f"a worker has {memory_bytes / 1e9:.1f} GB, and a tile of this size needs "
            f"about {need:.1f} GB",
            remedy="Give --memory more, use fewer --workers, or make [tiles] size_m smaller"
            if pixels >= plate_px**2
            else "Give --memory more, or use fewer --workers",
        )
    return given_m if given_m is not None else min(most_m, LARGEST_PX * pixel_m)


def cut_plates(region: Grid) -> list[Piece]:
    """Return the plates of a region, row by row."""
    return list(_pieces(region, PLATE_PX, PLATE_MARGIN_PX, "plate"))


def cut_tiles(region: Grid, *, size_m: float, halo_m: float) -> list[Piece]:
    """Return the tiles of a region, row by row; those at its far edges may be smaller.

    Parameters
    ----------
    region
        Pixels of the whole region.
    size_m
        Side of a core.
    halo_m
        How far beyond its core a tile looks, as far as the region goes.

    Returns
    -------
    list of Piece
        Their cores fill the region and do not overlap.

    Examples
    --------
    >>> from pyproj import CRS
    >>> region = Grid(CRS(32615), 0.0, 0.0, 2.0, (300, 500))
    >>> [(t.name, t.core.shape, t.seen.shape) for t in cut_tiles(region, size_m=600, halo_m=100)]
    [('tile-r000c000', (300, 300), (300, 350)), ('tile-r000c001', (300, 200), (300, 250))]
    """
    side = max(1, round(size_m / region.pixel_m))
    return list(_pieces(region, side, math.ceil(halo_m / region.pixel_m), "tile"))


def _pieces(region: Grid, side: int, margin: int, word: str) -> Iterator[Piece]:
    rows, columns = region.shape
    for i, top in enumerate(range(0, rows, side)):
        for j, left in enumerate(range(0, columns, side)):
            shape = (min(side, rows - top), min(side, columns - left))
            core = subgrid(region, top, left, shape)
            yield Piece(f"{word}-r{i:03d}c{j:03d}", core, widen(core, margin, region))


def widen(core: Grid, margin: int, region: Grid) -> Grid:
    """Return a grid with more pixels on each side, as far as the region goes.

    Parameters
    ----------
    core
        Part of the region.
    margin
        Pixels added on each side.
    region
        Pixels of the whole region.

    Returns
    -------
    Grid
        In step with both.
    """
    top = round((region.north - core.north) / core.pixel_m)
    left = round((core.west - region.west) / core.pixel_m)
    above, before = min(margin, top), min(margin, left)
    below = min(margin, region.shape[0] - top - core.shape[0])
    after = min(margin, region.shape[1] - left - core.shape[1])
    shape = (core.shape[0] + above + below, core.shape[1] + before + after)
    return subgrid(core, -above, -before, shape)


def overlap(a: Grid, b: Grid) -> tuple[tuple[slice, slice], tuple[slice, slice]] | None:
    """Return the rows and columns that two grids in step share, in the one and in the other."""
    down = round((a.north - b.north) / a.pixel_m)
    along = round((b.west - a.west) / a.pixel_m)
    top, left = max(0, down), max(0, along)
    foot = min(a.shape[0], down + b.shape[0])
    right = min(a.shape[1], along + b.shape[1])
    if foot <= top or right <= left:
        return None
    return (
        (slice(top, foot), slice(left, right)),
        (slice(top - down, foot - down), slice(left - along, right - along)),
    )


def anchor_points(positions: gpd.GeoDataFrame) -> FloatArray:
    """Return the anchor of each position: a line's middle, an area's centroid."""
    shapes = positions.geometry.to_numpy()
    points = shapely.centroid(shapes)
    lines = positions.geometry.geom_type.isin(["LineString", "MultiLineString"]).to_numpy()
    middles = [g.interpolate(0.5, normalized=True) for g in shapes[lines]]
    points[lines] = np.array(middles, dtype=object)
    return shapely.get_coordinates(points).reshape(-1, 2)


def region_ids(positions: gpd.GeoDataFrame) -> dict[str, str]:
    """Return an id for each position by the one it has: its kind's letter and its grid reference.

    The reference is the anchor's on the US National Grid to 10 m without the zone, so that an id
    says where it is and stays whatever is found elsewhere. A second position of a kind in the
    same 10 m gets a number after it.
    """
    at = anchor_points(positions)
    lon, lat = Transformer.from_crs(positions.crs, WGS84, always_xy=True).transform(
        at[:, 0], at[:, 1]
    )
    grid, taken = MGRS(), dict[str, int]()
    named: dict[str, str] = {}
    for old, kind, y, x in zip(positions["id"], positions["kind"], lat, lon, strict=True):
        reference = grid.toMGRS(float(y), float(x), MGRSPrecision=4)[-10:]
        stem = f"{POSITION_KINDS[kind]}-{reference}"
        taken[stem] = taken.get(stem, 0) + 1
        named[str(old)] = stem if taken[stem] == 1 else f"{stem}.{taken[stem]}"
    return named


def with_region_ids(positions: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return positions under the region's ids, in their order."""
    moved = positions.assign(id=positions["id"].map(region_ids(positions)))
    return moved.sort_values("id", ignore_index=True)


def rename_blinds(
    positions: gpd.GeoDataFrame, candidates: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Return positions and their blinds under the region's ids, in the order of the ids."""
    names = region_ids(positions)
    letters = [
        blind[len(stem) :]
        for blind, stem in zip(candidates["id"], candidates["position_id"], strict=True)
    ]
    stems = candidates["position_id"].map(names)
    blinds = candidates.assign(id=stems + pd.Series(letters, dtype=object), position_id=stems)
    return with_region_ids(positions), blinds.sort_values("id", ignore_index=True)


def report_sightings(positions: gpd.GeoDataFrame, tile: Piece) -> pd.DataFrame:
    """Return the positions a tile reports: `id`, `kind`, anchor `x`, `y`, and whether it `owns`."""
    at = anchor_points(positions)
    west, south, east, north = tile.core.bounds
    near = (
        (at[:, 0] >= west - SEAM_M)
        & (at[:, 0] < east + SEAM_M)
        & (at[:, 1] > south - SEAM_M)
        & (at[:, 1] <= north + SEAM_M)
    )
    owns = [tile.owns(x, y) for x, y in at]
    table = pd.DataFrame(
        {
            "id": positions["id"].to_numpy(),
            "kind": positions["kind"].to_numpy(),
            "x": at[:, 0],
            "y": at[:, 1],
            "owns": np.array(owns, bool),
            "tile": tile.name,
        }
    )
    return table[near].reset_index(drop=True)


def choose_sightings(found: pd.DataFrame) -> BoolArray:
    """Return which sightings are kept, so that each position is kept once.

    A tile's own position is kept, unless another tile owns a sighting of it too: then the first
    tile's is. One that every tile places outside its own core is kept for the first that saw it.

    Parameters
    ----------
    found
        Rows of `report_sightings` of all tiles.
    """
    stands = found["owns"].to_numpy(bool).copy()
    tiles = found["tile"].to_numpy()
    order = np.lexsort((found["id"].to_numpy(), tiles))
    rank = np.empty(len(found), int)
    rank[order] = np.arange(len(found))
    for _, rows in sorted(found.groupby("kind").indices.items()):
        at = found[["x", "y"]].to_numpy(float)[rows]
        partners: dict[int, list[int]] = {}
        for i, j in _sightings(at, tiles[rows]):
            a, b = sorted((int(rows[i]), int(rows[j])), key=lambda n: int(rank[n]))
            partners.setdefault(a, []).append(b)
            partners.setdefault(b, []).append(a)
            if stands[a] and stands[b]:
                stands[b] = False
        owns = found["owns"].to_numpy(bool)
        for row in sorted(partners, key=lambda n: int(rank[n])):
            if not any(owns[n] or stands[n] for n in (row, *partners[row])):
                stands[row] = True
    return stands


def _sightings(at: FloatArray, tiles: AnyArray) -> Sequence[tuple[int, int]]:
    """Return pairs of rows of different tiles that are one position: each other's nearest."""
    if len(at) < 2:
        return []
    tree = cKDTree(at)
    pairs = []
    for i, j in sorted(tree.query_pairs(SEAM_M)):
        if tiles[i] == tiles[j]:
            continue
        apart = float(np.hypot(*(at[i] - at[j])))
        if all(apart <= _nearest(tree, at, tiles, a, tiles[b]) + 1e-9 for a, b in ((i, j), (j, i))):
            pairs.append((int(i), int(j)))
    return pairs


def _nearest(tree: cKDTree, at: FloatArray, tiles: AnyArray, row: int, tile: str) -> float:
    others = [n for n in tree.query_ball_point(at[row], SEAM_M) if tiles[n] == tile]
    return min((float(np.hypot(*(at[n] - at[row]))) for n in others), default=np.inf)
