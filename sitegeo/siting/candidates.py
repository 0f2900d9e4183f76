"""Candidate blinds: places on the positions where a person could hide, whatever the wind."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from string import ascii_lowercase

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import circular_mean_deg, unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.steps import step
from sitegeo.core.typing import AnyArray, BoolArray, FloatArray
from sitegeo.law.context import PositionErrors
from sitegeo.law.ground import closed_of, ground_of, hunting_of
from sitegeo.places.config import Assume
from sitegeo.siting.access import by_boat, minutes_in, on_foot, terrain
from sitegeo.siting.sampling import disc, fan, sample, turned
from sitegeo.spreads.frame import BANK_LIMIT_M, MOST_DECOYS_WITHIN_M, POCKET_M
from sitegeo.units import depth_text

# How well each class hides a person who sits in it; judgement.
_HIDES = {Cover.TREE: 1.0, Cover.LOW: 0.85, Cover.OPEN: 0.15, Cover.BUILT: 0.0}


@dataclass(frozen=True)
class SpotParams:
    """How blinds are spread over a position; judgement throughout.

    Parameters
    ----------
    spacing_m
        Between blinds along a tree line or round a flat.
    inland_m, deepest_m
        From the waterline to the hide, and how much farther in it may go to find cover.
    facings, rim
        Ways a clump looks, and spots round the rim of a timber opening, evenly turned.
    clump_edge_m
        The hide in a clump keeps this far inside its edge where the clump is wide enough.
    flat_reach_m, flat_most
        Low cover this close to a flat is its edge; no more blinds than this on one flat.
    """

    spacing_m: float = 75.0
    inland_m: float = 2.5
    deepest_m: float = 9.0
    facings: int = 4
    rim: int = 8
    clump_edge_m: float = 2.0
    flat_reach_m: float = 15.0
    flat_most: int = 6


Spot = tuple[float, FloatArray]
"""A facing (true) and the hide's coordinates."""


@dataclass(frozen=True)
class Shore:
    """The shore's stations and the cover, as the spots ask for them."""

    at: FloatArray
    facings: FloatArray
    ids: AnyArray
    banks: AnyArray
    tree: cKDTree
    cover: Raster

    @classmethod
    def of(cls, stations: gpd.GeoDataFrame, cover: Raster) -> Shore:
        """Return the shore of the `stations` layer."""
        at = shapely.get_coordinates(stations.geometry)
        facings = stations["facing_deg"].to_numpy(float)
        ids, banks = stations["shore_id"].to_numpy(), stations["bank_cover"].to_numpy()
        return cls(at, facings, ids, banks, cKDTree(at), cover)

    def near(self, spot: FloatArray) -> tuple[int, FloatArray]:
        """Return the nearest station and the facings of its neighbours on the same shore."""
        nearest = int(self.tree.query(spot)[1])
        near = np.array(self.tree.query_ball_point(self.at[nearest], 15.0))
        return nearest, self.facings[near[self.ids[near] == self.ids[nearest]]]

    def class_at(self, at: FloatArray) -> FloatArray:
        """Return the cover class under points."""
        classes: FloatArray = self.cover.sample(at[:, 0], at[:, 1], fill=0.0)[
            self.cover.bands.index("class")
        ]
        return classes

    def in_from(self, edge: FloatArray, facing_deg: float, params: SpotParams) -> FloatArray:
        """Return the first spot in cover straight in from an edge, or the nearest one to it."""
        inland = np.arange(params.inland_m, params.deepest_m + 0.5, 1.0)
        spots = edge - inland[:, None] * self.ahead(facing_deg)
        covered = np.isin(self.class_at(spots), (Cover.TREE, Cover.LOW))
        return np.asarray(spots[covered.argmax()], float)

    def ahead(self, facing_deg: float) -> FloatArray:
        """Return the unit vector on the grid of a true bearing."""
        east, north = unit_from_bearing(self.cover.grid.to_grid_bearing(facing_deg))
        return np.array([float(east), float(north)])


