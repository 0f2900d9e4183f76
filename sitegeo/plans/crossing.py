"""The crossing in a plan: one object for the record and one sentence a person reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd
from pyproj import Transformer

from sitegeo.core.grid import WGS84
from sitegeo.core.wind import Wind
from sitegeo.exposure.crossing import Crossing, crossing
from sitegeo.surveys.survey import Survey
from sitegeo.units import depth_text, length_text, speed_text

_SHORT_M = 20.0
"""Less water than this on the way is waded or stepped over, not crossed; judgement."""

_NEAR_SHARE = 0.75
"""Waves are worked out to some 20 %: from this share of what the boat can take upward no comfort is
drawn from being under it; judgement."""


@dataclass(frozen=True)
class CrossingFrom:
    """A crossing and the access point it starts from."""

    name: str
    found: Crossing


def crossing_to_blind(survey: Survey, blind: pd.Series[Any], wind: Wind) -> CrossingFrom | None:
    """Return the crossing from the nearest access point to a blind; None without access.

    Parameters
    ----------
    survey
        With the layers `access` and `obstacles`, and `depth` and `halo` where there are any.
    blind
        Its row.
    wind
        Mean and gust; without a gust one is taken.

    Returns
    -------
    CrossingFrom
        The waves on the straight line.
    """
    access = survey.layers.get("access")
    if access is None or access.empty:
        return None
    nearest = access.iloc[int(access.distance(blind.geometry).to_numpy().argmin())]
    found = crossing(
        survey.layers["obstacles"],
        wind,
        start=(nearest.geometry.x, nearest.geometry.y),
        end=(blind.geometry.x, blind.geometry.y),
        depth=survey.layers.get("depth"),
        halo=survey.layers.get("halo"),
    )
    return CrossingFrom(str(nearest["name"] or nearest["kind"] or "the access"), found)


def crossing_record(way: CrossingFrom | None, survey: Survey) -> dict[str, Any] | None:
    """Return the `crossing` object of plan.json; null without an access layer."""
    if way is None:
        return None
    found = way.found
    to_wgs84 = Transformer.from_crs(survey.crs, WGS84, always_xy=True)
    lon, lat = to_wgs84.transform(found.worst_x, found.worst_y)
    sure = found.verdict == "checked"
    return {
        "from": way.name,
        "verdict": found.verdict,
        "wave_height_m": _rounded(found.height_m, 2),
        "wave_period_s": _rounded(found.period_s, 1),
        "fetch_m": round(found.fetch_m, 1) if sure else None,
        "fetch_at_least_m": None if sure else round(found.fetch_m, 1),
        "gust_mps": round(found.gust_mps, 2),
        "gust_given": found.gust_given,
        "worst": {"lon": round(float(lon), 7), "lat": round(float(lat), 7)} if sure else None,
        "water_m": round(found.water_m, 1),
        "land_m": round(found.land_m, 1),
        "depth_capped": found.depth_capped,
        "sea_out": found.sea_out,
        "sea_back": found.sea_back,
        "note": "significant height, no shelter counted; single waves reach nearly twice as high; "
        "a straight line, not a course",
    }


def crossing_cautions(
    way: CrossingFrom | None, boat_wave_m: float | None = None
) -> tuple[str, ...]:
    """Return the caution for the boat, in one sentence or two.

    `boat_wave_m` is the significant wave from which the person stays ashore in their own boat.
    """
    if way is None:
        return ("Waves on the way in are not checked: no access layer",)
    found = way.found
    if found.verdict == "no water" or (found.verdict == "checked" and found.water_m < _SHORT_M):
        return ()
    told = [_main_words(way, boat_wave_m)]
    if found.land_m > _SHORT_M:
        land = length_text(found.land_m)
        told.append(
            f"The straight line from {way.name} crosses {land} of land: "
            "waves on the way round are not checked"
        )
    return tuple(told)


def _main_words(way: CrossingFrom, boat_wave_m: float | None) -> str:
    found = way.found
    gust = speed_text(found.gust_mps)
    kind = f"gusts of {gust}" + ("" if found.gust_given else " (taken, none was given)")
    if found.verdict != "checked" or found.height_m is None:
        return (
            f"Waves on the crossing from {way.name} are not checked: the open water upwind runs "
            f"off the map; {kind}"
        )
    if found.sea_out == "no wind":
        return f"Crossing from {way.name}: no wind to raise waves"
    capped = ", held down by the shallow water" if found.depth_capped else ""
    return (
        f"Crossing from {way.name}: waves to {depth_text(found.height_m)}{capped} in {kind}, "
        f"single ones nearly twice that; seas {found.sea_out} going out, {found.sea_back} coming "
        f"back{_against_boat(found.height_m, boat_wave_m)}"
    )


def _against_boat(height_m: float, boat_wave_m: float | None) -> str:
    """Return how a wave stands to the most the person's boat is to take."""
    if boat_wave_m is None:
        return "; write what your boat can take as [gear] boat_wave_m"
    most = depth_text(boat_wave_m)
    if height_m >= boat_wave_m:
        return f"; at or over the {most} you set for your boat: do not cross"
    if height_m >= _NEAR_SHARE * boat_wave_m:
        return f"; too near the {most} you set for your boat to call"
    return f"; under the {most} you set for your boat"


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)
