"""How well each candidate blind works for a wind: component scores, and one score of them all.

Hard reasons against a blind are kept apart in `rejected_by`; the components here are soft, and
what each scores stands in `siting.curves` and the modules it is worked out by, what it weighs in
`weights.toml`. What no wind changes is worked out first, so that many winds can share it.
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
import pandas as pd
from numpy.typing import ArrayLike

from sitegeo.angles import signed_diff_deg, smoothstep, unit_from_bearing
from sitegeo.core.contracts import Cover, ValueContract
from sitegeo.core.grid import Raster
from sitegeo.core.steps import step
from sitegeo.core.typing import BoolArray, FloatArray, ObjectArray
from sitegeo.core.wind import CALM_MPS, Wind
from sitegeo.exposure.sweep import top_m
from sitegeo.law.context import PositionErrors
from sitegeo.law.shot_range import read_load
from sitegeo.places.config import Assume
from sitegeo.siting.approach import (
    Approach,
    ApproachParams,
    approach_lines,
    find_approach,
    score_descent,
)
from sitegeo.siting.concealment import overhead_score, party_score, rate_concealment
from sitegeo.siting.curves import (
    OPENING_WIDTH_M,
    UNKNOWN_SCORE,
    access_score,
    drift_score,
    feeding_score,
    spread_score,
    wading_score,
    wind_fit,
)
from sitegeo.siting.observations import ObservationParams, ObservationScores, score_observations
from sitegeo.siting.retrieval import EDGE_ERROR_M, Drift, find_drift
from sitegeo.siting.sampling import (
    cover_classes,
    decoy_patches,
    disc_offsets,
    least_chord_m,
    patch_ahead,
    rotate_offsets,
    sample_around,
)
from sitegeo.siting.shooting_front import ShootingFront, guns_error_m, rate_front
from sitegeo.siting.spread_room import spread_water_shares
from sitegeo.siting.sun import birds_sun_score, shooters_sun_score, sun_path
from sitegeo.spreads.decoys import Gear
from sitegeo.spreads.frame import POCKET_M, wind_side
from sitegeo.spreads.layouts import choose_layout
from sitegeo.units import metres_per_second

CALM_PHI_DEG = 180.0
"""Without a wind the spread is laid even on both hands with the lane in front open; judgement."""

TIMBER_RIPPLE = UNKNOWN_SCORE
"""In timber people make the ripple, with a jerk line and their feet (common practice, no source);
it earns no credit beside ripple the wind makes (judgement)."""

TIMBER_CALM_MPS = metres_per_second(4.0, "mph")
"""Below this over the canopy no direction is claimed in timber; judgement."""

FRONT_SHUT = "no fire anywhere in front: the load could fall on something mapped"
"""Why a blind is rejected whose whole front is closed."""

LEAST_COMPONENT = 0.02
"""No component counts as less, so that one alone cannot end a score; judgement."""

RAISES = ("observed",)
"""Components that raise a score by what there is of them, and lower none where there is nothing."""


@dataclass(frozen=True)
class ScoreParams:
    """Where a component is good or bad; judgement throughout.

    Parameters
    ----------
    still_mps, full_ripple_mps
        Local wind at which water is dead, and at which a spread has all the ripple it wants. Not
        the wind of `exposure`, 2.5 m/s, at which ripple begins to show.
    rough_mps, wild_mps
        Local wind above which decoys and birds have too much of it, and at which they have the
        most.
    wild_loss
        What water that wild takes from the score of the ripple.
    land_least, land_full
        Share of water about the pocket up to which no approach helps, and from which the land
        about it takes nothing.
    pocket_m
        Radius of the water about the pocket that is looked at.
    over_land
        What the room over a bank scores with the wind onto it, where birds come over the hide.
    onto_deg, along_deg
        With the wind up to the first against the facing birds come over the hide; from the second
        on they do not.
    open_enough
        Share of an approach along a bank on open water from which on it is all the birds want:
        they keep close to the trees there (common practice, no source; the share is judgement).
    round_hide
        What of the room over a bank is left where trees downwind are too sheer to come down over:
        birds come round the hide (common practice, no source; the share is judgement).
    calm_ripple
        What the ripple of open water scores in calm air, where none is made by hand.
    trees_about_m
        The tallest thing this near the hide tells whether its bank is one of tall trees.
    bare_behind
        What a blind without any backdrop scores for it; a whole one scores 1.
    approach
        The open water wanted on the approach.
    decoys
        Size of the spread the layout is chosen for.
    """

    still_mps: float = 1.5
    full_ripple_mps: float = 3.0
    rough_mps: float = 9.0
    wild_mps: float = 15.0
    wild_loss: float = 0.7
    land_least: float = 0.5
    land_full: float = 0.9
    pocket_m: float = 8.0
    over_land: float = 0.55
    onto_deg: float = 25.0
    along_deg: float = 70.0
    open_enough: float = 0.8
    round_hide: float = 0.5
    calm_ripple: float = 0.2
    trees_about_m: float = 8.0
    bare_behind: float = 0.3
    approach: ApproachParams = field(default_factory=ApproachParams)
    decoys: int = 36


@cache
def component_weights() -> Mapping[str, float]:
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
    wind_independent: WindIndependentScores | None = None,
    params: ScoreParams = ScoreParams(),
) -> gpd.GeoDataFrame:
    """Every candidate scored for a wind, with its layout and components.

    In calm air no direction is claimed, and wind and ripple count as not known; without a date
    nothing is said of the sun, and without an `observations` layer nothing of birds seen.

    Parameters
    ----------
    candidates, cover, exposure
        The layers of these names.
    wind
        The wind hunted in.
    gear, assume
        What the party carries, and what the place file assumes.
    obstacles, depth, public_land, observations, dwellings, roads, access
        The layers of these names, None where the place has none.
    when
        The hour hunted.
    wind_independent
        Where many winds are looked at, what none of them changes.
    params
        Where a component is good or bad.

    Returns
    -------
    GeoDataFrame
        The `blinds` layer in the order of the candidates: a column `c_NAME` for each component
        that can be judged, and `score`, all in 0 to 1.
    """
    gear, assume = gear or Gear(decoys=params.decoys), assume or Assume()
    fixed = wind_independent or wind_independent_scores(
        candidates=candidates, cover=cover, gear=gear, assume=assume, depth=depth,
        dwellings=dwellings, roads=roads, access=access, params=params,
    )  # fmt: skip
    hides = _Hides.in_wind(candidates, cover, wind)
    theta, kinds, timber, still = np.abs(hides.phi), hides.kinds, hides.timber, hides.still
    facings = zip(kinds, hides.phi, strict=True)
    layouts = [choose_layout(kind, phi, decoys=gear.decoys) for kind, phi in facings]
    local = _local_wind(exposure, hides, wind)
    ripple = ripple_score(local.min(axis=1), kinds, params)
    approach = _approach_in_wind(obstacles, hides, wind=wind, params=params)
    bend = np.where(timber | still, 0.0, approach.bend_deg)
    fallen = _drift_in_wind(hides, wind, public_land, assume)
    trees_m = 0.0 if obstacles is None else _height_about(obstacles, hides, params)
    parts = {
        "wind": np.where(still, UNKNOWN_SCORE, wind_fit(theta, kinds, trees_m=trees_m)),
        "ripple": np.where(still, ripple_in_calm(kinds, params), ripple),
        "room": _room(hides, approach, fixed.landing, params),
        "spread": _spread(hides, np.array(layouts), decoys=gear.decoys, depth=depth),
        "overhead": overhead_score(fixed.overhead, theta, timber=timber, still=still),
        "drift": drift_score(fallen.distance_m, fallen.ground),
        **fixed.parts,
        **({} if when is None else _sun(hides, wind, when)),
    }
    told: dict[str, Any] = {"drift_m": fallen.distance_m, "drift_ground": fallen.ground}
    if observations is not None:
        seen = _observed(observations, hides, bend, wind=wind, when=when)
        parts["observed"], told["observed"] = seen.score, seen.words
    return with_shut_fronts(candidates, fixed.front).assign(
        **{f"c_{name}": part for name, part in parts.items()},
        **told,
        score=combine_components(parts),
        pocket_closed=fixed.front.pocket_closed(wind),
        phi_deg=hides.phi,
        wind_side=["calm" if s else wind_side(p) for s, p in zip(still, hides.phi, strict=True)],
        layout=layouts,
        bend_deg=bend,
        local_wind_mps=local[:, 0],
        fetch_m=_fetch(exposure, hides),
    )


def ripple_in_calm(kinds: ObjectArray, params: ScoreParams) -> FloatArray:
    """Return how well water ripples without a wind: by hand in timber, hardly elsewhere."""
    return np.where(kinds == "timber opening", TIMBER_RIPPLE, params.calm_ripple)


def with_shut_fronts(candidates: gpd.GeoDataFrame, front: ShootingFront) -> gpd.GeoDataFrame:
    """Return candidates with those rejected, in `rejected_by`, whose whole front is closed."""
    reasons = candidates["rejected_by"].to_numpy(object)
    shut = front.shut & pd.isna(reasons)
    return candidates.assign(rejected_by=np.where(shut, FRONT_SHUT, reasons))


def ripple_score(local_mps: FloatArray, kinds: ObjectArray, params: ScoreParams) -> FloatArray:
    """Return how well the water ripples where decoys lie.

    Parameters
    ----------
    local_mps
        (…, blinds) local wind.
    kinds
        (blinds,) kinds of position.
    params
        What is still, and what rough.

    Returns
    -------
    ndarray
        Of the shape of `local_mps`: 0 on dead water, 1 where it ripples, less again where it is
        rough; in timber openings what people make of it themselves, `TIMBER_RIPPLE`.

    Examples
    --------
    >>> kinds = np.array(["tree line", "timber opening"], dtype=object)
    >>> ripple_score(np.array([5.0, 0.0]), kinds, ScoreParams()).tolist()
    [1.0, 0.5]
    """
    alive = smoothstep(local_mps, params.still_mps, params.full_ripple_mps)
    wild = params.wild_loss * smoothstep(local_mps, params.rough_mps, params.wild_mps)
    return np.where(kinds == "timber opening", TIMBER_RIPPLE, alive - wild)


def is_too_weak(speed_mps: ArrayLike, kinds: FloatArray) -> BoolArray:
    """Return where a wind is too weak to claim a direction, by kind of position."""
    least = np.where(kinds == "timber opening", TIMBER_CALM_MPS, CALM_MPS)
    return np.asarray(speed_mps < least, np.bool_)


def combine_components(parts: Mapping[str, FloatArray]) -> FloatArray:
    """Return the score: the weighted geometric mean of the components.

    It rises with each component, and none counts as less than `LEAST_COMPONENT`. Those of `RAISES`
    count as so much more weight of what is perfect, by how much there is of them, and so never
    lower a score.

    Examples
    --------
    >>> combine_components({"wind": np.array([0.25]), "ripple": np.array([1.0])}).tolist()
    [0.5]
    """
    weight = component_weights()
    plain = {name: part for name, part in parts.items() if name not in RAISES}
    logs = sum(weight[n] * np.log(np.clip(part, LEAST_COMPONENT, 1.0)) for n, part in plain.items())
    total = sum(weight[n] for n in plain) + sum(
        weight[n] * np.clip(parts[n], 0.0, 1.0) for n in RAISES if n in parts
    )
    return np.asarray(np.exp(logs / total), float)


def with_component(blinds: gpd.GeoDataFrame, name: str, values: FloatArray) -> gpd.GeoDataFrame:
    """Return scored blinds with one more component, and the score of all of them.

    Parameters
    ----------
    blinds
        The `blinds` layer.
    name
        Of a component in `weights.toml`.
    values
        (blinds,), 0 to 1.

    Returns
    -------
    GeoDataFrame
        The same with a column `c_NAME`, and `score` anew.
    """
    scored = blinds.assign(**{f"c_{name}": values})
    parts = {c[2:]: scored[c].to_numpy(float) for c in scored.columns if c.startswith("c_")}
    return scored.assign(score=combine_components(parts))


@dataclass(frozen=True)
class WindIndependentScores:
    """What of the score no wind changes, (blinds,) each.

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
    front: ShootingFront


