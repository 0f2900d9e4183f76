"""Verdicts alone: of a survey's blinds, of a plan's hide, groups and way in, or of one spot."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime, tzinfo
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS, Transformer

from sitegeo.core import output, store
from sitegeo.core.grid import WGS84
from sitegeo.core.wind import Wind
from sitegeo.errors import SurveyError
from sitegeo.law.calendar import reasons_closed
from sitegeo.law.context import VERDICT_COLUMNS, Terms, terms_from_record
from sitegeo.law.daylight import local_day, time_zone
from sitegeo.law.examples import example_laws, strictest_law
from sitegeo.law.ground import ground_verdicts, huntable_ground
from sitegeo.law.rules import Law
from sitegeo.law.safety import contact_caution, morning_cautions
from sitegeo.law.setbacks import WORST_FIRST, overall_verdict, setback_polygons
from sitegeo.law.shot_range import ShotFall
from sitegeo.law.verdicts import verdicts_along
from sitegeo.plans.plan import PLAN_MARKER
from sitegeo.plans.record import verdict_items
from sitegeo.plans.shot import fire_record, fire_sentences, shot_fall_about
from sitegeo.surveys.record import SURVEY_MARKER, recorded_law
from sitegeo.surveys.survey import Survey

CHECK_SCHEMA = "sitegeo/check/1"
_WAY_STEP_M = 25.0
"""The ground under the way in is checked at points so far apart; judgement."""

_DOUBT = 2.0
"""Of the way in, ground nearer to the access than so many errors of the edge is not judged."""

_FIRE = "fall of shot"
_DAY = "day"


@dataclass(frozen=True)
class Check:
    """Verdicts under a law; `overall` is clear only where a person chose that law and all is.

    Parameters
    ----------
    table
        One row an item and target, by the columns of `verdicts`.
    fire
        The circle of fire and the facing of each hide, by id.
    huntable
        Ground open to hunt by the map under this law; None where no map was given.
    cautions
        What holds whatever the verdicts say.
    """

    law: Law
    table: pd.DataFrame
    fire: Mapping[str, tuple[ShotFall, float]] = field(default_factory=dict)
    huntable: gpd.GeoDataFrame | None = None
    cautions: tuple[str, ...] = ()

    @property
    def overall(self) -> str:
        """The worst verdict."""
        return overall_verdict(self.table, self.law)

    def to_json(self) -> dict[str, Any]:
        """Return the object `sitegeo check --json` prints."""
        items = verdict_items(self.table)
        return {
            "schema": CHECK_SCHEMA,
            "law": {
                "name": self.law.title,
                "chosen": self.law.chosen,
                "read_on": self.law.read_on.isoformat(),
            },
            "verdict": self.overall,
            "items": items,
            "not_checked": sorted({i["target"] for i in items if i["verdict"] == "not checked"}),
            "fire": {name: fire_record(fall, facing) for name, (fall, facing) in self.fire.items()},
            "huntable": huntable_record(self.huntable),
            "cautions": list(self.cautions),
        }


@dataclass(frozen=True)
class _Opened:
    """What a folder, or none, holds to check: items, hides with their facing, layers, record."""

    points: gpd.GeoDataFrame
    hides: gpd.GeoDataFrame
    route: gpd.GeoDataFrame
    layers: Mapping[str, Any]
    record: Mapping[str, Any]
    wind: Wind | None = None
    on: date | None = None
    clock: tzinfo | None = None

    @property
    def cautions(self) -> tuple[str, ...]:
        """A plan's own, else those of any morning, and what to leave with someone ashore."""
        if "cautions" in self.record:
            return tuple(self.record["cautions"])
        told = morning_cautions(self.wind)
        if len(self.hides) != 1:
            return told
        hide: Any = self.hides.geometry.iloc[0]
        return (*told, contact_caution(hide, self.layers.get("access"), CRS(self.hides.crs)))


