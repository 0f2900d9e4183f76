"""Candidate blinds: places on the positions where a person could hide, whatever the wind."""

from __future__ import annotations

from dataclasses import dataclass, field
from string import ascii_lowercase
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sitegeo.grid import Raster
from sitegeo.law.ground import closed_of, ground_of, hunting_of
from sitegeo.law.position import PositionErrors
from sitegeo.layers import Cover
from sitegeo.placefile import Assume
from sitegeo.siting.around import Floats, disc, fan, sample, turned
from sitegeo.siting.spots import Shore, SpotParams, spots_on
from sitegeo.siting.way import by_boat, minutes_in, on_foot, terrain
from sitegeo.steps import step
from sitegeo.units import depth_text, yd

POCKET_M = yd(17.0)
"""Pocket centre from the guns: 15 to 20 yd (common practice, no source)."""

RANGE_M = yd(35.0)
"""On a bank, decoys rarely lie beyond this (common practice, no source)."""

SETTING_M = yd(30.0)
"""Most decoys are set within this, by wading where the water lets one; judgement."""


# How well each class hides a person who sits in it; judgement.
_HIDES = {Cover.TREE: 1.0, Cover.LOW: 0.85, Cover.OPEN: 0.15, Cover.BUILT: 0.0}


@dataclass(frozen=True)
class CandidateParams:
    """How blinds are spaced and what rules one out; judgement throughout.

    Parameters
    ----------
    spots
        Where on a position blinds are tried.
    cover_radius_m
        Cover within this of the hide counts as hiding it.
    least_water
        Share of the half circle in front, within 35 yd, that must be water; in a timber opening
        of the water meant for landing.
    wade_m
        Deepest water a person stands in, in a clump or among flooded trees, and wades on the way,
        where the place does not say.
    """

    spots: SpotParams = field(default_factory=SpotParams)
    cover_radius_m: float = 6.0
    least_water: float = 0.5
    wade_m: float = 0.75


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
    wade_m: float | None = None,
    params: CandidateParams = CandidateParams(),
) -> gpd.GeoDataFrame:
    """Blinds on banks and points: facing, cover, depth, way in, ground.

    Returns the `candidates` layer: one point a blind, ids made of the position's and a letter,
    `facing_deg` a true bearing, `rejected_by` the first hard reason against it or None. Depth and
    distance from access are NaN where their layer is missing; `walk_m`, `wading_m` and `paddle_m`
    are of the ways that `siting.way` finds, NaN where there is none.
    """
    found = _sites(positions, stations, cover, params.spots)
    return judged(
        found,
        cover=cover,
        assume=assume,
        depth=depth,
        public_land=public_land,
        closed_areas=closed_areas,
        access=access,
        wade_m=wade_m,
        params=params,
    )


def judged(
    sites: gpd.GeoDataFrame,
    *,
    cover: Raster,
    assume: Assume,
    depth: Raster | None = None,
    public_land: gpd.GeoDataFrame | None = None,
    closed_areas: gpd.GeoDataFrame | None = None,
    access: gpd.GeoDataFrame | None = None,
    wade_m: float | None = None,
    params: CandidateParams = CandidateParams(),
) -> gpd.GeoDataFrame:
    """Return the `candidates` layer of sites: points with id, position, kind and facing."""
    found, wade = sites, params.wade_m if wade_m is None else wade_m
    at = shapely.get_coordinates(found.geometry)
    facing_grid = np.asarray(cover.grid.to_grid_bearing(found["facing_deg"].to_numpy()))
    out = found.assign(
        hide=_hide(cover, at, params, alone=(found["kind"] == "cover clump").to_numpy()),
        overhead=_share(cover, at, disc(4.0, 1.0), Cover.TREE),
        open_water=_open_water(cover, at, facing_grid, kinds=found["kind"].to_numpy()),
        depth_m=_depth(depth, at, facing_grid),
        setting_m=_setting(depth, at, facing_grid),
        stand_m=np.full(len(at), np.nan) if depth is None else depth.sample(at[:, 0], at[:, 1]),
        access_m=_access(access, at),
        **_ways(cover, depth, access, at, wade_m=wade),
    )
    errors = PositionErrors.from_layers(assume.position_error_m)
    edge_m, closed_m = errors.total_m("public_land"), errors.total_m("closed_areas")
    complete = assume.complete.get("public_land") is True
    points = gpd.GeoDataFrame(out[["id"]], geometry=out.geometry, crs=out.crs)
    out["ground"] = ground_of(points, public_land, error_m=edge_m, complete=complete).to_numpy()
    out["hunting"] = hunting_of(points, public_land, error_m=edge_m).to_numpy()
    # Areas closed on some days are left to the ranking, which knows the day.
    closed = closed_of(points, closed_areas, error_m=closed_m, dated=False).to_numpy()
    on_land = _class_at(cover, at) != Cover.WATER
    out["rejected_by"] = [
        _against(row, bool(dry), reason, params, wade)
        for row, dry, reason in zip(out.itertuples(), on_land, closed, strict=True)
    ]
    return out.sort_values("id", ignore_index=True)


