"""The hide's own frame: origin at the guns, +y straight out over the water, +x to the right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeVar, cast

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from sitegeo.angles import signed_diff_deg, unit_from_bearing
from sitegeo.core.typing import AnyArray
from sitegeo.core.wind import WIND_SIDES, WindSide

Shape = TypeVar("Shape", BaseGeometry, AnyArray)


@dataclass(frozen=True)
class Frame:
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
