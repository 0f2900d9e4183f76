"""Why a blind ranks where it does, and what to be careful of, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from sitegeo.core.wind import LIGHT_MPS, Wind
from sitegeo.siting.score import ScoreParams
from sitegeo.spreads.decoys import Gear
from sitegeo.units import depth_text, length_text

_SIDES = {
    "onto": "wind onto the bank, in your face",
    "quartering-on": "wind quartering onto the bank from the {hand}",
    "along": "wind along the bank from the {hand}",
    "quartering-off": "wind over your {hand} shoulder",
    "off": "wind off the bank, from behind",
}
_NO_BANK = {
    "onto": "wind in your face",
    "quartering-on": "wind quartering into your face from the {hand}",
    "along": "wind across from the {hand}",
    "off": "wind from behind",
}
_BANKLESS = ("cover clump", "open flat", "timber opening")
_OVER_DEG, _BARE = 45.0, 0.1
_POOR_COVER, _PART, _GLARE, _DAZZLED = 0.5, 0.6, 0.75, 0.92
_THINNER, _CLOSED = 0.1, 0.6
_FAR_M, _WADES_M, _DRIFTS_M = 1200.0, 15.0, 250.0
_GRADES = ((0.75, "good"), (0.45, "fair"), (0.0, "poor"))


def grade(value: float) -> str:
    """Return good, fair or poor."""
    return next(word for least, word in _GRADES if value >= least)


def why(row: Mapping[str, Any], wind: Wind) -> str:
    """Return one sentence on why a scored blind ranks where it does."""
    parts = [side_words(row), _ripple(row, wind), f"{grade(row['c_room'])} room to come in"]
    parts.append(_cover(row))
    depth = row["depth_m"]
    if np.isfinite(depth):
        parts.append(f"about {depth_text(depth)} of water in the pocket")
    seen = row.get("observed")
    shut = "no fire over the pocket" if row.get("pocket_closed", False) else ""
    told = (shut, _spread(row), _sun(row), seen if isinstance(seen, str) else "")
    parts += [words for words in told if words]
    text = "; ".join(parts)
    return text[0].upper() + text[1:]


def lacks_room(kind: str) -> str:
    """Return what is in the way of any spread on a kind of position, as a quick look tells it."""
    if kind == "timber opening":
        return "the hide is at the downwind end, or no trees stand downwind"
    return "land, or water too deep, lies where its pocket or its body would"


def _cover(row: Mapping[str, Any]) -> str:
    less = [
        words
        for name, words in (("c_behind", "open behind"), ("c_overhead", "little overhead"))
        if row.get(name, 1.0) < _POOR_COVER
    ]
    return ", ".join([f"{grade(row['c_hide'])} cover", *less])


def _spread(row: Mapping[str, Any]) -> str:
    return "room for part of the spread" if row.get("c_spread", 1.0) < _PART else ""


def _sun(row: Mapping[str, Any]) -> str:
    if row.get("c_sun", 1.0) < _GLARE:
        return "low sun in your eyes"
    return "low sun in the birds' eyes" if row.get("c_birds_sun", 0.0) > _DAZZLED else ""


def side_words(row: Mapping[str, Any]) -> str:
    """Return where the wind comes from, as seen from the hide."""
    if row["wind_side"] == "calm":
        return "no wind: direction not predictable"
    hand = "right" if row["phi_deg"] > 0 else "left"
    told = _SIDES | _NO_BANK if row["kind"] in _BANKLESS else _SIDES
    return told[row["wind_side"]].format(hand=hand)


def _ripple(row: Mapping[str, Any], wind: Wind) -> str:
    if row["kind"] == "timber opening":
        return "make your own ripple with the jerk line"
    if wind.calm:
        return "still water"
    params = ScoreParams()
    local = row["local_wind_mps"]
    if local < params.still_mps:
        return "dead calm on the pocket, in the lee"
    if local < params.full_ripple_mps:
        return "little ripple on the pocket"
    if local > params.rough_mps:
        return "rough water on the pocket"
    return "ripple on the pocket"


def cautions(
    row: Mapping[str, Any], wind: Wind, *, gear: Gear | None = None, leaf_off: bool = False
) -> tuple[str, ...]:
    """Return what is not known or not good about a blind.

    Parameters
    ----------
    row
        Of the `blinds` layer.
    wind
        The wind it was scored for.
    gear
        What the party carries.
    leaf_off
        Whether leaves are down at the hour hunted.

    Returns
    -------
    tuple of str
        A sentence each.
    """
    gear = gear or Gear()
    told = []
    if wind.calm:
        told.append("No wind: where birds land from is not predictable")
    elif wind.speed_mps <= LIGHT_MPS:
        told.append("Light wind: birds may not land into it; be ready to move the spread")
    if row["ground"] == "unknown":
        told.append("Whether this ground is public is not known: ask before you go")
    elif row.get("hunting") != "open":
        told.append(f"Hunting on this public ground is {row.get('hunting')} on the map: check")
    told += [*_depth(row, gear), *_way(row), *_drift(row)]
    if row.get("pocket_closed", False):
        told.append(
            "No fire over the pocket: beyond it the load could fall on something mapped. Face "
            "another way or hunt another blind"
        )
    elif row.get("c_fire", 1.0) < _CLOSED:
        told.append(
            "Over much of the front the load could fall on something mapped, or that is not "
            "checked: its plan shows the arcs of no fire"
        )
    told += _overhead(row)
    if row.get("c_party", 1.0) < 1.0:
        told.append(f"Cover for fewer than {gear.party} guns side by side: keep the lanes apart")
    if leaf_off and row["c_hide"] < row["hide"] - _THINNER:
        told.append(
            "Leaves are down and grass, reeds or crops may lie flat by then: the cover is counted "
            "thinner than on the photo"
        )
    return tuple(told)


def _overhead(row: Mapping[str, Any]) -> list[str]:
    """Say where birds come over a hide that has nothing over it."""
    over = abs(row["phi_deg"]) < _OVER_DEG and not row.get("bend_deg", 0.0)
    if row["wind_side"] == "calm" or row.get("layout") == "timber" or not over:
        return []
    if not row.get("overhead", 1.0) < _BARE:
        return []
    return ["Birds come over or round the hide, and it has no cover overhead: bring your own"]


def _depth(row: Mapping[str, Any], gear: Gear) -> list[str]:
    setting = row.get("setting_m", np.nan)
    if not np.isfinite(row["depth_m"]):
        told = ["Water depth is not known: probe before you wade"]
        if row.get("layout") == "timber":
            told.append("Whether the trees downwind stand in water is not known: dry, they hold "
                        "no decoys")  # fmt: skip
        return told
    if row["depth_m"] > gear.wade_m:
        depth = depth_text(row["depth_m"])
        return [f"About {depth} of water in the pocket: too deep to wade"]
    if setting > gear.wade_m:
        return [f"Water to {depth_text(setting)} where decoys go: too deep to wade, use a boat"]
    return []


def _way(row: Mapping[str, Any]) -> list[str]:
    if not np.isfinite(row["access_m"]):
        return ["The way in is not known"]
    walk, paddle = row.get("walk_m", np.nan), row.get("paddle_m", np.nan)
    wading = row.get("wading_m", 0.0)
    told = []
    if not np.isfinite(walk) and np.isfinite(paddle):
        told.append(f"Only by boat: about {length_text(paddle)} over the water from the access")
    elif not np.isfinite(walk):
        told.append("No way in was found from the mapped access, on foot or by boat")
    elif wading > _WADES_M:
        told.append(
            f"About {length_text(wading)} of the {length_text(walk)} in on foot lead through "
            "water: probe as you go"
        )
    if row["access_m"] > _FAR_M:
        told.append(f"{length_text(row['access_m'])} from the nearest access in a straight line")
    return told


def _drift(row: Mapping[str, Any]) -> list[str]:
    far = row.get("drift_m", 0.0)
    if row.get("drift_ground") == "private":
        return [
            f"Birds that fall may drift {length_text(far)} onto private ground: ask first, or let "
            "such a shot go"
        ]
    if far > _DRIFTS_M:
        return [f"Birds that fall may drift {length_text(far)} to the next bank: a dog or a boat"]
    return []
