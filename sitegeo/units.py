"""Units at the edges: inside sitegeo everything is SI.

Yard, foot and mile are the international ones, exact by definition (international yard and
pound agreement, 1959).
"""

from __future__ import annotations

from typing import Literal

from sitegeo.errors import UsageError

# Exact by definition: the international foot, yard and mile, the nautical mile of 1852 m, the acre
# of 4840 square yards.
FOOT_M = 0.3048  # standard
YARD_M = 0.9144  # standard
MILE_M = 1609.344  # standard
KNOT_MPS = 1852 / 3600
MPH_MPS = MILE_M / 3600
ACRE_M2 = 4840 * YARD_M**2

ZERO_CELSIUS_K = 273.15
"""0 °C in kelvin; standard."""

# What a person may write for a unit, and its size.
LENGTHS_M = {
    "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0, "km": 1000.0,
    "yd": YARD_M, "yard": YARD_M, "yards": YARD_M,
    "ft": FOOT_M, "foot": FOOT_M, "feet": FOOT_M,
    "mi": MILE_M, "mile": MILE_M, "miles": MILE_M,
}  # fmt: skip

SPEEDS_MPS = {
    "m/s": 1.0, "mps": 1.0, "ms-1": 1.0,
    "km/h": 1 / 3.6, "kmh": 1 / 3.6, "kph": 1 / 3.6,
    "mph": MPH_MPS, "mp/h": MPH_MPS, "mi/h": MPH_MPS,
    "kn": KNOT_MPS, "kt": KNOT_MPS, "kts": KNOT_MPS, "knot": KNOT_MPS, "knots": KNOT_MPS,
}  # fmt: skip

LengthUnit = Literal["yd", "m"]
"""What a person reads lengths in."""


def _convert(value: float, unit: str, table: dict[str, float], kind: str) -> float:
    factor = table.get(unit.strip().lower())
    if factor is None:
        raise UsageError(
            f"unknown unit of {kind}", value=unit, remedy=f"Use one of {_known(table)}"
        )
    return value * factor


def _known(table: dict[str, float]) -> str:
    return ", ".join(table)


def metres(value: float, unit: str) -> float:
    """Return a length in metres; raises `UsageError` for an unknown unit.

    Examples
    --------
    >>> metres(500, "yd")
    457.2
    """
    return _convert(value, unit, LENGTHS_M, "length")


def metres_per_second(value: float, unit: str) -> float:
    """Return a speed in m/s; raises `UsageError` for an unknown unit."""
    return _convert(value, unit, SPEEDS_MPS, "speed")


def yd(value: float) -> float:
    """Return yards in metres."""
    return value * YARD_M


def to_yd(value_m: float) -> float:
    """Return metres in yards."""
    return value_m / YARD_M


def to_mph(value_mps: float) -> float:
    """Return m/s in miles an hour."""
    return value_mps / MPH_MPS


def celsius_from_fahrenheit(value_f: float) -> float:
    """Return degrees Fahrenheit in degrees Celsius."""
    return (value_f - 32.0) / 1.8


def length_text(value_m: float, units: LengthUnit = "yd") -> str:
    """Return a length as a person reads it, e.g. ``"212 yd"``, rounded to the whole unit."""
    return f"{value_m / LENGTHS_M[units]:.0f} {units}"


def depth_text(value_m: float) -> str:
    """Return a depth or a line length both ways, e.g. ``"3 ft (0.9 m)"``, to the half foot.

    Less than that is given in inches, so that a ripple is not a wave of 0 ft.
    """
    feet = round(2 * value_m / FOOT_M) / 2
    text = f"{feet:g} ft" if feet or not value_m else f"{12 * value_m / FOOT_M:.0f} in"
    return f"{text} ({value_m:.1f} m)"


def speed_text(value_mps: float, units: LengthUnit = "yd") -> str:
    """Return a speed as a person reads it: mph beside yards, m/s beside metres."""
    return f"{to_mph(value_mps):.0f} mph" if units == "yd" else f"{value_mps:.1f} m/s"