def spots_on(
    kind: str, shape: BaseGeometry, facing_deg: float, shore: Shore, params: SpotParams
) -> Iterator[Spot]:
    """Yield the spots of one position, in a stable order."""
    finder = _FINDERS.get(kind)
    if finder is not None:
        yield from finder(shape, shore, params)
        return
    for spot in _along(shape, params.spacing_m):
        nearest, near = shore.near(spot)
        follows_bank = kind == "tree line" or not np.isfinite(facing_deg)
        facing = float(circular_mean_deg(near)) if follows_bank else facing_deg
        at = spot if kind == "chosen" else shore.in_from(shore.at[nearest], facing, params)
        yield facing, at


def _along(shape: BaseGeometry, spacing_m: float) -> Iterator[FloatArray]:
    if shape.geom_type in {"LineString", "MultiLineString"}:
        count = max(1, round(shape.length / spacing_m))
        for fraction in (np.arange(count) + 0.5) / count:
            yield shapely.get_coordinates(shape.interpolate(fraction, normalized=True))[0]
    else:
        yield shapely.get_coordinates(shapely.point_on_surface(shape))[0]


def _in_clump(shape: BaseGeometry, shore: Shore, params: SpotParams) -> Iterator[Spot]:
    """Yield one hide a facing: on that side of the clump, inside its edge."""
    middle = _middle(shape)
    for facing in np.arange(params.facings) * 360.0 / params.facings:
        ahead = shore.ahead(float(facing))
        out = max(0.0, _to_edge_m(shape, middle, ahead) - params.clump_edge_m)
        yield float(facing), middle + out * ahead


def _round_opening(shape: BaseGeometry, shore: Shore, params: SpotParams) -> Iterator[Spot]:
    """Yield hides among the trees all round an opening, each looking into it.

    The upwind end depends on the wind, so the spots go all the way round.
    """
    middle = _middle(shape)
    for turn in np.arange(params.rim) * 360.0 / params.rim:
        facing = (float(turn) + 180.0) % 360.0
        out = shore.ahead(float(turn))
        edge = middle + _to_edge_m(shape, middle, out) * out
        yield facing, shore.in_from(edge, facing, params)


def _round_flat(shape: BaseGeometry, shore: Shore, params: SpotParams) -> Iterator[Spot]:
    """Yield hides in the low cover round a flat, well apart."""
    close = shapely.dwithin(shapely.points(shore.at), shape, params.flat_reach_m)
    chosen: list[int] = []
    for index in np.flatnonzero(close & (shore.banks == "low cover")):
        apart = np.hypot(*(shore.at[chosen] - shore.at[index]).T)
        if len(chosen) < params.flat_most and (apart >= params.spacing_m).all():
            chosen.append(int(index))
    for station in chosen:
        nearest, near = shore.near(shore.at[station])
        facing = float(circular_mean_deg(near))
        yield facing, shore.in_from(shore.at[nearest], facing, params)


def _middle(shape: BaseGeometry) -> FloatArray:
    widest = max(shapely.get_parts(shape), key=lambda g: float(g.area))
    circle = shapely.maximum_inscribed_circle(widest, tolerance=0.5)
    return np.asarray(shapely.get_coordinates(circle)[0], float)


def _to_edge_m(shape: BaseGeometry, start: FloatArray, direction: FloatArray) -> float:
    """Return how far from a spot inside a shape its edge is."""
    ray = LineString([start, start + 1000.0 * direction])
    parts = shapely.get_parts(ray.intersection(shape))
    return min((float(p.length) for p in parts if p.dwithin(Point(start), 0.01)), default=0.0)


_FINDERS: dict[str, Callable[[BaseGeometry, Shore, SpotParams], Iterator[Spot]]] = {
    "cover clump": _in_clump,
    "timber opening": _round_opening,
    "open flat": _round_flat,
}


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


def _class_at(cover: Raster, at: FloatArray) -> FloatArray:
    classes: FloatArray = cover.sample(at[:, 0], at[:, 1], fill=0.0)[cover.bands.index("class")]
    return classes


