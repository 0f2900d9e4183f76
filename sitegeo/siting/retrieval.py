"""Where birds that fall on the water drift to, and onto whose ground."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.typing import AnyArray, FloatArray
from sitegeo.law.ground import ground_ownership
from sitegeo.siting.sampling import cover_classes, rotate_offsets
from sitegeo.spreads.frame import POCKET_M
from sitegeo.units import yd

EDGE_ERROR_M = 10.0
"""Error of the edges of public land where PLACE.toml is silent; judgement."""


@dataclass(frozen=True)
class DriftParams:
    """How far fallen birds are followed; judgement.

    Parameters
    ----------
    fall_m
        Where on the way out from the guns most birds fall.
    step_m
        Their way is looked at in steps of this.
    most_m
        Farther than this a drifting bird is gone for the morning.
    """

    fall_m: float = yd(30.0)
    step_m: float = 5.0
    most_m: float = 600.0


@dataclass(frozen=True)
class Drift:
    """Where fallen birds end up; (blinds,) each.

    Parameters
    ----------
    distance_m
        Over water to where they land, at most `DriftParams.most_m`; 0 without a wind, which moves
        none.
    ground
        Whose the ground is there: public, private, unknown.
    """

    distance_m: FloatArray
    ground: AnyArray


def find_drift(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    *,
    from_grid_deg: float | None,
    public_land: gpd.GeoDataFrame | None = None,
    error_m: float = EDGE_ERROR_M,
    complete: bool = False,
    params: DriftParams = DriftParams(),
) -> Drift:
    """Return where birds that fall before each blind drift to, straight downwind.

    Parameters
    ----------
    cover
        The `cover` layer.
    at
        (blinds, 2) hides, in its CRS.
    facing_grid
        (blinds,) grid bearings they look out on.
    from_grid_deg
        Where the wind comes from on the grid; None in calm air.
    public_land, error_m, complete
        As for `law.ground.ground_ownership`; without the layer the ground is unknown.
    params
        How far birds are followed.

    Returns
    -------
    Drift
        In the order of `at`.
    """
    ahead = rotate_offsets(np.array([[0.0, POCKET_M], [0.0, params.fall_m]]), facing_grid)
    fall = at[:, None, :] + ahead
    wet = cover_classes(cover, at, ahead) == Cover.WATER
    # Over a narrow water they fall in its middle, not on the bank beyond it.
    start = np.where(wet[:, 1:2], fall[:, 1], fall[:, 0])
    if from_grid_deg is None:
        end, distance = start, np.zeros(len(at))
    else:
        steps = np.arange(1, int(params.most_m / params.step_m) + 1) * params.step_m
        line = np.column_stack([np.zeros_like(steps), steps])
        ways = rotate_offsets(line, np.full(len(at), from_grid_deg + 180.0))
        wet_ways = cover_classes(cover, start, ways) == Cover.WATER
        count = np.logical_and.accumulate(wet_ways, axis=1).sum(axis=1)
        distance = count * params.step_m
        ashore = np.minimum(count, len(steps) - 1)
        end = start + ways[np.arange(len(at)), ashore]
    points = gpd.GeoDataFrame(
        {"id": [f"{n:06d}" for n in range(len(at))]},
        geometry=gpd.points_from_xy(*end.T),
        crs=cover.grid.crs,
    )
    whose = ground_ownership(points, public_land, error_m=error_m, complete=complete)
    return Drift(distance, whose.to_numpy())
