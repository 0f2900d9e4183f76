"""Points of land and coves, from the share of land about each station and the shore's turn."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from shapely.geometry import Point

from sitegeo.angles import circular_mean_deg, compass_point, smoothstep
from sitegeo.core.typing import BoolArray
from sitegeo.shore.position import Position
from sitegeo.shore.stations import ShoreStations, split_by_shore


@dataclass(frozen=True)
class HeadlandParams:
    """What counts as a point or a cove. All values are judgement.

    Parameters
    ----------
    point_land_75, point_land_200
        A point has at most these shares of land about its tip.
    cove_land_75
        A narrow cove has at least this share of land about its head.
    cove_land_200, cove_reach_m, cove_turn_deg
        A broad one has at least this share, and turns at least so far in within the reach each
        way.
    headland_deg, mouth_m
        Either lies between headlands, where the shore turns back by so much within the distance:
        the ends of an oblong pond are no coves.
    min_turn_deg
        The shore turns by at least this much within `reach_m` each way.
    reach_m
        ShoreStations looked at each side of the tip or head.
    apart_m
        Of several tips or heads nearer than this, the most pronounced is kept.
    min_shore_m
        Shores shorter than this (small islands and pools) have neither.
    min_water_width_m
        Waters narrower than this on average have neither.
    point_margin, cove_margin
        How far the share of land passes its limit where confidence is least and where it is full.
    point_trust, cove_trust
        Least confidence, and what full confidence has more.
    """

    point_land_75: float = 0.38
    point_land_200: float = 0.46
    cove_land_75: float = 0.66
    cove_land_200: float = 0.7
    cove_reach_m: float = 100.0
    cove_turn_deg: float = 110.0
    headland_deg: float = 40.0
    mouth_m: float = 300.0
    min_turn_deg: float = 60.0
    reach_m: float = 40.0
    apart_m: float = 90.0
    min_shore_m: float = 400.0
    min_water_width_m: float = 15.0
    point_margin: tuple[float, float] = (-0.1, 0.15)
    cove_margin: tuple[float, float] = (-0.05, 0.2)
    point_trust: tuple[float, float] = (0.4, 0.5)
    cove_trust: tuple[float, float] = (0.4, 0.4)


def find_points_and_coves(stations: gpd.GeoDataFrame, params: HeadlandParams) -> Iterator[Position]:
    """Yield points of land, then coves, each at the station where it is most pronounced.

    The land fraction is that of `shoreline.land_fraction`: one quarter at a right-angled corner
    of land, at any radius.
    """
    candidates: list[tuple[float, Position]] = []
    land_75 = stations["land_fraction_75"].to_numpy(float)
    land_200 = stations["land_fraction_200"].to_numpy(float)
    height = stations["canopy_height_m"].to_numpy(float)
    for shore in split_by_shore(stations):
        if shore.length_m < params.min_shore_m:
            continue
        near, far = land_75[shore.rows], land_200[shore.rows]
        turn = shore.turn_deg(params.reach_m)
        tip = (near <= params.point_land_75) & ~(far > params.point_land_200)
        for i in np.flatnonzero(tip & (turn >= params.min_turn_deg)):
            found = _point(
                shore,
                int(i),
                land=near[i],
                turn=turn[i],
                height=height[shore.rows[i]],
                params=params,
            )
            # Land share is flat along a narrow spit: the turn tells where its tip is.
            candidates.append((turn[i] / 180.0 - near[i], found))
        between = _between_headlands(shore, params)
        head = (near >= params.cove_land_75) & (turn <= -params.min_turn_deg) & between
        for i in np.flatnonzero(head):
            found = _cove(shore, int(i), land=near[i], turn=turn[i], params=params)
            candidates.append((near[i] - turn[i] / 180.0, found))
        wide = shore.turn_deg(params.cove_reach_m)
        broad = (far >= params.cove_land_200) & (wide <= -params.cove_turn_deg)
        for i in np.flatnonzero(broad & ~head & between):
            found = _cove(shore, int(i), land=far[i], turn=wide[i], params=params, broad=True)
            # A narrow cove nearby is the better of the two.
            candidates.append((far[i] - wide[i] / 180.0 - 2.0, found))
    yield from _apart(candidates, params.apart_m)


def _point(
    shore: ShoreStations, i: int, *, land: float, turn: float, height: float, params: HeadlandParams
) -> Position:
    facing, width = _axis(shore, i, params.reach_m)
    strength = smoothstep(params.point_land_75 - land, *params.point_margin)
    least, more = params.point_trust
    return Position(
        "point",
        Point(shore.xy[i]),
        float(least + more * strength),
        f"the shore turns {turn:.0f} degrees round a point facing {compass_point(facing)}; "
        f"only {100 * land:.0f} % of the ground within 75 m is land",
        width_m=width,
        facing_deg=facing,
        canopy_height_m=None if np.isnan(height) else height,
    )


def _cove(
    shore: ShoreStations,
    i: int,
    *,
    land: float,
    turn: float,
    params: HeadlandParams,
    broad: bool = False,
) -> Position:
    radius, reach_m, limit = (
        (200, params.cove_reach_m, params.cove_land_200)
        if broad
        else (75, params.reach_m, params.cove_land_75)
    )
    facing, width = _axis(shore, i, reach_m)
    strength = smoothstep(land - limit, *params.cove_margin)
    least, more = params.cove_trust
    return Position(
        "cove",
        Point(shore.xy[i]),
        float(least + more * strength),
        f"the shore turns in by {-turn:.0f} degrees and opens {compass_point(facing)}; "
        f"{100 * land:.0f} % of the ground within {radius} m is land",
        width_m=width,
        facing_deg=facing,
    )


def _between_headlands(shore: ShoreStations, params: HeadlandParams) -> BoolArray:
    """Return which stations lie between two headlands, at which the shore turns back."""
    count = max(1, int(params.mouth_m / shore.step_m))
    turn = shore.turn_deg(0.0) / 2.0
    both = np.ones(len(turn), bool)
    for way in (1, -1):
        swing, lowest, recovered = np.zeros((3, len(turn)))
        for by in range(1, count + 1):
            swing = swing + shore.shifted(turn, way * by)
            lowest = np.minimum(lowest, swing)
            recovered = np.maximum(recovered, swing - lowest)
        both &= recovered >= params.headland_deg
    return both


def _axis(shore: ShoreStations, i: int, reach_m: float) -> tuple[float, float]:
    """Return the mean facing about a station, and the chord between the two shores."""
    count = max(1, round(reach_m / shore.step_m))
    around = np.arange(i - count, i + count + 1)
    n = len(shore.rows)
    around = around % n if shore.closed else np.clip(around, 0, n - 1)
    width = float(np.hypot(*(shore.xy[around[0]] - shore.xy[around[-1]])))
    return circular_mean_deg(shore.facing_deg[around]), width


def _apart(candidates: list[tuple[float, Position]], apart_m: float) -> Iterator[Position]:
    """Yield the most pronounced of each kind, none nearer another than `apart_m`."""
    kept: list[Position] = []
    ranked = sorted(
        candidates, key=lambda f: (-f[0], -f[1].geometry.centroid.y, f[1].geometry.centroid.x)
    )
    for _, one in ranked:
        if all(one.kind != k.kind or one.geometry.distance(k.geometry) >= apart_m for k in kept):
            kept.append(one)
            yield one
