"""Where motion decoys go, and when they are left off (common practice, no source)."""

from __future__ import annotations

from typing import Literal

import numpy as np
import shapely
from shapely.geometry import LineString, Point

from sitegeo.spreads.fitting import NUDGE_M, Pocket, Site, middle_of
from sitegeo.spreads.frame import Floats
from sitegeo.spreads.layouts import carve
from sitegeo.units import yd

Season = Literal["early", "middle", "late"]

FAR_NORTH_DEG = 50.0
"""Latitude beyond which birds have seen few hunters yet; judgement."""

_TOWARD_EDGE = 0.65  # judgement: how far from the pocket's middle to its upwind edge, early
_WORDS: dict[Season | None, str] = {
    "early": "early in the season birds finish to motion: the first motion decoy runs in the "
    "pocket",
    "middle": "switch motion off as birds close where they will not finish to it",
    "late": "late in the season birds will not finish to motion: leave it off, or switch it off "
    "as they close",
    None: "early in the season set motion in the pocket; late in it leave it off, or switch it "
    "off as birds close",
}


def season_of(month: int, lat_deg: float) -> Season:
    """Return how far the season has come; months and their bounds are judgement.

    Early to the end of October and always in the far north, late from December; half a year on
    in the southern hemisphere.
    """
    own = month if lat_deg >= 0 else (month + 5) % 12 + 1
    if abs(lat_deg) >= FAR_NORTH_DEG or own in {8, 9, 10}:
        return "early"
    return "late" if own in {12, 1, 2, 3} else "middle"


def fit_motion(
    site: Site, pocket: Pocket, *, count: int, season: Season | None, notes: list[str]
) -> Floats:
    """Return the motion decoys, each brought onto the nearest fit water."""
    if not count:
        return np.empty((0, 2))
    notes.append(_WORDS[season])
    if site.in_timber:
        notes.append("once it is light, set the motion decoy behind a trunk or behind the hide")
        fit_water = site.water
        first = []
    else:
        fit_water = carve(site.water, pocket=pocket.area, limit=site.layout.limit_m)
        first = [_in_pocket(site, pocket)] if season == "early" else []
    left = count - len(first)
    both = site.layout.named("motion pair") if left > 1 else ()
    spots = first
    for part in (both or site.layout.named("motion"))[:left]:
        wanted = site.drawn(part, pocket.moved)
        spot = np.array(shapely.shortest_line(wanted, fit_water).coords[-1])
        if Point(spot).distance(wanted) > NUDGE_M["motion"] or not site.shallow(spot[None]).all():
            notes.append("a motion decoy is left out: no fit water beyond the upwind end")
            continue
        spots.append(spot)
    return np.array(spots).reshape(-1, 2)


def _in_pocket(site: Site, pocket: Pocket) -> Floats:
    """Return a spot in the pocket toward its upwind edge, past the focus."""
    middle = middle_of(pocket.area)
    ray = LineString([middle, middle + yd(20.0) * site.upwind])
    edge = pocket.area.boundary.intersection(ray)
    reach = float(shapely.distance(Point(middle), edge))
    return middle + _TOWARD_EDGE * reach * site.upwind
