"""Candidate blinds: spots on the positions where a person could hide, whatever the wind.

Spots are found on each position, then each is looked at: its cover, water, ground and way in, and
the first hard reason against it. Last, which blinds are one place to hunt.
"""

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
from sitegeo.law.ground import closure_reasons, ground_ownership, hunting_status
from sitegeo.places.config import Assume, GearKeys
from sitegeo.siting.access import access_minutes, find_walks, make_terrain, paddle_distances
from sitegeo.siting.concealment import ConcealmentParams, concealed_share
from sitegeo.siting.sampling import (
    PATCH_STEP_M,
    cover_classes,
    disc_offsets,
    fan_offsets,
    patch_ahead,
    rotate_offsets,
    sample_around,
)
from sitegeo.spreads.frame import BANK_LIMIT_M, MOST_DECOYS_WITHIN_M, POCKET_M
from sitegeo.units import depth_text

SAME_PLACE_M = 60.0
"""Blinds of one position nearer to each other than this are one place to hunt; judgement."""

ALL_ROUND_KINDS = ("timber opening", "cover clump")
"""Kinds that are hunted from whichever side the wind asks for: all their blinds are one place."""

_FRONT_STEP_M = 2.0  # the water in front is looked at in steps of this
_SETTING_STEP_M = 3.0  # and where decoys lie in steps of this
_RAY_M = 1000.0  # longer than any clump or opening is wide
_ON_EDGE_M = 0.01  # nearer than this to a line lies on it
_LETTERS = len(ascii_lowercase) - 1  # of the alphabet, z left for going on


@dataclass(frozen=True)
class SpotParams:
    """How blinds are spread over a position; judgement throughout.

    Parameters
    ----------
    spacing_m
        Between blinds along a tree line or round a flat.
    neighbours_m
        Facings of the shore are averaged over stations this near.
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
    neighbours_m: float = 15.0
    inland_m: float = 2.5
    deepest_m: float = 9.0
    facings: int = 4
    rim: int = 8
    clump_edge_m: float = 2.0
    flat_reach_m: float = 15.0
    flat_most: int = 6


_Spot = tuple[float, FloatArray]
"""A facing (true) and the hide's coordinates."""


@dataclass(frozen=True)
class _Shore:
    """The shore's stations and the cover, as the spots ask for them."""

    at: FloatArray
    facings: FloatArray
    ids: AnyArray
    banks: AnyArray
    tree: cKDTree
    cover: Raster
    params: SpotParams

    @classmethod
    def of(cls, stations: gpd.GeoDataFrame, cover: Raster, params: SpotParams) -> _Shore:
        """Return the shore of the `stations` layer."""
        at = shapely.get_coordinates(stations.geometry)
        facings = stations["facing_deg"].to_numpy(float)
        ids, banks = stations["shore_id"].to_numpy(), stations["bank_cover"].to_numpy()
        return cls(at, facings, ids, banks, cKDTree(at), cover, params)

    def near(self, spot: FloatArray) -> tuple[int, FloatArray]:
        """Return the nearest station and the facings of its neighbours on the same shore."""
        nearest = int(self.tree.query(spot)[1])
        near = np.array(self.tree.query_ball_point(self.at[nearest], self.params.neighbours_m))
        return nearest, self.facings[near[self.ids[near] == self.ids[nearest]]]

    def in_from(self, edge: FloatArray, facing_deg: float) -> FloatArray:
        """Return the first spot in cover straight in from an edge, or the nearest one to it."""
        inland = np.arange(self.params.inland_m, self.params.deepest_m + 0.5, 1.0)
        spots = edge - inland[:, None] * self.ahead(facing_deg)
        covered = np.isin(_class_at(self.cover, spots), (Cover.TREE, Cover.LOW))
        return np.asarray(spots[covered.argmax()], float)

    def ahead(self, facing_deg: float) -> FloatArray:
        """Return the unit vector on the grid of a true bearing."""
        east, north = unit_from_bearing(self.cover.grid.to_grid_bearing(facing_deg))
        return np.array([float(east), float(north)])