@step(ValueContract("wind_independent", WindIndependentScores))
def wind_independent_scores(
    *,
    candidates: gpd.GeoDataFrame,
    cover: Raster,
    gear: Gear,
    assume: Assume | None = None,
    depth: Raster | None = None,
    dwellings: gpd.GeoDataFrame | None = None,
    roads: gpd.GeoDataFrame | None = None,
    access: gpd.GeoDataFrame | None = None,
    params: ScoreParams = ScoreParams(),
) -> WindIndependentScores:
    """Return what no wind changes of each candidate.

    Parameters
    ----------
    candidates, cover, depth, dwellings, roads, access
        The layers of these names, None where the place has none.
    gear, assume
        What the party carries, and what the place file assumes.
    params
        Where a component is good or bad.

    Returns
    -------
    WindIndependentScores
        In the order of the candidates.
    """
    assume = assume or Assume()
    at = np.column_stack([candidates.geometry.x, candidates.geometry.y])
    facing = candidates["facing_deg"].to_numpy(float)
    facing_grid = np.asarray(cover.grid.to_grid_bearing(facing))
    alone = (candidates["kind"] == "cover clump").to_numpy()
    hidden = rate_concealment(cover, at, facing_grid, alone=alone, leaf_off=assume.leaf_off)
    front = rate_front(
        at,
        facing,
        grid=cover.grid,
        load=read_load(gear.load),
        error_m=guns_error_m(PositionErrors.from_layers(assume.position_error_m)),
        layers={"dwellings": dwellings, "roads": roads},
        access=access,
    )
    east, north = unit_from_bearing(facing_grid)
    pocket = at + POCKET_M * np.column_stack([east, north])
    parts = {
        "hide": hidden.beside,
        "behind": params.bare_behind + (1.0 - params.bare_behind) * hidden.behind,
        "party": party_score(
            cover, at, facing_grid, party=gear.party, depth=depth, wade_m=gear.wade_m
        ),
        "feeding": feeding_score(candidates["depth_m"].to_numpy(float)),
        "wading": wading_score(_numbers(candidates, "setting_m"), gear.wade_m),
        "access": _access(candidates),
        "fire": front.score,
        "in_range": np.where(
            (candidates["kind"] == "timber opening").to_numpy(),
            OPENING_WIDTH_M(least_chord_m(cover, pocket)),
            1.0,
        ),
    }
    # In a timber opening birds drop steeply into the pocket, so the water about it is their room.
    about = patch_ahead(POCKET_M, params.pocket_m, facing_grid)
    landing = np.asarray((cover_classes(cover, at, about) == Cover.WATER).mean(axis=1), float)
    return WindIndependentScores(parts, hidden.overhead, landing, front)


