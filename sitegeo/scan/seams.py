"""Positions on a seam, found once; ids that hold over the whole region.

A position belongs to the tile whose core holds its anchor. Two tiles see a position near their
seam a little differently, so that each reports those within `SEAM_M` of its core, and `keep`
settles which of two sightings stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from mgrs import MGRS
from numpy.typing import NDArray
from pyproj import Transformer
from scipy.spatial import cKDTree

from sitegeo.grid import WGS84
from sitegeo.layers import POSITION_KINDS
from sitegeo.scan.tiling import Piece

Floats = NDArray[np.float64]

SEAM_M = 40.0
"""Positions anchored this close outside a core are reported too; sightings of one position by two
tiles lie closer together than this. Positions of one kind on one bank lie farther apart, except
small clumps, which every tile sees alike."""


def anchors(positions: gpd.GeoDataFrame) -> Floats:
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
    at = anchors(positions)
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


def under_region_ids(positions: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return positions under the region's ids, in their order."""
    moved = positions.assign(id=positions["id"].map(region_ids(positions)))
    return moved.sort_values("id", ignore_index=True)


def renamed(
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
    return under_region_ids(positions), blinds.sort_values("id", ignore_index=True)


def reported(positions: gpd.GeoDataFrame, tile: Piece) -> pd.DataFrame:
    """Return the positions a tile reports: `id`, `kind`, anchor `x`, `y`, and whether it `owns`."""
    at = anchors(positions)
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


def keep(found: pd.DataFrame) -> NDArray[np.bool_]:
    """Return which sightings stand: each position once.

    Parameters
    ----------
    found
        Rows of `reported` of all tiles.

    A tile's own position stands, unless another tile owns a sighting of it too: then the first
    tile's does. One that every tile places outside its own core stands for the first that saw it.
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


def _sightings(at: Floats, tiles: NDArray[Any]) -> Sequence[tuple[int, int]]:
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


def _nearest(tree: cKDTree, at: Floats, tiles: NDArray[Any], row: int, tile: str) -> float:
    others = [n for n in tree.query_ball_point(at[row], SEAM_M) if tiles[n] == tile]
    return min((float(np.hypot(*(at[n] - at[row]))) for n in others), default=np.inf)
