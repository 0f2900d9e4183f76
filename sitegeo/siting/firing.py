"""How much of a blind's front is open to fire: a quick look at what the load could fall on.

A plan works the fall of shot out all round the hide, with the wind, and has the last word; this
tells blinds apart that have a road or houses in front of them.
"""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import shapely

from sitegeo.grid import Grid
from sitegeo.law.shotfall import Load
from sitegeo.siting.around import Floats
from sitegeo.siting.worth import UNKNOWN

FRONT_DEG = np.arange(-60.0, 61.0, 10.0)
BESIDE_M = 15.0
"""A house this near a line of fire counts as under it; judgement."""


def front_open(
    at: Floats,
    facing_deg: Floats,
    *,
    grid: Grid,
    load: Load,
    layers: Mapping[str, gpd.GeoDataFrame | None],
) -> Floats:
    """Return the share of directions in each blind's front on which the load meets nothing mapped.

    Where a layer is missing it is at most `UNKNOWN`: missing is not clear.

    Parameters
    ----------
    layers
        What must not be under the fall of shot, by name.
    """
    held = [layer.geometry.to_numpy() for layer in layers.values() if layer is not None]
    directions = np.asarray(facing_deg, float)[:, None] + FRONT_DEG
    rad = np.deg2rad(grid.to_grid_bearing(directions))
    tips = at[:, None, :] + load.range_m * np.stack([np.sin(rad), np.cos(rad)], axis=-1)
    ends = np.stack([np.broadcast_to(at[:, None, :], tips.shape), tips], axis=2)
    lines = np.asarray(shapely.linestrings(ends.reshape(-1, 2, 2)), dtype=object)
    closed = np.zeros(len(lines), dtype=bool)
    if held:
        mapped = np.concatenate(held)
        # A line of fire crosses a road as it is; a house it may also pass close by.
        houses = shapely.get_dimensions(mapped) != 1
        mapped[houses] = shapely.buffer(mapped[houses], BESIDE_M, quad_segs=2)
        closed[shapely.STRtree(mapped).query(lines, predicate="intersects")[0]] = True
    share = 1.0 - closed.reshape(directions.shape).mean(axis=1)
    missing = any(layer is None for layer in layers.values())
    return np.asarray(np.minimum(share, UNKNOWN) if missing else share, float)