def _numbers(candidates: gpd.GeoDataFrame, name: str) -> FloatArray:
    """Return a column, NaN where the candidates come without it."""
    if name not in candidates.columns:
        return np.full(len(candidates), np.nan)
    return candidates[name].to_numpy(float)


def _access(candidates: gpd.GeoDataFrame) -> FloatArray:
    minutes = _numbers(candidates, "way_min")
    known = np.isfinite(_numbers(candidates, "access_m"))
    return access_score(np.where(np.isfinite(minutes), minutes, np.inf), known=known)


@dataclass(frozen=True)
class _Hides:
    """The candidates as arrays, and how a wind meets them, (blinds,) each; `at` is (blinds, 2)."""

    cover: Raster
    at: FloatArray
    facing: FloatArray
    facing_grid: FloatArray
    kinds: ObjectArray
    timber: BoolArray
    still: BoolArray
    phi: FloatArray

    @classmethod
    def in_wind(cls, candidates: gpd.GeoDataFrame, cover: Raster, wind: Wind) -> _Hides:
        facing = candidates["facing_deg"].to_numpy(float)
        kinds = candidates["kind"].to_numpy()
        still = is_too_weak(wind.speed_mps, kinds)
        phi = np.atleast_1d(signed_diff_deg(wind.from_deg, facing))
        return cls(
            cover,
            np.column_stack([candidates.geometry.x, candidates.geometry.y]),
            facing,
            np.asarray(cover.grid.to_grid_bearing(facing)),
            kinds,
            kinds == "timber opening",
            still,
            np.where(still, CALM_PHI_DEG, phi),
        )

    @property
    def pocket(self) -> FloatArray:
        """(blinds, 2) middle of each pocket."""
        east, north = unit_from_bearing(self.facing_grid)
        return np.asarray(self.at + POCKET_M * np.column_stack([east, north]), float)


