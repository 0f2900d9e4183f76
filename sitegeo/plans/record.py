"""plan.json: a plan as one JSON object."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Geod

from sitegeo.angles import wrap360
from sitegeo.core.grid import WGS84
from sitegeo.core.models import from_record
from sitegeo.law.calendar import reasons_closed, rules_on
from sitegeo.law.daylight import Daylight, ShootingHours, shooting_hours_on
from sitegeo.law.rules import Law
from sitegeo.law.verdicts import verdict_sentence
from sitegeo.places.config import GearKeys
from sitegeo.plans.schedule import boat_needed, morning_schedule
from sitegeo.plans.shift import shift_records
from sitegeo.rankings.ranking import Ranking
from sitegeo.rankings.record import blind_objects, wind_record
from sitegeo.rankings.spread_site import SpreadSite
from sitegeo.spreads.result import REMEDIES, Spread
from sitegeo.surveys.record import law_record
from sitegeo.surveys.survey import Survey
from sitegeo.surveys.water_level import WATER_TODAY
from sitegeo.units import YARD_M

PLAN_SCHEMA = "sitegeo/plan/1"

_GEOD = Geod(ellps="WGS84")


def plan_record(
    survey: Survey,
    ranked: Ranking,
    row: pd.Series[Any],
    spread: Spread,
    *,
    site: SpreadSite,
    features: gpd.GeoDataFrame,
    verdicts: pd.DataFrame,
    light: Daylight | None,
    fire: dict[str, Any],
    crossing: dict[str, Any] | None,
    second: dict[str, Any] | None,
    cautions: Sequence[str],
) -> dict[str, Any]:
    """Return the object of plan.json.

    Parameters
    ----------
    survey, ranked, row, spread
        The survey, the ranking, the blind's row of it, and its spread.
    site
        What the spread lies on.
    features
        Everything drawn, of `plan_features`.
    verdicts
        Of the hide and every group.
    light
        Sun times; None without a date.
    fire, crossing, second
        Objects of their own: the fall of shot, the way over water, and where else to go.
    cautions
        What holds of this plan beside what the blind itself says.

    Returns
    -------
    dict
        As docs/plan.schema.json describes it.
    """
    one = gpd.GeoDataFrame([row], geometry="geometry", crs=features.crs)
    rejected = None if pd.isna(row["rejected_by"]) else str(row["rejected_by"])
    if rejected:
        one["why"], one["cautions"] = f"rejected: {rejected}", [()]
    blind = blind_objects(ranked, one)[0]
    law, when = ranked.law, ranked.when
    hours = shooting_hours_on(law, light, when) if light and when and law.chosen else None
    closed = reasons_closed(law, when.date()) if when and law.chosen else ()
    declination = features["magnetic_variation_deg"].iloc[0]
    told, route = _light(light, hours), _route(features)
    laid = spread_record(spread, features)
    gear = from_record(survey.record["gear"], GearKeys)
    boat = boat_needed(survey, row, features, gear.wade_m)
    return {
        **blind,
        "schema": PLAN_SCHEMA,
        "rejected_by": rejected,
        "wind": wind_record(ranked.wind),
        "when": None if ranked.when is None else ranked.when.isoformat(),
        **_survey_facts(survey),
        "law": law_record(ranked.law),
        "declination_deg": _number(declination),
        "spread": laid,
        "verdicts": [verdict_sentence(v, ranked.law) for _, v in verdicts.iterrows()],
        "checks": verdict_items(verdicts),
        "light": told,
        "times": None
        if spread.refused
        else morning_schedule(told, laid, route, party=gear.party, asked=when, boat=boat),
        "rules": _rules(law, when, light, hours),
        "fire": fire,
        "crossing": crossing,
        "route": route,
        "shift": shift_records(site, spread, ranked.wind),
        "cautions": [*closed, *blind["cautions"], *cautions],
        # Kept so that `shift` can lay the spread again for another wind, without its survey.
        "laying": site.record(),
        "second": second,
        "water_today": survey.record.get(WATER_TODAY),
        "field": [{"seen": seen, "change": words} for seen, words in REMEDIES.items()],
    }


def _survey_facts(survey: Survey) -> dict[str, Any]:
    """Return what a plan keeps of its survey: what was assumed, written and read there."""
    return {
        "title": survey.title,
        "credits": [c["words"] for c in survey.record.get("credits", ())],
        "assume": survey.record["assume"],
        "terms": survey.record["terms"],
        "gear": survey.record["gear"],
        "grid": survey.record["grid"],
        "inputs": [i for i in survey.record["inputs"] if i["role"] in ("dwellings", "roads")],
    }


def spread_record(spread: Spread, features: gpd.GeoDataFrame) -> dict[str, Any]:
    """Return the spread: its layout, pocket, groups and motion, or why it was refused."""
    lonlat = shapely.get_coordinates(features.geometry.centroid.to_crs(WGS84))
    at = {name: n for n, name in enumerate(features["name"])}

    def where(name: str) -> dict[str, Any]:
        f = features.iloc[at[name]]
        return {
            "lon": round(float(lonlat[at[name], 0]), 7),
            "lat": round(float(lonlat[at[name], 1]), 7),
            "bearing_true_deg": _number(f["bearing_true"]),
            "bearing_magnetic_deg": _number(f["bearing_magnetic"]),
            "range_yd": _number(f["range_yd"]),
            "range_m": _number(f["range_yd"] * YARD_M),
        }

    groups = [
        {
            "name": g.name,
            "kind": g.kind,
            "count": g.count,
            "dark": g.dark,
            "white": g.white,
            "geese": g.geese,
            "small": g.small,
            "depth_m": _number(g.depth_m),
            "line_m": _number(g.line_m),
            "note": g.note,
            **where(g.name.upper()),
        }
        for g in spread.groups
    ]
    motion = [where(n) for n in features.loc[features["role"] == "motion", "name"]]
    jerk_m = float(np.hypot(*np.diff(spread.jerk_line, axis=0).T).sum())
    return {
        "layout": spread.layout,
        "reason": spread.headline,
        "refused": spread.refused,
        "notes": list(spread.notes),
        "left": spread.left,
        "pocket": None if spread.refused else where("POCKET"),
        "groups": groups,
        "motion": motion,
        "jerk_line": {"length_m": _number(jerk_m), **where("JERK LINE")} if jerk_m else None,
        "approach": _approach(features),
    }


def _approach(features: gpd.GeoDataFrame) -> dict[str, Any] | None:
    """Return the bearing from the pocket along the way birds come in, to its far end, in words."""
    drawn = features[features["role"] == "approach"]
    if drawn.empty:
        return None
    far, *_, near = shapely.get_coordinates(drawn.geometry.to_crs(WGS84))
    azimuth, _, _ = _GEOD.inv(*near, *far)
    return {"from_true_deg": _number(wrap360(azimuth)), "words": drawn["note"].iloc[0]}


def verdict_items(verdicts: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows of a verdict table as JSON objects."""
    numbers = ("distance_m", "limit_m", "margin_m", "error_m", "bearing_deg")
    words = ("id", "target", "verdict", "feature", "rule", "measured_from", "note")
    return [
        {**{w: v[w] or None for w in words}, **{n: _number(v[n]) for n in numbers}}
        for _, v in verdicts.iterrows()
    ]