def _find_spots(
    kind: str, shape: BaseGeometry, facing_deg: float, shore: _Shore
) -> Iterator[_Spot]:
    """Yield the spots of one position, in a stable order."""
    finder = _FINDERS.get(kind)
    if finder is not None:
        yield from finder(shape, shore)
        return
    for spot in _along(shape, shore.params.spacing_m):
        nearest, near = shore.near(spot)
        follows_bank = kind == "tree line" or not np.isfinite(facing_deg)
        facing = float(circular_mean_deg(near)) if follows_bank else facing_deg
        at = spot if kind == "chosen" else shore.in_from(shore.at[nearest], facing)
        yield facing, at


def _along(shape: BaseGeometry, spacing_m: float) -> Iterator[FloatArray]:
    if shape.geom_type in {"LineString", "MultiLineString"}:
        count = max(1, round(shape.length / spacing_m))
        for fraction in (np.arange(count) + 0.5) / count:
            yield shapely.get_coordinates(shape.interpolate(fraction, normalized=True))[0]
    else:
        yield shapely.get_coordinates(shapely.point_on_surface(shape))[0]


def _in_clump(shape: BaseGeometry, shore: _Shore) -> Iterator[_Spot]:
    """Yield one hide a facing: on that side of the clump, inside its edge."""
    middle = _middle(shape)
    for facing in np.arange(shore.params.facings) * 360.0 / shore.params.facings:
        ahead = shore.ahead(float(facing))
        out = max(0.0, _to_edge_m(shape, middle, ahead) - shore.params.clump_edge_m)
        yield float(facing), middle + out * ahead


def _round_opening(shape: BaseGeometry, shore: _Shore) -> Iterator[_Spot]:
    """Yield hides among the trees all round an opening, each looking into it.

    The upwind end depends on the wind, so the spots go all the way round.
    """
    middle = _middle(shape)
    for turn in np.arange(shore.params.rim) * 360.0 / shore.params.rim:
        facing = (float(turn) + 180.0) % 360.0
        out = shore.ahead(float(turn))
        edge = middle + _to_edge_m(shape, middle, out) * out
        yield facing, shore.in_from(edge, facing)


def _round_flat(shape: BaseGeometry, shore: _Shore) -> Iterator[_Spot]:
    """Yield hides in the low cover round a flat, well apart."""
    close = shapely.dwithin(shapely.points(shore.at), shape, shore.params.flat_reach_m)
    chosen: list[int] = []
    for index in np.flatnonzero(close & (shore.banks == "low cover")):
        apart = np.hypot(*(shore.at[chosen] - shore.at[index]).T)
        if len(chosen) < shore.params.flat_most and (apart >= shore.params.spacing_m).all():
            chosen.append(int(index))
    for station in chosen:
        nearest, near = shore.near(shore.at[station])
        facing = float(circular_mean_deg(near))
        yield facing, shore.in_from(shore.at[nearest], facing)


def _middle(shape: BaseGeometry) -> FloatArray:
    widest = max(shapely.get_parts(shape), key=lambda g: float(g.area))
    circle = shapely.maximum_inscribed_circle(widest, tolerance=0.5)
    return np.asarray(shapely.get_coordinates(circle)[0], float)


def _to_edge_m(shape: BaseGeometry, start: FloatArray, direction: FloatArray) -> float:
    """Return how far from a spot inside a shape its edge is."""
    ray = LineString([start, start + _RAY_M * direction])
    parts = shapely.get_parts(ray.intersection(shape))
    return min((float(p.length) for p in parts if p.dwithin(Point(start), _ON_EDGE_M)), default=0.0)


