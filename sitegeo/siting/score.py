"""How well each candidate blind works for a wind: component scores, and one score of them.

Hard reasons against a blind are kept apart in `rejected_by`; the components here are soft, and
what each is worth stands in `siting.worth`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from importlib import resources
from typing import Any

import geopandas as gpd
import numpy as np
from numpy.typing import ArrayLike

from sitegeo.angles import signed_diff_deg, smoothstep, unit_from_bearing
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, FloatArray, ObjectArray
from sitegeo.core.wind import CALM_MPS, Wind
from sitegeo.law.context import PositionErrors
from sitegeo.law.shot_range import read_load
from sitegeo.places.config import Assume
from sitegeo.siting.approach import Approach, ApproachParams, approach, lines, over_what_stands
from sitegeo.siting.concealment import hiding, overhead_score, party_score
from sitegeo.siting.curves import (
    UNKNOWN,
    drift_score,
    feeding_score,
    spread_score,
    wading_score,
    way_score,
    wind_fit,
)
from sitegeo.siting.observations import APPROACH_M, seen
from sitegeo.siting.retrieval import EDGE_ERROR_M, drift
from sitegeo.siting.sampling import classes, disc, sample, turned
from sitegeo.siting.shooting_front import Front, front_of, guns_error_m
from sitegeo.siting.spread_room import on_water
from sitegeo.siting.sun import birds_sun, shooters_sun, sun_path
from sitegeo.spreads.decoys import Gear
from sitegeo.spreads.frame import NEAR_DECOYS_M, POCKET_M, wind_side
from sitegeo.spreads.layouts import choose
from sitegeo.units import metres_per_second

CALM_PHI_DEG = 180.0
"""Without a wind the spread is laid even on both hands with the lane in front open; judgement."""

TIMBER_RIPPLE = UNKNOWN
"""In timber people make the ripple, with a jerk line and their feet (common practice, no source);
it earns no credit beside ripple the wind makes (judgement)."""

TIMBER_CALM_MPS = metres_per_second(4.0, "mph")
"""Below this over the canopy no direction is claimed in timber; judgement."""

RAISES = ("observed",)
"""Components that raise a score by what there is of them, and lower none where there is nothing."""


@dataclass(frozen=True)
class ScoreParams:
    """Where a component is good or bad; judgement unless marked.

    Parameters
    ----------
    still_mps, full_ripple_mps
        Local wind at which water is dead, and at which a spread has all the ripple it wants. Not
        `exposure.shelter.RIPPLE_MPS`, 2.5 m/s, at which ripple begins to show.
    rough_mps, wild_mps
        Local wind above which decoys and birds have too much of it.
    approach
        The open water wanted on the way in.
    decoys
        Size of the spread the layout is chosen for.
    """

    still_mps: float = 1.5
    full_ripple_mps: float = 3.0
    rough_mps: float = 9.0
    wild_mps: float = 15.0
    approach: ApproachParams = field(default_factory=ApproachParams)
    decoys: int = 36


@cache
def weights() -> Mapping[str, float]:
    """Return the weight of each component."""
    text = resources.files("sitegeo.siting").joinpath("weights.toml").read_text("utf-8")
    return {name: float(value) for name, value in tomllib.loads(text).items()}


@step("blinds")
def blinds(
    *,
    candidates: gpd.GeoDataFrame,
    cover: Raster,
    exposure: Raster,
    wind: Wind,
    gear: Gear | None = None,
    assume: Assume | None = None,
    obstacles: Raster | None = None,
    depth: Raster | None = None,
    public_land: gpd.GeoDataFrame | None = None,
    observations: gpd.GeoDataFrame | None = None,
    dwellings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    access: gpd.GeoDataFrame | None = None,
    when: datetime | None = None,
    standing: Standing | None = None,
    params: ScoreParams = ScoreParams(),
) -> gpd.GeoDataFrame:
    """Every candidate scored for a wind, with its layout and components.

    Returns the `blinds` layer in the order of the candidates: a column `c_NAME` for each component
    that can be judged, and `score`, all in 0 to 1. In calm air no direction is claimed, and wind
    and ripple count as not known; without a date nothing is said of the sun, and without an
    `observations` layer nothing of birds seen. `standing`, where many winds are looked at, is what
    none of them changes.
    """
    gear, assume = gear or Gear(decoys=params.decoys), assume or Assume()
    stands = standing or standing_in_any_wind(
        candidates=candidates,
        cover=cover,
        gear=gear,
        assume=assume,
        depth=depth,
        dwellings=dwellings,
        roads=roads,
        access=access,
    )
    at = np.column_stack([candidates.geometry.x, candidates.geometry.y])
    facing = candidates["facing_deg"].to_numpy(float)
    facing_grid = np.asarray(cover.grid.to_grid_bearing(facing))
    phi = np.atleast_1d(signed_diff_deg(wind.from_deg, facing))
    kinds = candidates["kind"].to_numpy()
    timber = kinds == "timber opening"
    still = too_weak(wind.speed_mps, kinds)
    phi = np.where(still, CALM_PHI_DEG, phi)
    theta = np.abs(phi)
    layouts = np.array([choose(k, p, decoys=gear.decoys) for k, p in zip(kinds, phi, strict=True)])
    local = _local_wind(exposure, at, facing_grid, wind)
    landing = stands.landing
    way = _way_in(cover, obstacles, at, facing_grid, wind=wind, params=params)
    room = way.water * smoothstep(landing, 0.5, 0.9)  # no way in helps where the pocket is land
    bend = np.where(timber | still, 0.0, way.bend_deg)
    pocket, body = on_water(cover, at, facing_grid, phi, layouts, decoys=gear.decoys, depth=depth)
    fallen = drift(
        cover,
        at,
        facing_grid,
        from_grid_deg=None if wind.calm else float(cover.grid.to_grid_bearing(wind.from_deg)),
        public_land=public_land,
        error_m=assume.position_error_m.get("public_land", EDGE_ERROR_M),
        complete=assume.complete.get("public_land") is True,
    )
    parts = {
        "wind": np.where(still, UNKNOWN, wind_fit(theta, kinds)),
        "ripple": np.where(still, UNKNOWN, ripple_at(local.min(axis=1), kinds, params)),
        "room": np.where(timber, landing, room),
        "spread": spread_score(pocket, body),
        "overhead": overhead_score(stands.overhead, theta, timber=timber, still=still),
        "drift": drift_score(fallen.distance_m, fallen.ground),
        **stands.parts,
    }
    told: dict[str, Any] = {
        "drift_m": fallen.distance_m,
        "drift_ground": fallen.ground,
        "pocket_closed": stands.front.pocket_closed(wind),
    }
    if when is not None:
        lat, lon = cover.grid.centre_latlon
        sun = sun_path(lon, lat, when)
        heading = np.full(len(at), wind.from_deg)
        parts["sun"] = shooters_sun(facing, *sun)
        parts["birds_sun"] = birds_sun(facing, heading, *sun, claimed=~still)
    if observations is not None:
        over = seen(
            observations,
            _pocket(at, facing_grid),
            None if wind.calm else _flown(cover, at, facing_grid, bend, wind),
            on=None if when is None else when.date(),
        )
        parts["observed"], told["observed"] = over.worth, over.words
    return candidates.assign(
        **{f"c_{name}": part for name, part in parts.items()},
        **told,
        score=combine(parts),
        phi_deg=phi,
        wind_side=["calm" if s else wind_side(p) for s, p in zip(still, phi, strict=True)],
        layout=layouts,
        bend_deg=bend,
        local_wind_mps=local[:, 0],
        fetch_m=_fetch(exposure, at, facing_grid),
    )


def ripple_score(local_mps: FloatArray, params: ScoreParams) -> FloatArray:
    """Return 0 on dead water, 1 where it ripples, falling again where it is rough."""
    alive = smoothstep(local_mps, params.still_mps, params.full_ripple_mps)
    wild = 0.7 * smoothstep(local_mps, params.rough_mps, params.wild_mps)
    return np.asarray(alive - wild, float)


def ripple_at(local_mps: FloatArray, kinds: ObjectArray, params: ScoreParams) -> FloatArray:
    """Return `ripple_score`, and in timber openings what people make of it themselves."""
    return np.where(kinds == "timber opening", TIMBER_RIPPLE, ripple_score(local_mps, params))


def too_weak(speed_mps: ArrayLike, kinds: FloatArray) -> BoolArray:
    """Return where a wind is too weak to claim a direction, by kind of position."""
    least = np.where(kinds == "timber opening", TIMBER_CALM_MPS, CALM_MPS)
    return np.asarray(speed_mps < least, np.bool_)


def combine(parts: Mapping[str, FloatArray]) -> FloatArray:
    """Return the score: the weighted geometric mean of the components, none taken below 0.02.

    It rises with each component. Those of `RAISES` count as so much more weight of what is
    perfect, by how much there is of them, and so never lower a score.
    """
    weight = weights()
    plain = {name: part for name, part in parts.items() if name not in RAISES}
    logs = sum(weight[n] * np.log(np.clip(part, 0.02, 1.0)) for n, part in plain.items())
    total = sum(weight[n] for n in plain) + sum(
        weight[n] * np.clip(parts[n], 0.0, 1.0) for n in RAISES if n in parts
    )
    return np.asarray(np.exp(logs / total), float)


def with_component(blinds: gpd.GeoDataFrame, name: str, values: FloatArray) -> gpd.GeoDataFrame:
    """Return scored blinds with one more component, and the score of all of them."""
    scored = blinds.assign(**{f"c_{name}": values})
    parts = {c[2:]: scored[c].to_numpy(float) for c in scored.columns if c.startswith("c_")}
    return scored.assign(score=combine(parts))


def _pocket(at: FloatArray, facing_grid: FloatArray) -> FloatArray:
    east, north = unit_from_bearing(facing_grid)
    return np.asarray(at + POCKET_M * np.column_stack([east, north]), float)


def _flown(
    cover: Raster, at: FloatArray, facing_grid: FloatArray, bend_deg: FloatArray, wind: Wind
) -> FloatArray:
    """Return the line birds come in by to each blind, from as far off as they are counted."""
    downwind = float(cover.grid.to_grid_bearing(wind.from_deg)) + 180.0
    return lines(_pocket(at, facing_grid), downwind, bend_deg, length_m=APPROACH_M)


def _local_wind(
    exposure: Raster, at: FloatArray, facing_grid: FloatArray, wind: Wind
) -> FloatArray:
    """Return (points, 2): the local wind at the pocket and at the near decoys."""
    columns = []
    for out_m in (POCKET_M, NEAR_DECOYS_M):
        patch = turned(disc(4.0, 1.0) + [0.0, out_m], facing_grid)
        ratio = sample(exposure, at, patch)[exposure.bands.index("local_ratio")]
        wet = np.isfinite(ratio) & (ratio > 0)
        mean = np.where(wet, ratio, 0).sum(axis=1) / np.maximum(wet.sum(axis=1), 1)
        columns.append(mean * wind.speed_mps)
    return np.column_stack(columns)


def _fetch(exposure: Raster, at: FloatArray, facing_grid: FloatArray) -> FloatArray:
    pocket = turned(np.array([[0.0, POCKET_M]]), facing_grid)
    fetch: FloatArray = sample(exposure, at, pocket)[exposure.bands.index("fetch_m")][:, 0]
    return fetch


def _way_in(
    cover: Raster,
    obstacles: Raster | None,
    at: FloatArray,
    facing_grid: FloatArray,
    *,
    wind: Wind,
    params: ScoreParams,
) -> Approach:
    """Return the way in to each pocket, with its room.

    Onto the bank birds come over or round the hide and land going away (common practice, no
    source), so there the land under the way in counts half, less where tall trees leave no room to
    come down. In calm air they may come from anywhere: the water straight out is looked at, and no
    bend is claimed.
    """
    pocket = _pocket(at, facing_grid)
    if wind.calm:
        held = approach(cover, pocket, facing_grid, facing_grid, params=params.approach)
        return Approach(np.zeros(len(pocket)), held.water)
    from_grid = float(cover.grid.to_grid_bearing(wind.from_deg))
    found = approach(cover, pocket, from_grid + 180.0, facing_grid, params=params.approach)
    theta = np.abs(signed_diff_deg(from_grid, facing_grid))
    over_land = 0.55 * (1.0 - smoothstep(theta, 25.0, 70.0))
    if obstacles is not None:
        over_land *= over_what_stands(obstacles, pocket, from_grid + 180.0, params=params.approach)
    over = over_land > found.water
    return Approach(np.where(over, 0.0, found.bend_deg), np.maximum(found.water, over_land))


GIVEN = ("candidates", "cover", "gear", "assume", "depth", "dwellings", "roads", "access")
"""What a morning brings that it is worked out from."""


@dataclass(frozen=True)
class Standing:
    """What no wind changes, (blinds,) each.

    Parameters
    ----------
    parts
        Components of the score by name.
    overhead
        Cover overhead, which counts by the wind.
    landing
        Share of water about the pocket.
    front
        What lies before the guns.
    """

    parts: Mapping[str, FloatArray]
    overhead: FloatArray
    landing: FloatArray
    front: Front


def standing_in_any_wind(
    *,
    candidates: gpd.GeoDataFrame,
    cover: Raster,
    gear: Gear | None = None,
    assume: Assume | None = None,
    depth: Raster | None = None,
    dwellings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    access: gpd.GeoDataFrame | None = None,
) -> Standing:
    """Return what no wind changes of each candidate, in their order."""
    gear, assume = gear or Gear(), assume or Assume()
    at = np.column_stack([candidates.geometry.x, candidates.geometry.y])
    facing = candidates["facing_deg"].to_numpy(float)
    facing_grid = np.asarray(cover.grid.to_grid_bearing(facing))
    alone = (candidates["kind"] == "cover clump").to_numpy()
    hidden = hiding(cover, at, facing_grid, alone=alone, leaf_off=assume.leaf_off)
    front = front_of(
        at,
        facing,
        grid=cover.grid,
        load=read_load(gear.load),
        error_m=guns_error_m(PositionErrors.from_layers(assume.position_error_m)),
        layers={"dwellings": dwellings, "roads": roads},
        access=access,
    )
    parts = {
        "hide": hidden.beside,
        "behind": 0.3 + 0.7 * hidden.behind,
        "party": party_score(
            cover, at, facing_grid, party=gear.party, depth=depth, wade_m=gear.wade_m
        ),
        "feeding": feeding_score(candidates["depth_m"].to_numpy(float)),
        "wading": wading_score(_numbers(candidates, "setting_m"), gear.wade_m),
        "access": _access(candidates),
        "fire": front.worth,
    }
    return Standing(parts, hidden.overhead, _landing_room(cover, at, facing_grid), front)


def standing_of(morning: Mapping[str, Any]) -> Standing:
    """Return `standing` of what a morning brings."""
    return standing_in_any_wind(**{n: morning[n] for n in GIVEN if morning.get(n) is not None})


def _numbers(candidates: gpd.GeoDataFrame, name: str) -> FloatArray:
    """Return a column, NaN where the candidates come without it."""
    if name not in candidates.columns:
        return np.full(len(candidates), np.nan)
    return candidates[name].to_numpy(float)


def _access(candidates: gpd.GeoDataFrame) -> FloatArray:
    minutes = _numbers(candidates, "way_min")
    known = np.isfinite(_numbers(candidates, "access_m"))
    return way_score(np.where(np.isfinite(minutes), minutes, np.inf), known=known)


def _landing_room(cover: Raster, at: FloatArray, facing_grid: FloatArray) -> FloatArray:
    """Return the share of water about the pocket; in an opening birds drop steeply into it."""
    about = turned(disc(8.0, 1.0) + [0.0, POCKET_M], facing_grid)
    return np.asarray((classes(cover, at, about) == Cover.WATER).mean(axis=1), float)