def _light(light: Daylight | None, hours: ShootingHours | None) -> dict[str, Any] | None:
    """Return sun times, and shooting hours where a chosen law gives them."""
    if light is None:
        return None
    moments = {
        "sunrise": light.sunrise,
        "sunset": light.sunset,
        "civil_dawn": light.civil_dawn,
    }
    date = next((m.date().isoformat() for m in moments.values() if m), None)
    if hours is None:
        rule = "not checked: look up the shooting hours of your zone and date"
    elif hours.opens is None:
        rule = f"none on this day by {hours.citation}: verify"
    else:
        rule = f"{hours.citation}: verify for your zone and date"
    return {
        "date": date,
        "zone": light.zone,
        **{name: _minute(moment) for name, moment in moments.items()},
        "shooting_start": _minute(hours.opens if hours else None),
        "shooting_end": _minute(hours.closes if hours else None),
        "rule": rule,
    }


def _rules(
    law: Law, when: datetime | None, light: Daylight | None, hours: ShootingHours | None
) -> list[dict[str, Any]]:
    """Return the rules of a chosen law that are not distances, as they stand on the day."""
    if not law.chosen:
        return []
    return [
        {
            "topic": rule.topic,
            "words": rule.words,
            "dates": rule.dates or None,
            "earliest": _minute(rule.earliest),
            "latest": _minute(rule.latest),
            "citation": rule.citation or None,
        }
        for rule in rules_on(law, when, light=light, hours=hours)
    ]


def _minute(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat(timespec="minutes")


def _route(features: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Return the ways in, each with its straight line from the hide; not a path to walk."""
    ways = features[features["role"] == "access"]
    return [
        {
            "name": way["name"],
            "note": f"{way['note']}; straight line, not a path".lstrip("; "),
            "bearing_true_deg": _number(way["bearing_true"]),
            "range_yd": _number(way["range_yd"]),
        }
        for _, way in ways.iterrows()
    ]


def _number(value: Any) -> float | None:
    return (
        None
        if value is None or pd.isna(value) or not np.isfinite(value)
        else round(float(value), 2)
    )
