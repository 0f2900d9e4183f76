"""Where birds that fall on the water drift to, and onto whose ground."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np

from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.core.typing import AnyArray, FloatArray
from sitegeo.law.ground import ground_of
from sitegeo.siting.sampling import classes, turned
from sitegeo.spreads.frame import POCKET_M
from sitegeo.units import yd

FALL_M = yd(30.0)
"""Where on the way out from the guns most birds fall; judgement."""

STEP_M = 5.0
MOST_M = 600.0
"""Farther than this a drifting bird is gone for the morning; judgement."""

EDGE_ERROR_M = 10.0
"""Error of the edges of public land where PLACE.toml is silent."""


@dataclass(frozen=True)
class Drift:
    """Where fallen birds end up; (blinds,) each.

    Parameters
    ----------
    distance_m
        Over water to where they land, at most `MOST_M`; 0 without a wind, which moves none.
    ground
        Whose the ground is there: public, private, unknown.
    """

    distance_m: FloatArray
    ground: AnyArray


def drift(
    cover: Raster,
    at: FloatArray,
    facing_grid: FloatArray,
    *,
    from_grid_deg: float | None,
    public_land: gpd.GeoDataFrame | None = None,
    error_m: float = EDGE_ERROR_M,
    complete: bool = False,
) -> Drift:
    """Return where birds that fall before each blind drift to, straight downwind.

    Parameters
    ----------
    from_grid_deg
        Where the wind comes from on the grid; None in calm air.
    public_land, error_m, complete
        As for `law.ground.ground_of`; without the layer the ground is unknown.
    """
    ahead = turned(np.array([[0.0, POCKET_M], [0.0, FALL_M]]), facing_grid)
    fall = at[:, None, :] + ahead
    wet = classes(cover, at, ahead) == Cover.WATER
    # Over a narrow water they fall in its middle, not on the bank beyond it.
    start = np.where(wet[:, 1:2], fall[:, 1], fall[:, 0])
    if from_grid_deg is None:
        end, distance = start, np.zeros(len(at))
    else:
        steps = np.arange(1, int(MOST_M / STEP_M) + 1) * STEP_M
        line = np.column_stack([np.zeros_like(steps), steps])
        ways = turned(line, np.full(len(at), from_grid_deg + 180.0))
        afloat = np.logical_and.accumulate(classes(cover, start, ways) == Cover.WATER, axis=1)
        count = afloat.sum(axis=1)
        distance = count * STEP_M
        ashore = np.minimum(count, len(steps) - 1)
        end = start + ways[np.arange(len(at)), ashore]
    points = gpd.GeoDataFrame(
        {"id": [f"{n:06d}" for n in range(len(at))]},
        geometry=gpd.points_from_xy(*end.T),
        crs=cover.grid.crs,
    )
    whose = ground_of(points, public_land, error_m=error_m, complete=complete)
    return Drift(distance, whose.to_numpy())
