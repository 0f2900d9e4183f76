"""Candidate blinds: places on the positions where a person could hide, whatever the wind."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from string import ascii_lowercase

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import circular_mean_deg, unit_from_bearing
from sitegeo.grid import Raster
from sitegeo.law.ground import closed_of, ground_of, hunting_of
from sitegeo.layers import Cover
from sitegeo.placefile import Assume
from sitegeo.siting.around import Floats, disc, fan, sample, turned
from sitegeo.steps import step
from sitegeo.units import yd

POCKET_M = yd(17.0)
"""Pocket centre from the guns: 15 to 20 yd (common practice, no source)."""

RANGE_M = yd(35.0)
"""On a bank, decoys rarely lie beyond this (common practice, no source)."""

BANK_KINDS = ("tree line", "point", "cove", "chosen")
"""Kinds of position that a blind on the bank can be set on, and the person's own."""

# How well each class hides a person who sits in it; judgement.
_HIDES = {Cover.TREE: 1.0, Cover.LOW: 0.85, Cover.OPEN: 0.15, Cover.BUILT: 0.0}


@dataclass(frozen=True)
class CandidateParams:
    """How blinds are spaced and what rules one out; judgement throughout.

    Parameters
    ----------
    spacing_m
        Between blinds along a tree line.
    inland_m, deepest_m
        From the waterline to the hide, and how much farther in it may go to find cover.
    cover_radius_m
        Cover within this of the hide counts as hiding it.
    least_water
        Share of the half circle in front, within 35 yd, that must be water.
    position_error_m
        Error of public-land and closed-area edges where PLACE.toml is silent.
    """

    spacing_m: float = 75.0
    inland_m: float = 2.5
    deepest_m: float = 9.0
    cover_radius_m: float = 6.0
    least_water: float = 0.5
    position_error_m: float = 10.0


@step("candidates")
def candidates(
    *,
    positions: gpd.GeoDataFrame,
    stations: gpd.GeoDataFrame,
    cover: Raster,
    assume: Assume,
    depth: Raster | None = None,
    public_land: gpd.GeoDataFrame | None = None,
    closed_areas: gpd.GeoDataFrame | None = None,
    access: gpd.GeoDataFrame | None = None,
    params: CandidateParams = CandidateParams(),
) -> gpd.GeoDataFrame:
    """Blinds on banks and points: facing, cover, depth, way in, ground.

    Returns the `candidates` layer: one point a blind, ids made of the position's and a letter,
    `facing_deg` a true bearing, `rejected_by` the first hard reason against it or None. Depth and
    distance from access are NaN where their layer is missing.
    """
    found = _sites(positions, stations, cover, params)
    at = shapely.get_coordinates(found.geometry)
    facing_grid = np.asarray(cover.grid.to_grid_bearing(found["facing_deg"].to_numpy()))
    out = found.assign(
        hide=_hide(cover, at, params),
        overhead=_share(cover, at, disc(4.0, 1.0), Cover.TREE),
        open_water=_share(cover, at, turned(fan(RANGE_M, 90.0, 2.0), facing_grid), Cover.WATER),
        depth_m=_depth(depth, at, facing_grid),
        access_m=_access(access, at),
    )
    edge_m = assume.position_error_m.get("public_land", params.position_error_m)
    closed_m = assume.position_error_m.get("closed_areas", params.position_error_m)
    complete = assume.complete.get("public_land", False)
    points = gpd.GeoDataFrame(out[["id"]], geometry=out.geometry, crs=out.crs)
    out["ground"] = ground_of(points, public_land, error_m=edge_m, complete=complete).to_numpy()
    out["hunting"] = hunting_of(points, public_land, error_m=edge_m).to_numpy()
    closed = closed_of(points, closed_areas, error_m=closed_m).to_numpy()
    on_land = _class_at(cover, at) != Cover.WATER
    out["rejected_by"] = [
        _against(row, bool(dry), reason, params)
        for row, dry, reason in zip(out.itertuples(), on_land, closed, strict=True)
    ]
    return out.sort_values("id", ignore_index=True)


