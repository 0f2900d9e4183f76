"""A spread as placed on the water, or the reason there is none; what to change when birds shy."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from sitegeo.core.typing import FloatArray
from sitegeo.core.wind import WindSide
from sitegeo.errors import UsageError
from sitegeo.spreads.decoys import DecoyKind
from sitegeo.spreads.sketch import Polygonal


@dataclass(frozen=True)
class Group:
    """One group as set.

    Parameters
    ----------
    name, kind
        What it is for, as `sketch.PartName` has it.
    polygon
        Where it lies, in the frame's CRS.
    count, dark, white, geese, small
        Decoys in all and of each kind.
    order
        Place in the order of setting up, from 1.
    note
        What a person should be told of it.
    depth_m
        Median depth under its decoys; None where none is known.
    line_m
        Line length that suits the deepest of them; None where no depth is known.
    """

    name: str
    kind: str
    polygon: Polygonal
    count: int
    dark: int
    white: int
    geese: int
    small: int
    order: int
    note: str = ""
    depth_m: float | None = None
    line_m: float | None = None


@dataclass(frozen=True)
class Spread:
    """A spread on the real water, or the reason there is none.

    All geometry is in the frame's projected CRS. `decoys` is an (n, 2) array with the group name
    and kind of each in `decoy_groups` and `decoy_kinds`; `focus` repeats the focus decoys;
    `motion` is an (m, 2) array; `jerk_line` the two ends of the jerk line, in timber alone;
    `approach` the line birds come in by, from afar to the pocket, where one is claimed. `left`
    counts the decoys that stay in the bag.
    """

    layout: str
    phi_deg: float
    wind_side: WindSide
    reason: str
    refused: str | None
    notes: tuple[str, ...]
    pocket: Polygonal
    groups: tuple[Group, ...] = ()
    decoys: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    decoy_groups: tuple[str, ...] = ()
    decoy_kinds: tuple[DecoyKind, ...] = ()
    motion: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    jerk_line: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    focus: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    approach: FloatArray = field(default_factory=lambda: np.empty((0, 2)))
    left: int = 0

    @property
    def theta_deg(self) -> float:
        """Angle between the wind and the facing, 0 to 180."""
        return abs(self.phi_deg)

    @property
    def headline(self) -> str:
        """Why the spread lies so, or why there is none, as a sentence."""
        return f"No spread here: {self.refused}." if self.refused else self.reason

    @property
    def pocket_centre(self) -> tuple[float, float]:
        """Middle of the pocket; raises `UsageError` where there is none."""
        if self.pocket.is_empty:
            raise UsageError("this spread has no pocket", value=self.refused)
        return self.pocket.centroid.x, self.pocket.centroid.y


REMEDIES = MappingProxyType(
    {
        "landing short": "move the pocket to them, thin the downwind end and carry those decoys "
        "upwind, or open the mouth wider",
        "landing wide": "close the side they land on with a few decoys from the mass, and open "
        "the pocket toward the guns",
        "past the end": "close the upwind end with a handful from the second group or the tail",
        "flaring": "look to the hide first (faces, shine, movement, cover overhead), then switch "
        "the motion decoys off and clear decoys that crowd the hide",
        "not finishing": "open the pocket, switch the motion decoys off as birds close, thin the "
        "spread, or call less",
    }
)
"""What to change when birds do not finish as they should, by what is seen; practice."""
