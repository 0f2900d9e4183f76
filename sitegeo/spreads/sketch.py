"""What a sketch is made of: the wind it is drawn for, its parts, and rounded areas and curves.

In yards, windward hand to +a, as `templates` has it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from shapely.geometry import LineString, MultiPolygon, Point, Polygon

from sitegeo.angles import smoothstep, unit_from_bearing
from sitegeo.core.typing import FloatArray
from sitegeo.spreads.dimensions import SPACING_YD, TIMBER_LAYOUT, Turn

PartName = Literal[
    "mass", "second", "tail", "hook", "near", "front", "guard", "holding", "focus", "pocket",
    "motion", "motion pair",
]  # fmt: skip
Polygonal = Polygon | MultiPolygon
"""An area in one piece or several."""

FAR_GROUP: PartName = "holding"
"""The far group: an option, off by default, that holds distant birds and means long shots."""

FAR_GROUP_CAUTION = (
    "the far group holds distant birds and means long shots, from 30 yd on: let pass what you "
    "cannot kill cleanly"
)


@dataclass(frozen=True)
class WindInFrame:
    """The angle a sketch is drawn for, with the terms every sketch uses.

    Parameters
    ----------
    theta
        Angle between the wind and straight out, degrees, 0 to 180.
    opening
        Width in yards of a timber opening; the other layouts do not look at it.
    """

    theta: float
    opening: float = TIMBER_LAYOUT.opening

    @property
    def s(self) -> float:
        """Sine of the angle: 1 with the wind abeam."""
        return math.sin(math.radians(self.theta))

    @property
    def c(self) -> float:
        """Cosine of the angle: 1 with the wind in the face, -1 from behind."""
        return math.cos(math.radians(self.theta))

    @property
    def ahead(self) -> float:
        """1 with the wind in the face, 0 from abeam on."""
        return self.c**2 if self.theta < 90 else 0.0

    @property
    def behind(self) -> float:
        """0 as far as abeam, 1 with the wind from behind."""
        return self.c**2 if self.theta > 90 else 0.0

    @property
    def u(self) -> FloatArray:
        """Unit vector toward the wind's source, (a, y)."""
        return np.array([self.s, self.c])

    def step(self, turn: Turn) -> float:
        """Return how far a change over a turn of the wind has come, 0 to 1."""
        return float(smoothstep(self.theta, *turn))

    def between(self, grows: Turn, goes: Turn) -> float:
        """Return how much there is of what grows over one turn and goes over another."""
        return self.step(grows) * (1 - self.step(goes))


@dataclass(frozen=True)
class SketchPart:
    """A part as sketched: yards, windward hand to +a.

    Parameters
    ----------
    name
        What the part is for.
    geometry
        Area to fill, or a point for ``focus`` and ``motion``.
    share
        Share of the decoys, 0 to 1.
    spacing
        Distance wanted between decoys, yards.
    """

    name: PartName
    geometry: Polygonal | Point
    share: float = 0.0
    spacing: float = SPACING_YD


Sketch = list[SketchPart]
"""The parts of a layout in set-up order."""

DrawSketch = Callable[[WindInFrame, int], Sketch]
"""Draws a layout for a wind and a number of decoys."""


def mix(start: float, end: float, t: float) -> float:
    """Return the number a share `t` of the way from one to another.

    Parameters
    ----------
    start, end
        The two numbers.
    t
        Share of the way, 0 to 1.

    Returns
    -------
    float
        The number between.

    Examples
    --------
    >>> mix(6.0, 10.0, 0.25)
    7.0
    """
    return start + (end - start) * t


def between(
    start: tuple[float, float] | FloatArray,
    end: tuple[float, float] | FloatArray,
    t: float,
) -> FloatArray:
    """Return the spot a share `t` of the way from one to another.

    Parameters
    ----------
    start, end
        The two spots, (a, y).
    t
        Share of the way, 0 to 1.

    Returns
    -------
    ndarray, shape (2,)
        The spot between, (a, y).
    """
    return np.asarray(start, float) * (1 - t) + np.asarray(end, float) * t


def blob(
    centre: tuple[float, float] | FloatArray,
    *,
    along: float,
    across: float,
    turn: float = 0.0,
    bend: float = 0.0,
    square: float = 2.0,
) -> Polygon:
    """Return a rounded area, a kidney where it is bent.

    Parameters
    ----------
    centre
        Its middle, (a, y).
    along, across
        Half-axes toward the bearing `turn` and beside it, in the units of `centre`.
    turn
        Bearing of the first half-axis, degrees from +y toward +a.
    bend
        How far the two ends are dragged back, which leaves the near side hollow.
    square
        Exponent of the superellipse: 2 for an ellipse, more to fill the corners.

    Returns
    -------
    Polygon
        Of 64 corners, always in the same order.
    """
    t = np.linspace(0.0, 2 * np.pi, 64, endpoint=False)
    side = np.sign(np.cos(t)) * np.abs(np.cos(t)) ** (2 / square)
    fore = np.sign(np.sin(t)) * np.abs(np.sin(t)) ** (2 / square)
    across_axis, along_axis = across * side, along * fore - bend * side**2
    rad = math.radians(turn)
    a = math.sin(rad) * along_axis + math.cos(rad) * across_axis
    y = math.cos(rad) * along_axis - math.sin(rad) * across_axis
    return Polygon(np.column_stack([a, y]) + np.asarray(centre, float))


def unit_toward(bearing: float) -> FloatArray:
    """Return the unit vector toward a bearing, (a, y)."""
    return np.array(unit_from_bearing(bearing))


def bezier(*control: tuple[float, float] | FloatArray) -> LineString:
    """Return the cubic Bezier curve of four control points."""
    t = np.linspace(0, 1, 120)[:, None]
    p0, p1, p2, p3 = (np.asarray(p, float) for p in control)
    near: FloatArray = (1 - t) ** 3 * p0 + 3 * (1 - t) ** 2 * t * p1
    far: FloatArray = 3 * (1 - t) * t**2 * p2 + t**3 * p3
    return LineString(near + far)
