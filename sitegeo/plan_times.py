"""The morning's times, counted back from legal light: when to leave, to set out, to be hidden."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

HIDDEN_MIN = 15
"""Settled in the hide this long before; common practice, no source."""

DECOY_MIN, GROUP_MIN = 1.0, 2.0
"""To set one decoy, and to walk on to the next group; judgement."""

WALK_M_PER_MIN, DETOUR = 40.0, 1.4
"""Loaded, in the dark, over rough ground, and how much longer the way is than the straight line;
judgement."""

MOST_HANDS = 3
"""More people than this set no faster."""


def morning_times(
    light: Mapping[str, Any] | None,
    spread: Mapping[str, Any],
    route: Sequence[Mapping[str, Any]],
    *,
    party: int,
) -> dict[str, Any] | None:
    """Return plan.json's `times`, none without a date or a sunrise.

    Counted back from the start of shooting where a chosen law gives it, else from sunrise, in
    steps of five minutes, always the earlier; the walk is from the nearest way in.
    """
    if light is None:
        return None
    legal = light["shooting_start"]
    start = legal or light["sunrise"]
    if start is None:
        return None
    hidden = _earlier(datetime.fromisoformat(start) - timedelta(minutes=HIDDEN_MIN))
    count = sum(group["count"] for group in spread["groups"]) + len(spread["motion"])
    minutes = count * DECOY_MIN / min(max(party, 1), MOST_HANDS) + GROUP_MIN * len(spread["groups"])
    setting = _earlier(hidden - timedelta(minutes=math.ceil(minutes)))
    steps = [("set out decoys", setting), ("be hidden", hidden)]
    if route:
        way = route[-1]
        far_m = way["range_yd"] * 0.9144 * DETOUR
        leave = _earlier(setting - timedelta(minutes=math.ceil(far_m / WALK_M_PER_MIN)))
        steps.insert(0, (f"leave {str(way['note']).split(';')[0] or way['name']}", leave))
    return {
        "from": "the start of shooting" if legal else "sunrise, not shooting hours",
        "steps": [{"at": at.isoformat(timespec="minutes"), "what": what} for what, at in steps],
        "note": "a guess at a walk in the dark and a minute a decoy; by boat or alone allow more",
    }


def _earlier(moment: datetime) -> datetime:
    """Return the five minutes at or before a moment."""
    return moment.replace(minute=moment.minute - moment.minute % 5, second=0, microsecond=0)
