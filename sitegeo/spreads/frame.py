"""The hide's own frame, and the distances in it at which a spread lies.

Origin at the guns, +y straight out over the water, +x to the right.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar, cast

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import signed_diff_deg, unit_from_bearing
from sitegeo.core.typing import AnyArray
from sitegeo.core.wind import WIND_SIDES, WindSide
from sitegeo.units import yd

POCKET_YD = 17.0
"""Middle of the pocket from the guns, as layouts are drawn (common practice, no source)."""

POCKET_M = yd(POCKET_YD)
"""The same in metres."""

POCKET_RANGE_M = (yd(15.0), yd(20.0))
"""The middle of the pocket lies between these, which is also the wanted shot (common practice, no
source)."""

NEAR_DECOYS_M = yd(10.0)
"""Where the decoys nearest to the guns lie; judgement."""

MOST_DECOYS_WITHIN_M = yd(30.0)
"""Most decoys are set within this, by wading where the water lets one; judgement."""

BANK_LIMIT_YD = 35.0
"""A bank spread ends this far from the guns (common practice, no source)."""

BANK_LIMIT_M = yd(BANK_LIMIT_YD)
"""The same in metres."""

Shape = TypeVar("Shape", BaseGeometry, AnyArray)


@dataclass(frozen=True)
class HideFrame:
    """A hide in a projected metric CRS and the grid bearing it looks out on.

    Parameters
    ----------
    x, y
        Easting and northing of the guns, metres.
    facing_grid_deg
        Grid bearing from the hide straight out over the water.
    """

    x: float
    y: float
    facing_grid_deg: float

    def to_world(self, shape: Shape) -> Shape:
        """Return a geometry or an (n, 2) array of local metres in the projected CRS."""
        east, north = unit_from_bearing(self.facing_grid_deg)
        turn = np.array([[north, -east], [east, north]])
        return cast("Shape", _apply(shape, lambda xy: xy @ turn + (self.x, self.y)))

    def to_local(self, shape: Shape) -> Shape:
        """Return a geometry or an (n, 2) array of the projected CRS in local metres."""
        east, north = unit_from_bearing(self.facing_grid_deg)
        turn = np.array([[north, east], [-east, north]])
        return cast("Shape", _apply(shape, lambda xy: (xy - (self.x, self.y)) @ turn))

    def phi_deg(self, wind_from_grid_deg: float) -> float:
        """Return the wind against the facing, (-180, 180]: 0 in the face, +90 from the right."""
        return float(signed_diff_deg(wind_from_grid_deg, self.facing_grid_deg))


def _apply(shape: Any, move: Any) -> Any:
    if isinstance(shape, BaseGeometry):
        return shapely.transform(shape, move)
    return move(np.asarray(shape, dtype=float).reshape(-1, 2))


def wind_side(phi_deg: float) -> WindSide:
    """Return how the wind meets the bank, from the wind against the facing."""
    theta = abs(float(signed_diff_deg(phi_deg, 0.0)))
    return next((side for upper, side in WIND_SIDES if theta < upper), "off")
