"""What a blind is worth in any wind: cover, stands, depth, way in, and what lies before it.

Worked out once a morning, however many winds are then looked at.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np

from sitegeo.grid import Raster
from sitegeo.law.position import PositionErrors
from sitegeo.law.shotfall import read_load
from sitegeo.layers import Cover
from sitegeo.placefile import Assume
from sitegeo.siting.around import Floats, classes, disc, turned
from sitegeo.siting.candidates import POCKET_M
from sitegeo.siting.firing import Front, front_of, guns_error_m
from sitegeo.siting.hiding import hiding, party_score
from sitegeo.siting.worth import feeding_score, wading_score, way_score
from sitegeo.spreads.decoys import Gear

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

    parts: Mapping[str, Floats]
    overhead: Floats
    landing: Floats
    front: Front


def standing(
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
    return standing(**{n: morning[n] for n in GIVEN if morning.get(n) is not None})


def _numbers(candidates: gpd.GeoDataFrame, name: str) -> Floats:
    """Return a column, NaN where the candidates come without it."""
    if name not in candidates.columns:
        return np.full(len(candidates), np.nan)
    return candidates[name].to_numpy(float)


def _access(candidates: gpd.GeoDataFrame) -> Floats:
    minutes = _numbers(candidates, "way_min")
    known = np.isfinite(_numbers(candidates, "access_m"))
    return way_score(np.where(np.isfinite(minutes), minutes, np.inf), known=known)


def _landing_room(cover: Raster, at: Floats, facing_grid: Floats) -> Floats:
    """Return the share of water about the pocket; in an opening birds drop steeply into it."""
    about = turned(disc(8.0, 1.0) + [0.0, POCKET_M], facing_grid)
    return np.asarray((classes(cover, at, about) == Cover.WATER).mean(axis=1), float)