def _local_wind(exposure: Raster, hides: _Hides, wind: Wind) -> FloatArray:
    """Return (blinds, 2): the local wind at the pocket and at the near decoys."""
    columns = []
    for patch in np.moveaxis(decoy_patches(hides.facing_grid), 1, 0):
        ratio = sample_around(exposure, hides.at, patch)[exposure.bands.index("local_ratio")]
        wet = np.isfinite(ratio) & (ratio > 0)
        mean = np.where(wet, ratio, 0).sum(axis=1) / np.maximum(wet.sum(axis=1), 1)
        columns.append(mean * wind.speed_mps)
    return np.column_stack(columns)


def _height_about(obstacles: Raster, hides: _Hides, params: ScoreParams) -> FloatArray:
    """Return (blinds,) how high the tallest thing about each hide stands over its pocket."""
    about = rotate_offsets(disc_offsets(params.trees_about_m, 2.0), hides.facing_grid)
    top = top_m(sample_around(obstacles, hides.at, about)).max(axis=1)
    water = top_m(sample_around(obstacles, hides.pocket, np.zeros((1, 2))))[:, 0]
    return np.asarray(np.maximum(top - water, 0.0), float)


def _fetch(exposure: Raster, hides: _Hides) -> FloatArray:
    pocket = rotate_offsets(np.array([[0.0, POCKET_M]]), hides.facing_grid)
    found = sample_around(exposure, hides.at, pocket)[exposure.bands.index("fetch_m")]
    return np.asarray(found[:, 0], float)


