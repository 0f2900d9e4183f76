"""Verdicts as sentences a person reads."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from sitegeo.law.rules import Law
from sitegeo.law.setbacks import LAYER
from sitegeo.units import LENGTHS_M, LengthUnit


def verdict_words(
    row: Mapping[str, Any] | pd.Series[Any], law: Law, units: LengthUnit = "yd"
) -> str:
    """Return a row of verdicts as a sentence; clearances are rounded down, limits up."""
    if row["target"] not in LAYER:
        return f"{row['target']} {row['verdict']}: {row['note']}"
    words = _setback_words(row, law, units)
    return f"{words}; {row['note']}" if row["note"] else words


def _setback_words(row: Mapping[str, Any] | pd.Series[Any], law: Law, units: LengthUnit) -> str:
    layer = LAYER[row["target"]]
    what = f"mapped {layer}"
    under = f"under {row['rule']}" + ("" if law.chosen else " (an example, not your law)")
    if not row["rule"]:
        return f"{layer} not checked: '{law.title}' has no rule for them"
    limit = _text(row["limit_m"], units, math.ceil)
    if row["verdict"] == "not checked":
        return f"{layer} not checked: the map has too little to tell; keep {limit} from any {under}"
    if not row["feature"]:
        return f"clear of the {what}: none that counts here, {under}"
    if row["verdict"] == "clear":
        return f"clear of the {what} by {_text(row['margin_m'], units, math.floor)} {under}"
    where = f"{row['feature']} is {_text(row['distance_m'], units, math.floor)} off"
    if not math.isnan(row["bearing_deg"]):
        where += f", bearing {round(row['bearing_deg']) % 360:03d}° true"
    if row["verdict"] == "inside":
        return f"inside the setback of the {what}: {where}; the limit is {limit} {under}"
    error = _text(row["error_m"], units, math.ceil)
    return (
        f"too close to the setback of the {what} to call: {where}; the limit is {limit}, "
        f"positions may be {error} off, {under}"
    )


def _text(value_m: float, units: LengthUnit, whole: Any) -> str:
    # A length that is whole in its unit must not be pushed off it by binary fractions.
    return f"{whole(round(value_m / LENGTHS_M[units], 6))} {units}"
