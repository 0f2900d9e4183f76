"""How well each candidate blind works for a wind: component scores, and one score of them.

Hard reasons against a blind are kept apart in `rejected_by`; the components here are soft.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

import geopandas as gpd
import numpy as np
from numpy.typing import ArrayLike, NDArray

from sitegeo.angles import signed_diff_deg, smoothstep, unit_from_bearing
from sitegeo.grid import Raster
from sitegeo.layers import Cover
from sitegeo.siting.around import Floats, disc, sample, strip, turned
from sitegeo.siting.candidates import POCKET_M
from sitegeo.spreads.decoys import Gear
from sitegeo.spreads.frame import wind_side
from sitegeo.spreads.layouts import choose
from sitegeo.steps import step
from sitegeo.units import metres_per_second, yd
from sitegeo.wind import CALM_MPS, Wind

NEAR_M = yd(10.0)
"""Where the near decoys lie."""

CALM_PHI_DEG = 180.0
"""Without a wind the spread is laid even on both hands with the lane in front open; judgement."""

TIMBER_RIPPLE = 0.75
"""In timber people make the ripple, with a jerk line and their feet (common practice, no source);
its worth is judgement."""

TIMBER_CALM_MPS = metres_per_second(4.0, "mph")
"""Below this over the canopy no direction is claimed in timber; judgement."""

UNKNOWN = 0.5
"""Score of a component whose layer is missing; the reasons say that it is not known."""


@dataclass(frozen=True)
class ScoreParams:
    """Where a component is good or bad; judgement unless marked.

    Parameters
    ----------
    still_mps, ripple_mps
        Local wind at which water is dead, and at which it plainly ripples (the middle of
        Beaufort force 2, small wavelets, is 2.5 m/s).
    rough_mps, wild_mps
        Local wind above which decoys and birds have too much of it.
    runway_m, runway_half_width_m
        Open water wanted downwind of the pocket.
    decoys
        Size of the spread the layout is chosen for.
    """

    still_mps: float = 1.5
    ripple_mps: float = 3.0
    rough_mps: float = 9.0
    wild_mps: float = 15.0
    runway_m: float = 80.0
    runway_half_width_m: float = 10.0
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
    params: ScoreParams = ScoreParams(),
) -> gpd.GeoDataFrame:
    """Every candidate scored for a wind, with its layout and components.

    Returns the `blinds` layer in the order of the candidates. Components and score lie in 0 to 1;
    in calm air no direction is claimed, and wind and ripple count as not known.
    """
    at = np.column_stack([candidates.geometry.x, candidates.geometry.y])
    facing_grid = np.asarray(cover.grid.to_grid_bearing(candidates["facing_deg"].to_numpy()))
    phi = np.atleast_1d(signed_diff_deg(wind.from_deg, candidates["facing_deg"].to_numpy()))
    kinds = candidates["kind"].to_numpy()
    timber = kinds == "timber opening"
    still = too_weak(wind.speed_mps, kinds)
    phi = np.where(still, CALM_PHI_DEG, phi)
    theta = np.abs(phi)
    decoys = params.decoys if gear is None else gear.decoys
    local = _local_wind(exposure, at, facing_grid, wind)
    landing = landing_room(cover, at, facing_grid)
    room = _room(cover, at, facing_grid, wind=wind, params=params)
    room = room * smoothstep(landing, 0.5, 0.9)  # no way in helps where the pocket is land
    parts = {
        "wind": np.where(still, UNKNOWN, wind_fit(theta, kinds)),
        "ripple": np.where(still, UNKNOWN, ripple_at(local.min(axis=1), kinds, params)),
        "room": np.where(timber, landing, room),
        "hide": _hidden(candidates, theta, calm=wind.calm),
        "depth": depth_score(candidates["depth_m"].to_numpy(float)),
        "access": access_score(candidates["access_m"].to_numpy(float)),
    }
    out = candidates.assign(
        **parts,
        score=combine(parts),
        phi_deg=phi,
        wind_side=["calm" if s else wind_side(p) for s, p in zip(still, phi, strict=True)],
        layout=[choose(k, p, decoys=decoys) for k, p in zip(kinds, phi, strict=True)],
        local_wind_mps=local[:, 0],
        fetch_m=_fetch(exposure, at, facing_grid),
    )
    return out.rename(columns={name: f"c_{name}" for name in parts})


def too_weak(speed_mps: ArrayLike, kinds: Floats) -> NDArray[np.bool_]:
    """Return where a wind is too weak to claim a direction, by kind of position."""
    least = np.where(kinds == "timber opening", TIMBER_CALM_MPS, CALM_MPS)
    return np.asarray(speed_mps < least, np.bool_)


def combine(parts: Mapping[str, Floats]) -> Floats:
    """Return the weighted geometric mean of the components, none taken below 0.02."""
    weight = weights()
    total = sum(weight[name] for name in parts)
    logs = sum(weight[name] * np.log(np.clip(part, 0.02, 1.0)) for name, part in parts.items())
    return np.asarray(np.exp(logs / total), float)


def with_component(blinds: gpd.GeoDataFrame, name: str, values: Floats) -> gpd.GeoDataFrame:
    """Return scored blinds with one more component, and the score of all of them."""
    scored = blinds.assign(**{f"c_{name}": values})
    parts = {c[2:]: scored[c].to_numpy(float) for c in scored.columns if c.startswith("c_")}
    return scored.assign(score=combine(parts))


def wind_fit(theta: Floats, kinds: Floats) -> Floats:
    """Return how well the layouts of each kind of position suit the wind against the facing.

    On a bank wind along it is best at 70 to 85°, onto it and off it work;
    on a point abeam to a little behind is best, at 110 to 130°; over open water across; in timber
    the guns sit at the upwind end or flank, 120 to 180° (common practice, no source; the numbers
    between are judgement).
    """
    bank = np.interp(theta, [0, 25, 60, 70, 85, 120, 180], [0.75, 0.8, 0.95, 1, 1, 0.9, 0.75])
    point = np.interp(theta, [0, 45, 90, 110, 130, 150, 180], [0.6, 0.7, 0.95, 1, 1, 0.9, 0.6])
    over_open = np.interp(theta, [0, 45, 65, 105, 140, 180], [0.6, 0.8, 1, 1, 0.85, 0.75])
    timber = np.interp(theta, [0, 45, 60, 90, 120, 180], [0.05, 0.1, 0.4, 0.75, 1, 1])
    fits = [point, over_open, over_open, timber]
    names = ("point", "cover clump", "open flat", "timber opening")
    return np.select([kinds == name for name in names], fits, bank)


def ripple_score(local_mps: Floats, params: ScoreParams) -> Floats:
    """Return 0 on dead water, 1 where it ripples, falling again where it is rough."""
    alive = smoothstep(local_mps, params.still_mps, params.ripple_mps)
    wild = 0.7 * smoothstep(local_mps, params.rough_mps, params.wild_mps)
    return np.asarray(alive - wild, float)


def ripple_at(local_mps: Floats, kinds: Floats, params: ScoreParams) -> Floats:
    """Return `ripple_score`, and in timber openings what people make of it themselves."""
    return np.where(kinds == "timber opening", TIMBER_RIPPLE, ripple_score(local_mps, params))


def depth_score(depth_m: Floats) -> Floats:
    """Return 1 where dabblers feed and a person wades, less where deep, `UNKNOWN` for NaN."""
    score = np.interp(depth_m, [0.0, 0.1, 0.6, 0.9, 2.0], [0.5, 1.0, 1.0, 0.8, 0.3])
    return np.where(np.isfinite(depth_m), score, UNKNOWN)


def access_score(access_m: Floats) -> Floats:
    """Return 1 close to the way in, falling to 0.3 at a mile, `UNKNOWN` for NaN."""
    score = np.interp(access_m, [0.0, 200.0, 1600.0], [1.0, 1.0, 0.3])
    return np.where(np.isfinite(access_m), score, UNKNOWN)


def _local_wind(exposure: Raster, at: Floats, facing_grid: Floats, wind: Wind) -> Floats:
    """Return (points, 2): the local wind at the pocket and at the near decoys."""
    columns = []
    for out_m in (POCKET_M, NEAR_M):
        patch = turned(disc(4.0, 1.0) + [0.0, out_m], facing_grid)
        ratio = sample(exposure, at, patch)[exposure.bands.index("local_ratio")]
        wet = np.isfinite(ratio) & (ratio > 0)
        mean = np.where(wet, ratio, 0).sum(axis=1) / np.maximum(wet.sum(axis=1), 1)
        columns.append(mean * wind.speed_mps)
    return np.column_stack(columns)


def _fetch(exposure: Raster, at: Floats, facing_grid: Floats) -> Floats:
    pocket = turned(np.array([[0.0, POCKET_M]]), facing_grid)
    fetch: Floats = sample(exposure, at, pocket)[exposure.bands.index("fetch_m")][:, 0]
    return fetch


def _room(
    cover: Raster, at: Floats, facing_grid: Floats, *, wind: Wind, params: ScoreParams
) -> Floats:
    """Return the share of open water on the way in, downwind of the pocket.

    Onto the bank birds come over or round the hide and land going away (common practice, no
    source), so there the land under the way in counts half.
    """
    east, north = unit_from_bearing(facing_grid)
    pocket = at + POCKET_M * np.column_stack([east, north])
    from_grid = float(cover.grid.to_grid_bearing(wind.from_deg))
    theta = np.abs(signed_diff_deg(from_grid, facing_grid))
    downwind = np.full(len(at), from_grid + 180.0)
    heading = facing_grid if wind.calm else _bent(downwind, facing_grid)
    runway = strip(params.runway_m, params.runway_half_width_m, 2.0)
    classes = sample(cover, pocket, turned(runway, heading))[cover.bands.index("class")]
    share = (classes == Cover.WATER).mean(axis=1)
    over_land = 0.0 if wind.calm else 0.55 * (1.0 - smoothstep(theta, 25.0, 70.0))
    return np.asarray(np.maximum(share, over_land), float)


def landing_room(cover: Raster, at: Floats, facing_grid: Floats) -> Floats:
    """Return the share of water about the pocket; in an opening birds drop steeply into it."""
    about = turned(disc(8.0, 1.0) + [0.0, POCKET_M], facing_grid)
    classes = sample(cover, at, about)[cover.bands.index("class")]
    return np.asarray((classes == Cover.WATER).mean(axis=1), float)


def _bent(downwind_deg: Floats, facing_deg: Floats) -> Floats:
    """Return the bearing of the way in, bent along the bank where the wind is a little onto it.

    Birds come along the trees, over water, not straight upwind (common practice, no source): a
    way in that would point up to 35° into the bank follows the bank instead.
    """
    behind = signed_diff_deg(downwind_deg, facing_deg)
    side = np.where(behind >= 0, 1.0, -1.0)
    into_bank = np.abs(behind) - 90.0
    bend = (into_bank > 0) & (into_bank <= 35.0)
    return np.where(bend, facing_deg + side * 90.0, downwind_deg)


def _hidden(candidates: gpd.GeoDataFrame, theta: Floats, *, calm: bool) -> Floats:
    """Return the cover of the hide; with wind onto the bank birds pass over, so overhead counts."""
    beside = candidates["hide"].to_numpy(float)
    if calm:
        return beside
    overhead = candidates["overhead"].to_numpy(float)
    passed_over = 1.0 - smoothstep(theta, 25.0, 65.0)
    return np.asarray(beside * (1.0 - 0.4 * passed_over * (1.0 - overhead)), float)