def _sites(
    positions: gpd.GeoDataFrame, stations: gpd.GeoDataFrame, cover: Raster, params: CandidateParams
) -> gpd.GeoDataFrame:
    """Return id, position, kind, facing and point of every blind."""
    shore = shapely.get_coordinates(stations.geometry)
    tree = cKDTree(shore)
    facings = stations["facing_deg"].to_numpy(float)
    shore_ids = stations["shore_id"].to_numpy()
    rows = []
    bank = positions[positions["kind"].isin(BANK_KINDS)]
    columns = (bank["id"], bank["kind"], bank["facing_deg"].to_numpy(float), bank.geometry)
    for position_id, kind, given, shape in zip(*columns, strict=True):
        for index, spot in enumerate(_spots(shape, params.spacing_m)):
            nearest = int(tree.query(spot)[1])
            near = np.array(tree.query_ball_point(shore[nearest], 15.0))
            near = near[shore_ids[near] == shore_ids[nearest]]
            along_bank = kind == "tree line" or not np.isfinite(given)
            facing = circular_mean_deg(facings[near]) if along_bank else float(given)
            hide = spot if kind == "chosen" else _set_back(cover, shore[nearest], facing, params)
            name = position_id if kind == "chosen" else f"{position_id}{_letters(index)}"
            rows.append((name, position_id, kind, facing, shapely.Point(hide)))
    frame = pd.DataFrame(rows, columns=["id", "position_id", "kind", "facing_deg", "geometry"])
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=positions.crs)


def _set_back(cover: Raster, bank: Floats, facing_deg: float, params: CandidateParams) -> Floats:
    """Return the first spot in trees or low cover straight in from the bank, or its edge."""
    east, north = unit_from_bearing(cover.grid.to_grid_bearing(facing_deg))
    inland = np.arange(params.inland_m, params.deepest_m + 0.5, 1.0)
    spots = bank - inland[:, None] * np.array([east, north])
    covered = np.isin(_class_at(cover, spots), (Cover.TREE, Cover.LOW))
    return np.asarray(spots[covered.argmax()], float)


def _letters(index: int) -> str:
    """Return a, b, … z, za, zb, …, which sort in that order."""
    return "z" * (index // 25) + ascii_lowercase[index % 25]


def _spots(shape: BaseGeometry, spacing_m: float) -> Iterator[Floats]:
    """Yield the points of a position at which a blind is tried."""
    if shape.geom_type in {"LineString", "MultiLineString"}:
        count = max(1, round(shape.length / spacing_m))
        for fraction in (np.arange(count) + 0.5) / count:
            yield shapely.get_coordinates(shape.interpolate(fraction, normalized=True))[0]
    else:
        yield shapely.get_coordinates(shapely.point_on_surface(shape))[0]


def _class_at(cover: Raster, at: Floats) -> Floats:
    classes: Floats = cover.sample(at[:, 0], at[:, 1], fill=0.0)[cover.bands.index("class")]
    return classes


def _share(cover: Raster, at: Floats, offsets: Floats, wanted: Cover) -> Floats:
    classes = sample(cover, at, offsets)[cover.bands.index("class")]
    return np.asarray((classes == wanted).mean(axis=1), float)


def _hide(cover: Raster, at: Floats, params: CandidateParams) -> Floats:
    """Return how well the ground around each blind hides a person, water left out."""
    classes = sample(cover, at, disc(params.cover_radius_m, 1.0))[cover.bands.index("class")]
    worth = np.zeros_like(classes)
    for code, value in _HIDES.items():
        worth[classes == code] = value
    land = (classes != Cover.WATER) & (classes != Cover.NONE) & np.isfinite(classes)
    return np.asarray((worth * land).sum(axis=1) / np.maximum(land.sum(axis=1), 1), float)


def _depth(depth: Raster | None, at: Floats, facing_grid: Floats) -> Floats:
    if depth is None:
        return np.full(len(at), np.nan)
    pocket = turned(disc(5.0, 1.0) + [0.0, POCKET_M], facing_grid)
    depths = np.where(np.isfinite(d := sample(depth, at, pocket)), d, np.nan)
    held = np.isfinite(depths)
    total = np.where(held, depths, 0.0).sum(axis=1)
    count = held.sum(axis=1)
    return np.where(count > 0, np.maximum(total, 0) / np.maximum(count, 1), np.nan)


def _access(access: gpd.GeoDataFrame | None, at: Floats) -> Floats:
    if access is None or access.empty:
        return np.full(len(at), np.nan)
    distance, _ = cKDTree(shapely.get_coordinates(access.geometry)).query(at)
    return np.asarray(distance, float)


def _against(row: object, dry: bool, closed: str | None, params: CandidateParams) -> str | None:
    """Return the first hard reason against a blind."""
    ground, hunting = row.ground, row.hunting  # type: ignore[attr-defined]
    water: float = row.open_water  # type: ignore[attr-defined]
    reasons = (
        (not dry, "no ground to stand on"),
        (water < params.least_water, f"only {water:.0%} of the water in front is open"),
        (ground == "private", "outside the public land of the map"),
        (hunting == "closed", "public land that is closed to hunting"),
        (closed is not None, f"closed area: {closed}"),
    )
    return next((words for applies, words in reasons if applies), None)