def _sites(
    positions: gpd.GeoDataFrame, stations: gpd.GeoDataFrame, cover: Raster, params: SpotParams
) -> gpd.GeoDataFrame:
    """Return id, position, kind, facing and point of every blind."""
    shore = Shore.of(stations, cover)
    rows = []
    columns = ("id", "kind", "facing_deg", "geometry")
    for position_id, kind, given, shape in zip(*(positions[c] for c in columns), strict=True):
        for index, (facing, at) in enumerate(spots_on(kind, shape, float(given), shore, params)):
            name = position_id if kind == "chosen" else f"{position_id}{_letters(index)}"
            rows.append((name, position_id, kind, facing, shapely.Point(at)))
    frame = pd.DataFrame(rows, columns=["id", "position_id", "kind", "facing_deg", "geometry"])
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=positions.crs)


def _letters(index: int) -> str:
    """Return a, b, … z, za, zb, …, which sort in that order."""
    return "z" * (index // 25) + ascii_lowercase[index % 25]


def _class_at(cover: Raster, at: Floats) -> Floats:
    classes: Floats = cover.sample(at[:, 0], at[:, 1], fill=0.0)[cover.bands.index("class")]
    return classes


def _share(cover: Raster, at: Floats, offsets: Floats, wanted: Cover) -> Floats:
    classes = sample(cover, at, offsets)[cover.bands.index("class")]
    return np.asarray((classes == wanted).mean(axis=1), float)


def _open_water(cover: Raster, at: Floats, facing_grid: Floats, *, kinds: NDArray[Any]) -> Floats:
    """Return the share of water in front; in a timber opening, of the water meant for landing."""
    wide = _share(cover, at, turned(fan(RANGE_M, 90.0, 2.0), facing_grid), Cover.WATER)
    small = _share(cover, at, turned(disc(5.0, 1.0) + [0.0, POCKET_M], facing_grid), Cover.WATER)
    return np.where(kinds == "timber opening", small, wide)


def _hide(
    cover: Raster, at: Floats, params: CandidateParams, *, alone: NDArray[np.bool_]
) -> Floats:
    """Return how well the ground around each blind hides a person, water left out.

    Cover that stands alone in water is seen from all sides, so there the water counts half.
    """
    classes = sample(cover, at, disc(params.cover_radius_m, 1.0))[cover.bands.index("class")]
    worth = np.zeros_like(classes)
    for code, value in _HIDES.items():
        worth[classes == code] = value
    land = (classes != Cover.WATER) & (classes != Cover.NONE) & np.isfinite(classes)
    counted = land.sum(axis=1)
    among = np.where(alone, (counted + classes.shape[1]) / 2, counted)
    return np.asarray((worth * land).sum(axis=1) / np.maximum(among, 1), float)


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


def _setting(depth: Raster | None, at: Floats, facing_grid: Floats) -> Floats:
    """Return the depth that four fifths of the water where decoys lie do not exceed."""
    if depth is None:
        return np.full(len(at), np.nan)
    depths = sample(depth, at, turned(fan(SETTING_M, 60.0, 3.0), facing_grid))
    depths = np.where(np.isfinite(depths) & (depths > 0), depths, np.nan)
    out = np.full(len(at), np.nan)
    known = np.isfinite(depths).any(axis=1)
    out[known] = np.nanpercentile(depths[known], 80.0, axis=1)
    return out


def _ways(
    cover: Raster,
    depth: Raster | None,
    access: gpd.GeoDataFrame | None,
    at: Floats,
    *,
    wade_m: float,
) -> dict[str, Floats]:
    names = ("walk_m", "wading_m", "paddle_m", "way_min")
    if access is None or access.empty or not len(at):
        return dict.fromkeys(names, np.full(len(at), np.nan))
    ground = terrain(cover, depth, wade_m=wade_m)
    starts = shapely.get_coordinates(access.geometry)
    foot, paddle = on_foot(ground, starts, at), by_boat(ground, starts, at)
    minutes = minutes_in(foot.walk_min, paddle)
    found = (foot.walk_m, foot.wading_m, paddle, minutes)
    return {n: np.where(np.isfinite(v), v, np.nan) for n, v in zip(names, found, strict=True)}


def _against(
    row: object, dry: bool, closed: str | None, params: CandidateParams, wade_m: float
) -> str | None:
    """Return the first hard reason against a blind."""
    ground, hunting = row.ground, row.hunting  # type: ignore[attr-defined]
    water: float = row.open_water  # type: ignore[attr-defined]
    stand: float = row.stand_m  # type: ignore[attr-defined]
    too_deep = f"{depth_text(stand)} of water at the hide" if stand > wade_m else ""
    reasons = (
        (not dry, "no ground to stand on"),
        (bool(too_deep), f"{too_deep}: too deep to stand in"),
        (water < params.least_water, f"only {water:.0%} of the water in front is open"),
        (ground == "private", "outside the public land of the map"),
        (hunting == "closed", "public land that is closed to hunting"),
        (closed is not None, f"closed area: {closed}"),
    )
    return next((words for applies, words in reasons if applies), None)
