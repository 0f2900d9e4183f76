"""Why a blind ranks where it does, and what to be careful of, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from sitegeo.siting.scoring import ScoreParams
from sitegeo.units import depth_text, length_text
from sitegeo.wind import Wind

_SIDES = {
    "onto": "wind onto the bank, in your face",
    "quartering-on": "wind quartering onto the bank from the {hand}",
    "along": "wind along the bank from the {hand}",
    "quartering-off": "wind over your {hand} shoulder",
    "off": "wind off the bank, from behind",
}
_GRADES = ((0.75, "good"), (0.45, "fair"), (0.0, "poor"))


def grade(value: float) -> str:
    """Return good, fair or poor."""
    return next(word for least, word in _GRADES if value >= least)


def why(row: Mapping[str, Any], wind: Wind) -> str:
    """Return one sentence on why a scored blind ranks where it does."""
    parts = [side_words(row), _ripple(row, wind), f"{grade(row['c_room'])} room to come in"]
    parts.append(f"{grade(row['c_hide'])} cover")
    depth = row["depth_m"]
    if np.isfinite(depth):
        parts.append(f"about {depth_text(depth)} of water in the pocket")
    text = "; ".join(parts)
    return text[0].upper() + text[1:]


def side_words(row: Mapping[str, Any]) -> str:
    """Return where the wind comes from, as seen from the hide."""
    if row["wind_side"] == "calm":
        return "no wind: direction not predictable"
    hand = "right" if row["phi_deg"] > 0 else "left"
    return _SIDES[row["wind_side"]].format(hand=hand)


def _ripple(row: Mapping[str, Any], wind: Wind) -> str:
    if row["kind"] == "timber opening":
        return "make your own ripple with the jerk line"
    if wind.calm:
        return "still water"
    params = ScoreParams()
    local = row["local_wind_mps"]
    if local < params.still_mps:
        return "dead calm on the pocket, in the lee"
    if local < params.ripple_mps:
        return "little ripple on the pocket"
    if local > params.rough_mps:
        return "rough water on the pocket"
    return "ripple on the pocket"


def cautions(row: Mapping[str, Any], wind: Wind) -> tuple[str, ...]:
    """Return what is not known or not good about a blind, as sentences."""
    told = []
    if wind.calm:
        told.append("No wind: where birds land from is not predictable")
    if row["ground"] == "unknown":
        told.append("Whether this ground is public is not known: ask before you go")
    elif row.get("hunting") != "open":
        told.append(f"Hunting on this public ground is {row.get('hunting')} on the map: check")
    if not np.isfinite(row["depth_m"]):
        told.append("Water depth is not known: probe before you wade")
    elif row["depth_m"] > 0.9:
        depth = depth_text(row["depth_m"])
        told.append(f"About {depth} of water in the pocket: too deep to wade")
    if not np.isfinite(row["access_m"]):
        told.append("The way in is not known")
    elif row["access_m"] > 1200:
        told.append(f"{length_text(row['access_m'])} from the nearest access in a straight line")
    return tuple(told)