def check_folder(
    folder: Path,
    *,
    law: Law | None = None,
    at: tuple[float, float] | None = None,
    on: date | None = None,
) -> Check:
    """Return the verdicts of a survey's blinds, or a plan's hide, groups and way in.

    Parameters
    ----------
    folder
        Of a survey or a plan.
    law
        By default the law recorded with the results.
    at
        Latitude and longitude of one spot to check instead.
    on
        The day hunted, or a moment of it; by default the plan's own.

    Returns
    -------
    Check
        Verdicts, the fall of shot about each hide, and the cautions that hold.

    Raises
    ------
    SurveyError
        If the folder holds neither a survey nor a plan.
    """
    output.repair(folder.absolute())
    if (folder / PLAN_MARKER).is_file():
        opened = _plan(folder)
    elif (folder / SURVEY_MARKER).is_file():
        opened = _survey(folder)
    else:
        raise SurveyError(
            "is neither a survey nor a plan",
            where=folder,
            remedy="Give a folder that 'sitegeo survey' or 'sitegeo plan' wrote",
        )
    if at is not None:
        spot = _spot(at, opened.points.crs)
        hides = spot.assign(facing_deg=0.0)
        opened = replace(opened, points=spot, hides=hides, route=spot[:0])
    day = local_day(on, opened.clock) or opened.on
    return _checked(opened, law or recorded_law(opened.record["law"]), day)


def check_spot(at: tuple[float, float], *, law: Law | None = None, on: date | None = None) -> Check:
    """Return the verdicts of a spot of which no map is given: nothing can be checked.

    Parameters
    ----------
    at
        Latitude and longitude, degrees.
    law
        By default the strictest of the examples.
    on
        The day hunted, or a moment of it.

    Returns
    -------
    Check
        Every target not checked; never clear.
    """
    lat, lon = at
    zone = gpd.GeoSeries([shapely.Point(lon, lat)], crs=WGS84).estimate_utm_crs()
    spot = _spot(at, zone)
    opened = _Opened(spot, spot.assign(facing_deg=0.0), spot[:0], {}, {})
    return _checked(opened, law or strictest_law(example_laws()), local_day(on, None))


def huntable_record(ground: gpd.GeoDataFrame | None) -> dict[str, Any] | None:
    """Return how much ground the map leaves open to hunt, and what that rests on."""
    if ground is None:
        return None
    nothing = "no public land that is open to hunting is left on the map"
    return {
        "area_m2": round(float(ground["area_m2"].sum()), 1),
        "pieces": len(ground),
        "unknowns": ground["unknowns"].iloc[0] if len(ground) else nothing,
    }


def _plan(folder: Path) -> _Opened:
    record = store.read_json(folder / PLAN_MARKER)
    layers: Mapping[str, Any] = store.SavedLayers(folder, vectors="plan.gpkg")
    drawn = layers["plan"]
    items = drawn[drawn["role"].isin(["hide", "group"])]
    hide = drawn[drawn["role"] == "hide"]
    blow = record["wind"]
    when = None if record["when"] is None else datetime.fromisoformat(record["when"])
    return _Opened(
        points=_points(items["name"], items.geometry),
        hides=_points(hide["name"], hide.geometry).assign(facing_deg=record["facing_deg"]),
        route=_route(hide.geometry.iloc[0], layers.get("access"), drawn.crs),
        layers=layers,
        record=record,
        wind=Wind(blow["from_deg"], blow["speed_mps"], blow["gust_mps"], blow["spread_deg"]),
        on=None if when is None else when.date(),
        clock=None if when is None else when.tzinfo,
    )


def _survey(folder: Path) -> _Opened:
    opened = Survey.open(folder)
    held = opened.layers["candidates"]
    held = held[held["rejected_by"].isna()]
    points = _points(held["id"], held.geometry)
    facing = held.set_index("id")["facing_deg"].reindex(points["id"]).to_numpy()
    hides = points.assign(facing_deg=facing)
    clock = time_zone(opened.record["zone"])
    return _Opened(points, hides, points[:0], opened.layers, opened.record, clock=clock)