def _approach_in_wind(
    obstacles: Raster | None, hides: _Hides, *, wind: Wind, params: ScoreParams
) -> Approach:
    """Return the approach to each pocket, with its room.

    Onto the bank birds come over or round the hide and land going away (common practice, no
    source), so there the land under the approach counts half, less where tall trees leave no room
    to come down. In calm air they may come from anywhere: the water straight out is looked at, and
    no bend is claimed.
    """
    cover, pocket, facing_grid = hides.cover, hides.pocket, hides.facing_grid
    if wind.calm:
        held = find_approach(cover, pocket, facing_grid, facing_grid, params=params.approach)
        return Approach(np.zeros(len(pocket)), held.water)
    from_grid = float(cover.grid.to_grid_bearing(wind.from_deg))
    downwind = from_grid + 180.0
    found = find_approach(cover, pocket, downwind, facing_grid, params=params.approach)
    theta = np.abs(signed_diff_deg(from_grid, facing_grid))
    onto = 1.0 - smoothstep(theta, params.onto_deg, params.along_deg)
    over_land = params.over_land * onto
    if obstacles is not None:
        descent = score_descent(obstacles, pocket, downwind, params=params.approach)
        over_land *= params.round_hide + (1.0 - params.round_hide) * descent
    over = over_land > found.water
    return Approach(np.where(over, 0.0, found.bend_deg), np.maximum(found.water, over_land))


def _room(
    hides: _Hides, approach: Approach, landing: FloatArray, params: ScoreParams
) -> FloatArray:
    """Return the room birds have: over the approach and the pocket; in timber, the pocket alone."""
    along = np.minimum(approach.water / params.open_enough, 1.0)
    open_way = np.where(approach.bend_deg == 0, approach.water, along)
    room = open_way * smoothstep(landing, params.land_least, params.land_full)
    return np.where(hides.timber, landing, room)


def _spread(
    hides: _Hides, layouts: ObjectArray, *, decoys: int, depth: Raster | None
) -> FloatArray:
    where = hides.cover, hides.at, hides.facing_grid
    return spread_score(
        *spread_water_shares(*where, hides.phi, layouts, decoys=decoys, depth=depth)
    )


def _drift_in_wind(
    hides: _Hides, wind: Wind, public_land: gpd.GeoDataFrame | None, assume: Assume
) -> Drift:
    to_grid = hides.cover.grid.to_grid_bearing
    return find_drift(
        hides.cover,
        hides.at,
        hides.facing_grid,
        from_grid_deg=None if wind.calm else float(to_grid(wind.from_deg)),
        public_land=public_land,
        error_m=assume.position_error_m.get("public_land", EDGE_ERROR_M),
        complete=assume.complete.get("public_land") is True,
    )


def _sun(hides: _Hides, wind: Wind, when: datetime) -> dict[str, FloatArray]:
    lat, lon = hides.cover.grid.centre_latlon
    sun = sun_path(lon, lat, when)
    heading = np.full(len(hides.at), wind.from_deg)
    return {
        "sun": shooters_sun_score(hides.facing, *sun),
        "birds_sun": birds_sun_score(hides.facing, heading, *sun, claimed=~hides.still),
    }


def _observed(
    observations: gpd.GeoDataFrame,
    hides: _Hides,
    bend_deg: FloatArray,
    *,
    wind: Wind,
    when: datetime | None,
) -> ObservationScores:
    """Return what was seen over the approach, looked along from as far off as birds are counted."""
    pocket, ways_in = hides.pocket, None
    if not wind.calm:
        downwind = float(hides.cover.grid.to_grid_bearing(wind.from_deg)) + 180.0
        far_m = ObservationParams().approach_m
        ways_in = approach_lines(pocket, downwind, bend_deg, length_m=far_m)
    return score_observations(
        observations, pocket, ways_in, on=None if when is None else when.date()
    )