_FINDERS: dict[str, Callable[[BaseGeometry, _Shore], Iterator[_Spot]]] = {
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
    overhead_m
        Trees within this stand over it.
    least_water
        Share of the half circle in front, as far as a bank spread reaches, that must be water; in a
        timber opening of the water meant for landing.
    pocket_m
        Radius of the water meant for landing that is looked at.
    setting_deg, setting_percent
        Decoys are set up to the first to either side of straight out; of the water there so much
        is no deeper than `setting_m`.
    wade_m
        Deepest water a person stands in, in a clump or among flooded trees, and wades on the way,
        where the place does not say.
    """

    spots: SpotParams = field(default_factory=SpotParams)
    cover_radius_m: float = ConcealmentParams().beside_m
    overhead_m: float = ConcealmentParams().overhead_m
    least_water: float = 0.5
    pocket_m: float = 5.0
    setting_deg: float = 60.0
    setting_percent: float = 80.0
    wade_m: float = GearKeys().wade_m


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

    Parameters
    ----------
    positions, stations, cover
        The layers of these names.
    assume
        What the place file assumes, with the position errors of its layers.
    depth, public_land, closed_areas, access
        The layers of these names, None where the place has none.
    wade_m
        Deepest water the party wades; by default `params.wade_m`.
    params
        How blinds are spaced and what rules one out.

    Returns
    -------
    GeoDataFrame
        The `candidates` layer: one point a blind, ids made of the position's and a letter,
        `facing_deg` a true bearing, `rejected_by` the first hard reason against it or None. Depth
        and distance from access are NaN where their layer is missing; `walk_m`, `wading_m` and
        `paddle_m` are of the ways that `siting.access` finds, NaN where there is none.
    """
    found = _sites(positions, stations, cover, params.spots)
    return assess_sites(
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


def assess_sites(
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
    """Return the `candidates` layer of sites that are chosen already.

    Parameters
    ----------
    sites
        Points with `id`, `position_id`, `kind` and `facing_deg`, in the cover's CRS.
    cover, assume, depth, public_land, closed_areas, access, wade_m, params
        As for `candidates`.

    Returns
    -------
    GeoDataFrame
        The `candidates` layer, in the order of ids.
    """
    found, wade = sites, params.wade_m if wade_m is None else wade_m
    at = shapely.get_coordinates(found.geometry)
    facing_grid = np.asarray(cover.grid.to_grid_bearing(found["facing_deg"].to_numpy()))
    out = found.assign(
        hide=_hide(cover, at, params, alone=(found["kind"] == "cover clump").to_numpy()),
        overhead=_share(
            cover, at, disc_offsets(params.overhead_m, PATCH_STEP_M), wanted=Cover.TREE
        ),
        open_water=_open_water(cover, at, facing_grid, found["kind"].to_numpy(), params=params),
        depth_m=_pocket_depth(depth, at, facing_grid, params),
        setting_m=_setting_depth(depth, at, facing_grid, params),
        stand_m=np.full(len(at), np.nan) if depth is None else depth.sample(at[:, 0], at[:, 1]),
        access_m=_access_distance(access, at),
        **_ways(cover, depth, access, at, wade_m=wade),
    )
    errors = PositionErrors.from_layers(assume.position_error_m)
    edge_m, closed_m = errors.total_m("public_land"), errors.total_m("closed_areas")
    complete = assume.complete.get("public_land") is True
    points = gpd.GeoDataFrame(out[["id"]], geometry=out.geometry, crs=out.crs)
    out["ground"] = ground_ownership(
        points, public_land, error_m=edge_m, complete=complete
    ).to_numpy()
    out["hunting"] = hunting_status(points, public_land, error_m=edge_m).to_numpy()
    # Areas closed on some days are left to the ranking, which knows the day.
    closed = closure_reasons(points, closed_areas, error_m=closed_m, dated=False).to_numpy()
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
    shore = _Shore.of(stations, cover, params)
    rows = []
    columns = ("id", "kind", "facing_deg", "geometry")
    for position_id, kind, given, shape in zip(*(positions[c] for c in columns), strict=True):
        for index, (facing, at) in enumerate(_find_spots(kind, shape, float(given), shore)):
            name = position_id if kind == "chosen" else f"{position_id}{_letters(index)}"
            rows.append((name, position_id, kind, facing, shapely.Point(at)))
    frame = pd.DataFrame(rows, columns=["id", "position_id", "kind", "facing_deg", "geometry"])
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=positions.crs)


def _letters(index: int) -> str:
    """Return a, b, … z, za, zb, …, which sort in that order."""
    return "z" * (index // _LETTERS) + ascii_lowercase[index % _LETTERS]


def _class_at(cover: Raster, at: FloatArray) -> FloatArray:
    classes: FloatArray = cover.sample(at[:, 0], at[:, 1], fill=0.0)[cover.bands.index("class")]
    return classes


def _share(cover: Raster, at: FloatArray, offsets: FloatArray, *, wanted: Cover) -> FloatArray:
    return np.asarray((cover_classes(cover, at, offsets) == wanted).mean(axis=1), float)


def _open_water(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    kinds: AnyArray,
    *,
    params: CandidateParams,
) -> FloatArray:
    """Return the share of water in front; in a timber opening, of the water meant for landing."""
    front = rotate_offsets(fan_offsets(BANK_LIMIT_M, 90.0, _FRONT_STEP_M), facing_grid)
    pocket = patch_ahead(POCKET_M, params.pocket_m, facing_grid)
    wide, small = (_share(cover, at, spots, wanted=Cover.WATER) for spots in (front, pocket))
    return np.where(kinds == "timber opening", small, wide)


def _hide(
    cover: Raster, at: FloatArray, params: CandidateParams, *, alone: BoolArray
) -> FloatArray:
    """Return how well the ground around each blind hides a person, in leaf as on the photo."""
    about = disc_offsets(params.cover_radius_m, PATCH_STEP_M)
    return concealed_share(cover_classes(cover, at, about), alone=alone)


def _pocket_depth(
    depth: Raster | None, at: FloatArray, facing_grid: FloatArray, params: CandidateParams
) -> FloatArray:
    """Return the mean depth of the water meant for landing, NaN where it is not known."""
    if depth is None:
        return np.full(len(at), np.nan)
    depths = sample_around(depth, at, patch_ahead(POCKET_M, params.pocket_m, facing_grid))
    held = np.isfinite(depths)
    total = np.where(held, depths, 0.0).sum(axis=1)
    count = held.sum(axis=1)
    return np.where(count > 0, np.maximum(total, 0) / np.maximum(count, 1), np.nan)


def _setting_depth(
    depth: Raster | None, at: FloatArray, facing_grid: FloatArray, params: CandidateParams
) -> FloatArray:
    """Return the depth that most of the water where decoys lie does not exceed."""
    if depth is None:
        return np.full(len(at), np.nan)
    fan = fan_offsets(MOST_DECOYS_WITHIN_M, params.setting_deg, _SETTING_STEP_M)
    depths = sample_around(depth, at, rotate_offsets(fan, facing_grid))
    depths = np.where(np.isfinite(depths) & (depths > 0), depths, np.nan)
    out = np.full(len(at), np.nan)
    known = np.isfinite(depths).any(axis=1)
    out[known] = np.nanpercentile(depths[known], params.setting_percent, axis=1)
    return out


def _access_distance(access: gpd.GeoDataFrame | None, at: FloatArray) -> FloatArray:
    """Return how far the nearest access is in a straight line, NaN without any."""
    if access is None or access.empty:
        return np.full(len(at), np.nan)
    distance, _ = cKDTree(shapely.get_coordinates(access.geometry)).query(at)
    return np.asarray(distance, float)


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
    ground = make_terrain(cover, depth, wade_m=wade_m)
    starts = shapely.get_coordinates(access.geometry)
    foot, paddle = find_walks(ground, starts, at), paddle_distances(ground, starts, at)
    minutes = access_minutes(foot.walk_min, paddle)
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


def find_better_at_same_place(blinds: gpd.GeoDataFrame) -> list[str | None]:
    """Return for each blind the better one at the same place, None for the best of it.

    Of the facings of one timber opening or cover clump, and of blinds close to a better one
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
            if kinds[n] in ALL_ROUND_KINDS or np.hypot(*(at[better] - at[n])) < SAME_PLACE_M:
                stands[n] = str(ids[better])
                break
        else:
            kept[positions[n]].append(int(n))
    return stands
