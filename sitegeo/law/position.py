"""Where things are and how far off that may be."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Self

from sitegeo import layers
from sitegeo.errors import UsageError

POINTS = layers.Contract("points", layers.POINT, {"id": layers.Column("text")}, has_id=False)
"""What verdicts are given on."""


@dataclass(frozen=True)
class PositionErrors:
    """How far off things may be, in metres; a verdict takes the plain sum.

    Layer errors are those of features traced from aerial photos, the phone's that of one under
    trees, the hide's how far people shift it on the day, the datum's NAD 83 against WGS 84
    (1–2 m in North America). All judgement, from memory; a place file overrides the layers'.
    """

    dwellings_m: float = 5.0
    roads_m: float = 5.0
    public_land_m: float = 10.0
    closed_areas_m: float = 10.0
    phone_m: float = 10.0
    hide_m: float = 5.0
    datum_m: float = 2.0

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value >= 0):
                raise UsageError(
                    f"position error '{field.name}' must be a length in metres, 0 or more",
                    value=value,
                )

    @classmethod
    def from_layers(cls, position_error_m: Mapping[Any, float]) -> Self:
        """Return the defaults with a place's own figures, by layer name, put in."""
        known = {f.name for f in fields(cls)}
        given = {f"{name}_m": value for name, value in position_error_m.items()}
        return cls(**{name: value for name, value in given.items() if name in known})

    def total_m(self, layer: str) -> float:
        """Return the plain sum that goes with a layer."""
        own: float = getattr(self, f"{layer}_m")
        return own + self.phone_m + self.hide_m + self.datum_m
