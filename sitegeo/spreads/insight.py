"""The water in sight of the pocket: a group beyond a spit is no part of the spread."""

from __future__ import annotations

import numpy as np
import shapely
from shapely.geometry import Polygon

from sitegeo.spreads.frame import Floats
from sitegeo.spreads.layouts import polygons_of
from sitegeo.spreads.sketches import Area
from sitegeo.units import yd

OVER_M = yd(6.0)
"""Judgement: birds at the pocket see over no wider strip of land or reeds."""

_RAYS = 180


def in_sight(water: Area, pocket: Floats, reach_m: float) -> Area:
    """Return the water that is seen from the middle of the pocket over no more than `OVER_M`."""
    angle = (np.arange(_RAYS) + 0.5) * 2 * np.pi / _RAYS
    toward = np.column_stack([np.sin(angle), np.cos(angle)])
    rays = shapely.linestrings(np.stack([np.broadcast_to(pocket, toward.shape),
                                         pocket + reach_m * toward], axis=1))  # fmt: skip
    dry, ray = shapely.get_parts(shapely.difference(rays, water), return_index=True)
    wide = shapely.length(dry) > OVER_M
    seen_m = np.full(_RAYS, reach_m)
    np.minimum.at(seen_m, ray[wide], shapely.distance(dry[wide], shapely.Point(pocket)))
    fan = Polygon(pocket + seen_m[:, None] * toward)
    return polygons_of(water.intersection(fan.buffer(0)))