def _share(cover: Raster, at: FloatArray, offsets: FloatArray, wanted: Cover) -> FloatArray:
    classes = sample(cover, at, offsets)[cover.bands.index("class")]
    return np.asarray((classes == wanted).mean(axis=1), float)


def _open_water(
    cover: Raster, at: FloatArray, facing_grid: FloatArray, *, kinds: AnyArray
) -> FloatArray:
    """Return the share of water in front; in a timber opening, of the water meant for landing."""
    wide = _share(cover, at, turned(fan(BANK_LIMIT_M, 90.0, 2.0), facing_grid), Cover.WATER)
    small = _share(cover, at, turned(disc(5.0, 1.0) + [0.0, POCKET_M], facing_grid), Cover.WATER)
    return np.where(kinds == "timber opening", small, wide)


def _hide(
    cover: Raster, at: FloatArray, params: CandidateParams, *, alone: BoolArray
) -> FloatArray:
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


def _depth(depth: Raster | None, at: FloatArray, facing_grid: FloatArray) -> FloatArray:
    if depth is None:
        return np.full(len(at), np.nan)
    pocket = turned(disc(5.0, 1.0) + [0.0, POCKET_M], facing_grid)
    depths = np.where(np.isfinite(d := sample(depth, at, pocket)), d, np.nan)
    held = np.isfinite(depths)
    total = np.where(held, depths, 0.0).sum(axis=1)
    count = held.sum(axis=1)
    return np.where(count > 0, np.maximum(total, 0) / np.maximum(count, 1), np.nan)


def _access(access: gpd.GeoDataFrame | None, at: FloatArray) -> FloatArray:
    if access is None or access.empty:
        return np.full(len(at), np.nan)
    distance, _ = cKDTree(shapely.get_coordinates(access.geometry)).query(at)
    return np.asarray(distance, float)


def _setting(depth: Raster | None, at: FloatArray, facing_grid: FloatArray) -> FloatArray:
    """Return the depth that four fifths of the water where decoys lie do not exceed."""
    if depth is None:
        return np.full(len(at), np.nan)
    depths = sample(depth, at, turned(fan(MOST_DECOYS_WITHIN_M, 60.0, 3.0), facing_grid))
    depths = np.where(np.isfinite(depths) & (depths > 0), depths, np.nan)
    out = np.full(len(at), np.nan)
    known = np.isfinite(depths).any(axis=1)
    out[known] = np.nanpercentile(depths[known], 80.0, axis=1)
    return out


def _ways(
    cover: Raster,
    depth: Raster | None,
    access: gpd.GeoDataFrame | None,
    at: FloatArray,
    *,
    wade_m: float,
) -> dict[str, FloatArray]:
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


SAME_M = 60.0
"""Blinds of one position nearer to each other than this are one place to hunt; judgement."""

ALL_ROUND = ("timber opening", "cover clump")
"""Kinds that are hunted from whichever side the wind asks for: all their blinds are one place."""


def best_of_each(blinds: gpd.GeoDataFrame) -> list[str | None]:
    """Return for each blind the better one that stands for the same place, None for the best.

    Of the facings of one timber opening or cover clump, and of blinds within 60 m of a better one
    on the same position, only the best for the wind counts as a place. Ties go to the first id.

    Parameters
    ----------
    blinds
        With `id`, `position_id`, `kind` and `score`.
    """
    at = shapely.get_coordinates(blinds.geometry)
    ids, positions = blinds["id"].to_numpy(), blinds["position_id"].to_numpy()
    kinds = blinds["kind"].to_numpy()
    kept: defaultdict[str, list[int]] = defaultdict(list)
    stands: list[str | None] = [None] * len(blinds)
    for n in np.lexsort((ids, -blinds["score"].to_numpy(float))):
        for better in kept[positions[n]]:
            if kinds[n] in ALL_ROUND or np.hypot(*(at[better] - at[n])) < SAME_M:
                stands[n] = str(ids[better])
                break
        else:
            kept[positions[n]].append(int(n))
    return stands
