"""The fall of shot about a hide: arcs for the record and the map, and words a person reads."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from sitegeo.core.grid import WGS84
from sitegeo.core.wind import Wind
from sitegeo.law.context import Terms, terms_from_record
from sitegeo.law.shot_range import (
    UNKNOWN_GUST_MPS,
    ClosedArc,
    ShotFall,
    read_load,
    shot_fall,
    side_words,
)
from sitegeo.siting.shooting_front import FIRE_TARGETS, WALK_IN_FROM_M, guns_error_m
from sitegeo.surveys.survey import Survey
from sitegeo.units import to_yd

_BEHIND = {
    "no fire": "Let birds over or behind you go: no fire there.",
    "nothing mapped in reach": "Shots may be overhead or behind.",
    "not checked": "Overhead and behind the fall of shot is not checked.",
}
_BEHIND_PART = "Overhead or behind fire only outside the arcs of no fire."

OTHER_HIDE_M = 15.0
"""How far people of another hide may stand from where it was written; judgement."""


def blind_shot_fall(survey: Survey, blind: pd.Series[Any], wind: Wind) -> ShotFall:
    """Return the circle of fire about a blind of a survey; raises as `shot_fall_about` does.

    Parameters
    ----------
    survey
        Of the place.
    blind
        Its row.
    wind
        Of the morning.

    Returns
    -------
    ShotFall
        Arcs open and closed, and what is not checked.
    """
    return shot_fall_about(
        survey.layers,
        survey.record,
        blind.geometry,
        float(blind["facing_deg"]),
        crs=survey.crs,
        wind=wind,
    )


def shot_fall_about(
    layers: Mapping[str, Any],
    record: Mapping[str, Any],
    hide: shapely.Point,
    facing_deg: float,
    *,
    crs: CRS,
    wind: Wind | None,
) -> ShotFall:
    """Return the circle of fire about a hide, against what a survey or a plan has mapped.

    Parameters
    ----------
    layers
        Of the survey or plan, by name.
    record
        Of the survey or plan: its `gear`, and what `terms_from_record` reads.
    hide
        Where the guns are, in `crs`.
    facing_deg
        True bearing they face.
    crs
        The place's.
    wind
        None where no morning is chosen: a strong gust is then taken from behind every shot.

    Returns
    -------
    ShotFall
        Arcs open and closed, and what is not checked.

    Raises
    ------
    UsageError
        If the load written under [gear] cannot be read or is not nontoxic.
    """
    terms = terms_from_record(record, crs=crs)
    return shot_fall(
        hide,
        facing_deg,
        crs=crs,
        load=read_load(record.get("gear", {}).get("load")),
        wind_from_deg=None if wind is None else wind.from_deg,
        gust_mps=UNKNOWN_GUST_MPS if wind is None else wind.strongest_mps,
        spread_deg=0.0 if wind is None else wind.spread_deg,
        guns_error_m=guns_error_m(terms.errors),
        layers={
            **{name: layers.get(name) for name in FIRE_TARGETS},
            **_people(layers, terms, hide, crs),
        },
        complete=terms.complete,
        covered={name: area for name, area in terms.covered.items() if name in FIRE_TARGETS},
    )


def _people(
    layers: Mapping[str, Any], terms: Terms, hide: shapely.Point, crs: CRS
) -> dict[str, gpd.GeoDataFrame]:
    """Return the walk-in with where it starts, and other hides, where any are known."""
    found: dict[str, gpd.GeoDataFrame] = {}
    access = layers.get("access")
    if access is not None and not access.empty:
        own = hide.buffer(WALK_IN_FROM_M)
        nearest = access.geometry.iloc[int(access.distance(hide).to_numpy().argmin())]
        walk = shapely.LineString([nearest, hide]).difference(own)
        shapes = [*access.geometry, *([] if walk.is_empty else [walk])]
        found["way in"] = gpd.GeoDataFrame(geometry=shapes, crs=crs)
    if terms.other_hides:
        to_place = Transformer.from_crs(WGS84, crs, always_xy=True)
        at = [shapely.Point(to_place.transform(lon, lat)) for lat, lon in terms.other_hides]
        away = [p.buffer(OTHER_HIDE_M) for p in at if p.distance(hide) > OTHER_HIDE_M]
        if away:
            found["other hides"] = gpd.GeoDataFrame(geometry=away, crs=crs)
    return found


def fire_record(fall: ShotFall, facing_deg: float) -> dict[str, Any]:
    """Return the `fire` object of plan.json; true degrees, clockwise."""
    return {
        "load": fall.load.name,
        "longest_m": round(fall.longest_m, 1),
        "arcs_safe": [[start, stop] for start, stop in fall.open_arcs],
        "arcs_closed": [
            {"from": a.from_deg, "to": a.to_deg, "reason": a.reason, "side": a.side}
            for a in fall.closed
        ],
        "not_checked": list(fall.not_checked),
        "verdict": fall.verdict,
        "sides": side_words(fall, facing_deg),
        "note": "ricochet off water, ice or ground is not modelled: shot may carry farther; "
        "terrain and timber never count as a backstop",
    }


def shot_words(fall: ShotFall, facing_deg: float, pocket_deg: float, *, over_hide: bool) -> str:
    """Return where the birds of a spread may be shot at, as far as that is not plain.

    Parameters
    ----------
    fall
        The circle of fire.
    facing_deg
        True bearing the guns face.
    pocket_deg
        True bearing from the hide to the pocket.
    over_hide
        Whether birds come over or round the hide.

    Returns
    -------
    str
        Sentences; empty where all is plain.
    """
    told = []
    if any((pocket_deg - a.from_deg) % 360 <= _width(a) for a in fall.closed):
        told.append("No fire over the pocket: beyond it shot could fall on something mapped.")
    if over_hide:
        sides = side_words(fall, facing_deg)
        shut = sides["rear"] == "no fire"
        told.append(_BEHIND.get(sides["rear" if shut else "overhead"], _BEHIND_PART))
    return " ".join(told)


def _width(arc: ClosedArc) -> float:
    return (arc.to_deg - arc.from_deg) % 360 or 360.0


def fire_sentences(fall: ShotFall, declination_deg: float | None = None) -> tuple[str, ...]:
    """Return what to say of the fall of shot, as sentences; magnetic too by a declination."""
    carry = f"{fall.load.name} may carry {to_yd(fall.longest_m):.0f} yd and more"
    told = []
    if fall.not_checked:
        missing = " and ".join(fall.not_checked)
        told.append(f"The fall of shot is not checked against {missing}: no such layer. {carry}")
    if fall.closed:
        arcs = "; ".join(
            f"{_bearings(a, declination_deg)} ({a.reason}, {a.side})" for a in fall.closed
        )
        if declination_deg is None:
            arcs += ", true bearings"
        told.append(f"No fire toward {arcs}: {carry}, ricochet not counted")
    elif not fall.not_checked:
        told.append(
            f"Nothing mapped lies where shot may fall: {carry}, ricochet not counted, and the map "
            "misses things. Know your target and what lies beyond it"
        )
    return tuple(told)


def _bearings(arc: ClosedArc, declination_deg: float | None) -> str:
    """Return the ends of an arc, true and magnetic; the latter rounded outward."""
    true = f"{arc.from_deg:03.0f}° to {arc.to_deg:03.0f}°"
    if declination_deg is None:
        return true
    if _width(arc) >= 360:
        return f"{true} true"
    start = math.floor(arc.from_deg - declination_deg) % 360
    stop = math.ceil(arc.to_deg - declination_deg) % 360
    return f"{true} true, {start:03d}° to {stop:03d}° magnetic"