def _checked(opened: _Opened, law: Law, on: date | None) -> Check:
    points, layers, record = opened.points, opened.layers, opened.record
    crs = CRS(points.crs)
    terms = terms_from_record(record, crs=crs, on=on)
    fire = {
        name: (
            shot_fall_about(layers, record, at, facing, crs=crs, wind=opened.wind),
            float(facing),
        )
        for name, facing, at in zip(
            *(opened.hides[c] for c in ("id", "facing_deg", "geometry")), strict=True
        )
    }
    tables = [
        verdicts_along(points, law, layers, record, on=on),
        _route_items(opened.route, layers, terms),
        _rows(
            (name, _FIRE, f.verdict, "; ".join(fire_sentences(f))) for name, (f, _) in fire.items()
        ),
        _rows(("day", _DAY, "inside", why) for why in (reasons_closed(law, on) if on else ())),
    ]
    return Check(
        law,
        pd.concat([t for t in tables if len(t)] or tables[:1], ignore_index=True),
        fire,
        _open_ground(layers, law, terms, crs) if layers else None,
        opened.cautions,
    )


def _route(
    hide: shapely.Point, access: gpd.GeoDataFrame | None, crs: Any, *, step_m: float = _WAY_STEP_M
) -> gpd.GeoDataFrame:
    """Return points along the straight way in from the nearest access; none without one."""
    if access is None or access.empty:
        return gpd.GeoDataFrame({"id": []}, geometry=[], crs=crs)
    start: Any = access.geometry.iloc[int(access.distance(hide).to_numpy().argmin())]
    walked = shapely.segmentize(shapely.LineString([start, hide]), step_m)
    shapes = [shapely.Point(xy) for xy in shapely.get_coordinates(walked)]
    return gpd.GeoDataFrame({"id": ["WAY IN"] * len(shapes)}, geometry=shapes, crs=crs)


def _route_items(route: gpd.GeoDataFrame, layers: Mapping[str, Any], terms: Terms) -> pd.DataFrame:
    """Return the worst verdict of the way in on the ground it crosses, one row a target.

    A mapped access point is itself a place to stand: the ground counts from twice the error of
    the public land's edge onward.
    """
    if route.empty:
        return _rows(())
    start = _DOUBT * terms.errors.total_m("public_land")
    beyond = route[route.distance(route.geometry.iloc[0]) > start]
    table = ground_verdicts(
        beyond if len(beyond) else route.iloc[-1:],
        public_land=layers.get("public_land"),
        closed_areas=layers.get("closed_areas"),
        terms=terms,
    )
    # To cross ground one need not hunt on it.
    table = table[table["target"] != "hunting"]
    worst = table.sort_values("verdict", key=lambda v: v.map(WORST_FIRST.index), kind="stable")
    worst = worst.drop_duplicates("target")
    return worst.assign(note=worst["note"] + "; on the straight line from the nearest access")


def _open_ground(layers: Mapping[str, Any], law: Law, terms: Terms, crs: CRS) -> gpd.GeoDataFrame:
    names = ("dwellings", "roads", "public_land", "closed_areas")
    dwellings, roads, public_land, closed_areas = (layers.get(name) for name in names)
    drawn = setback_polygons(law, dwellings=dwellings, roads=roads, crs=crs, outline=terms.outline)
    error_m = max(terms.errors.total_m(name) for name in names)
    return huntable_ground(public_land, drawn, closed_areas, error_m=error_m, crs=crs)


def _rows(told: Iterable[tuple[str, str, str, str]]) -> pd.DataFrame:
    """Return rows of id, target, verdict and note, by the columns of `verdicts`."""
    rows = pd.DataFrame(list(told), columns=["id", "target", "verdict", "note"])
    numbers = ("distance_m", "limit_m", "margin_m", "error_m", "bearing_deg")
    bare = {**dict.fromkeys(numbers, np.nan)}
    texts = dict.fromkeys(("feature", "rule", "measured_from"), "")
    return rows.assign(**bare, **texts)[list(VERDICT_COLUMNS)]


def _points(ids: Any, shapes: Any) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame({"id": ids.to_numpy()}, geometry=shapes.to_numpy(), crs=shapes.crs)
    return frame.sort_values("id", ignore_index=True)


def _spot(at: tuple[float, float], crs: Any) -> gpd.GeoDataFrame:
    lat, lon = at
    x, y = Transformer.from_crs(WGS84, crs, always_xy=True).transform(lon, lat)
    return gpd.GeoDataFrame({"id": ["spot"]}, geometry=[shapely.Point(x, y)], crs=crs)
