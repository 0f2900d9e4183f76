"""What the card of a plan shows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from mgrs import MGRS
from pyproj import Geod
from shapely import affinity

from sitegeo.angles import wrap360
from sitegeo.core.grid import WGS84
from sitegeo.core.models import from_record
from sitegeo.export.card_content import CardContent, CardItem, CardLeg
from sitegeo.export.text import (
    rule_sentences,
    sentence,
    setback_sentences,
    shift_sentences,
    sun_heading,
    sun_lines,
    times_sentences,
)
from sitegeo.places.config import GearKeys
from sitegeo.plans.contents import PlanContents
from sitegeo.plans.features import deepest_water_m
from sitegeo.units import yd

LAND_M = 250.0
"""Land is drawn this far from the hide."""

LIKELY_DEG = 30.0
"""Turns of the wind that the card speaks of; wider ones are in plan.json. Judgement."""

_MODEL = "World Magnetic Model 2025"
_ROLES = ("pocket", "group", "motion", "jerk_line")
_GEOD = Geod(ellps="WGS84")
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def card_content(plan: PlanContents) -> CardContent:
    """Return a plan as the content of its card."""
    record, features = plan.record, plan.features
    hide: shapely.Point = plan.blind.geometry
    local = _Local(hide, plan.survey.grid.convergence_deg)
    when = None if record["when"] is None else datetime.fromisoformat(record["when"])
    declination = record["declination_deg"]
    gear = from_record(plan.survey.record["gear"], GearKeys)
    items = tuple(_items(plan, local, gear.wade_m))
    decoys = features.loc[features["role"] == "decoy"].geometry
    ways_in = features.loc[features["role"] == "approach"].geometry
    return CardContent(
        title=record["title"],
        blind=record["id"],
        headline=plan.spread.headline,
        refused=record["spread"]["refused"] is not None,
        wind_words=plan.ranking.wind.words(),
        wind_from_deg=None if plan.ranking.wind.calm else plan.ranking.wind.from_deg,
        facing_deg=record["facing_deg"],
        date=None if when is None else _day(when.date()),
        declination=_declination(declination, when),
        declination_deg=declination,
        lat=record["lat"],
        lon=record["lon"],
        usng=record["usng"],
        items=items,
        decoys=tuple((p.x, p.y) for p in map(local.shape, decoys)),
        way_in=tuple(xy for way in ways_in for xy in local.shape(way).coords),
        land=local.shape(_land(plan.survey.layers.get("water"), hide)),
        no_fire=_no_fire(record.get("fire")),
        legs=tuple(_legs(features, record, declination)),
        sun=tuple(sun_lines(record["light"])),
        sun_heading=sun_heading(record["light"]),
        notes=tuple(_notes(record)),
        pace_m=gear.pace_m,
        take_up=sum(item.count or 0 for item in items),
    )


class _Local:
    """From the place's CRS to metres east and north of the hide, true north up."""

    def __init__(self, hide: shapely.Point, convergence: float) -> None:
        self._hide, self._turn = hide, -convergence

    def shape(self, shape: Any) -> Any:
        moved = affinity.translate(shape, -self._hide.x, -self._hide.y)
        return affinity.rotate(moved, self._turn, origin=(0, 0))


def _items(plan: PlanContents, local: _Local, wade_m: float) -> Iterator[CardItem]:
    features = plan.features
    groups = {g["name"].upper(): g for g in plan.record["spread"]["groups"]}
    for _, f in features[features["role"].isin(_ROLES)].iterrows():
        group = groups.get(f["name"], {}) if f["role"] == "group" else {}
        kinds = [f"{group[k]} {k}" for k in ("dark", "white", "geese", "small") if group.get(k)]
        depth_m = deepest_water_m(plan.survey.layers.get("depth"), features, f)
        yield CardItem(
            role=f["role"],
            name=f["name"],
            shape=local.shape(f.geometry),
            bearing_true_deg=float(f["bearing_true"]),
            bearing_magnetic_deg=_known(f["bearing_magnetic"]),
            range_m=yd(float(f["range_yd"])),
            count=None if pd.isna(f["count"]) else int(f["count"]),
            kinds=", ".join(kinds),
            line_m=group.get("line_m"),
            depth_m=depth_m,
            afloat=depth_m is not None and depth_m > wade_m,
        )


def _land(water: gpd.GeoDataFrame | None, hide: shapely.Point) -> Any:
    """Return the land about the hide; nothing where no water is mapped near it."""
    around = hide.buffer(LAND_M, cap_style="square")
    if water is None:
        return shapely.Polygon()
    near = water[water.intersects(around)]
    return shapely.Polygon() if near.empty else around.difference(near.union_all())


def _no_fire(fire: Mapping[str, Any] | None) -> tuple[tuple[float, float], ...]:
    return () if fire is None else tuple((a["from"], a["to"]) for a in fire["arcs_closed"])


def _legs(
    features: gpd.GeoDataFrame, record: Mapping[str, Any], declination: float | None
) -> Iterator[CardLeg]:
    """Give the straight lines from the ways in to the hide, bearings taken at their start."""
    ways = features[features["role"] == "access"]
    lonlat = shapely.get_coordinates(ways.geometry.to_crs(WGS84)).tolist()
    usng = MGRS()
    for name, note, (lon, lat) in zip(ways["name"], ways["note"], lonlat, strict=True):
        azimuth, _, distance = _GEOD.inv(lon, lat, record["lon"], record["lat"])
        magnetic = None if declination is None else float(wrap360(azimuth - declination))
        yield CardLeg(
            name=note or name.lower(),
            usng=usng.toMGRS(lat, lon),
            bearing_true_deg=float(wrap360(azimuth)),
            bearing_magnetic_deg=magnetic,
            range_m=float(distance),
        )


def _day(day: date) -> str:
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"


def _declination(declination: float | None, when: datetime | None) -> str | None:
    if declination is None or when is None:
        return None
    side = "west" if declination < 0 else "east"
    sign = "plus" if declination < 0 else "minus"
    return (
        f"Magnetic is true {sign} {abs(declination):.1f}°: declination {abs(declination):.1f}° "
        f"{side} on {when.date().isoformat()}, {_MODEL}"
    )


def _notes(record: Mapping[str, Any]) -> Iterator[tuple[str, tuple[str, ...]]]:
    yield "Times", tuple(times_sentences(record.get("times")))
    yield "Setbacks", tuple(setback_sentences(record))
    cautions = [sentence(c) for c in record["cautions"]]
    if record.get("rejected_by"):
        cautions.insert(0, f"This blind was ruled out: {record['rejected_by']}.")
    yield "Cautions", tuple(cautions)
    likely = [s for s in record["shift"] if isinstance(s, str) or abs(s["turn_deg"]) <= LIKELY_DEG]
    yield "Rules of the day", tuple(rule_sentences(record))
    yield "If the wind shifts", tuple(shift_sentences(likely))
    yield "About this spread", tuple(sentence(n) for n in record["spread"]["notes"])
    yield "Whose data this is", tuple(sentence(words) for words in record.get("credits", ()))
    seen = tuple(sentence(f"{row['seen']}: {row['change']}") for row in record["field"])
    yield "If birds do not settle", () if record["spread"]["refused"] else seen


def _known(value: Any) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)
