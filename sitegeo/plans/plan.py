"""A plan: one blind for one wind, its spread on the water, its verdicts, and what to carry.

Composition only.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from sitegeo.core import output, store
from sitegeo.core.grid import WGS84
from sitegeo.core.inputs import KEPT_IN_PLAN
from sitegeo.core.store import write_geopackage
from sitegeo.core.wind import Wind
from sitegeo.errors import SurveyError
from sitegeo.export import geojson, gpx, kml
from sitegeo.export.styles import add_styles, spread_style
from sitegeo.law.daylight import daylight
from sitegeo.law.rules import Law
from sitegeo.law.safety import contact_caution, dark_caution, morning_cautions, wading_caution
from sitegeo.law.shot_range import ShotFall
from sitegeo.law.verdicts import verdicts_along
from sitegeo.plans.contents import PlanContents
from sitegeo.plans.crossing import (
    CrossingFrom,
    crossing_cautions,
    crossing_record,
    crossing_to_blind,
)
from sitegeo.plans.features import (
    ROUND_HIDE_DEG,
    declination_deg,
    plan_features,
    waypoints_to_carry,
)
from sitegeo.plans.record import plan_record
from sitegeo.plans.shot import blind_shot_fall, fire_record, fire_sentences, shot_words
from sitegeo.rankings import ranking
from sitegeo.rankings.chosen_hide import ChosenHide, chosen_hides
from sitegeo.rankings.ranking import Ranking
from sitegeo.rankings.spread_site import (
    NEAR_WATER,
    SpreadSite,
    lay_spread,
    spread_site,
    touchdown_areas,
    touchdown_cautions,
)
from sitegeo.siting.access import find_fallback_blind
from sitegeo.spreads.place import season_phase
from sitegeo.spreads.result import Spread
from sitegeo.surveys.survey import Survey
from sitegeo.surveys.water_level import water_level_words

PLAN_MARKER = "plan.json"

LITTLE_WATER = "at a quick look little of the water here is fit for a spread"
"""Said of a blind that a ranking left out, where laying found room for one all the same."""


class Plan(PlanContents):
    """One morning's plan, which can be saved; its fields are those of `PlanContents`."""

    def save(
        self,
        folder: str | Path,
        *,
        overwrite: bool = False,
        paper: Literal["letter", "a4"] = "letter",
    ) -> Path:
        """Write the plan to a folder, whole or not at all.

        Parameters
        ----------
        folder
            Where it is written.
        overwrite
            Replace a plan that is there.
        paper
            What the cards are printed on.

        Returns
        -------
        Path
            The folder.

        Raises
        ------
        OutputError
            If the folder exists and `overwrite` is not given, or is not a plan.
        """
        from sitegeo.export.card import card_pdf  # noqa: PLC0415 (so is reportlab)
        from sitegeo.plans.card import card_content  # noqa: PLC0415
        from sitegeo.plans.map import map_content  # noqa: PLC0415
        from sitegeo.webmap.page import render  # noqa: PLC0415 (folium is slow to import)

        out = Path(folder)
        with output.replacing(out, PLAN_MARKER, overwrite=overwrite) as new:
            geojson.write(self.features, new / "plan.geojson")
            geojson.write(self.waypoints, new / "waypoints.geojson")
            title = f"{self.survey.title}, blind {self.blind['id']}"
            tracks = self.features[self.features["role"].isin(["pocket", "group", "jerk_line"])]
            carried = pd.concat([self.waypoints, tracks], ignore_index=True)
            frame = gpd.GeoDataFrame(carried, crs=self.features.crs)
            text = gpx.gpx_text(frame, title=title, route=_way_to_hide(self.waypoints))
            (new / "waypoints.gpx").write_text(text, encoding="utf-8")
            # Apart from the rest, since a style in a GeoPackage is for one kind of geometry.
            spread = self.features[self.features["role"].isin(["pocket", "group"])]
            layers = {"plan": self.features, "spread": spread, **self.layers}
            write_geopackage(new / "plan.gpkg", layers)
            add_styles(new / "plan.gpkg", {"spread": spread_style()})
            kml_text = kml.kml_text(
                self.features, self.waypoints, title, credits=self.record["credits"]
            )
            (new / "plan.kml").write_text(kml_text, encoding="utf-8")
            (new / "plan.kmz").write_bytes(kml.kmz_bytes(kml_text))
            card = card_content(self)
            (new / "card.pdf").write_bytes(card_pdf(card, page=paper))
            (new / "card_night.pdf").write_bytes(card_pdf(card, page=paper, night=True))
            (new / "map.html").write_text(render(map_content(self)), encoding="utf-8")
            store.write_json(new / PLAN_MARKER, dict(self.record))
        return out


def plan(
    survey: Survey,
    wind: Wind,
    *,
    blind: str | None = None,
    hide: ChosenHide | None = None,
    decoys: int | None = None,
    far_group: bool | None = None,
    when: datetime | None = None,
    law: Law | None = None,
    air_c: float | None = None,
) -> Plan:
    """Return the plan for a blind and a wind.

    Parameters
    ----------
    survey
        Of the place.
    wind
        Where it comes from, true, and how fast.
    blind
        Its id; by default the best-ranked one.
    hide
        Latitude and longitude of a hide the person chose instead, or a GPX file of waypoints, of
        which the best is planned unless `blind` names one (X001, X002, …).
    decoys
        How many to set; by default the gear recorded in the survey.
    far_group
        Whether to set some far out, to hold distant birds; by default the gear recorded in the
        survey, where it is off.
    when
        The hour hunted; without it no sun time and no magnetic bearing is given.
    law
        By default the law recorded in the survey.
    air_c
        Air temperature, for the wind chill.

    Returns
    -------
    Plan
        In memory; its `save` writes it.

    Raises
    ------
    SurveyError
        If there is no such blind, the hide lies off the survey, or every blind is rejected.
    """
    ranked = ranking.rank(
        survey,
        wind,
        when=when,
        law=law,
        candidates=None if hide is None else chosen_hides(survey, hide),
        decoys=decoys,
        far_group=far_group,
        want=None,
        spreads_tried=ranking.SPREADS_TRIED if hide is None else 0,
    )
    row = _pick(ranked, blind, own_hide=hide is not None)
    lonlat = _lonlat(survey, row)
    season = None if when is None else season_phase(when.month, lonlat[1])
    site = spread_site(survey, row, ranked.given["gear"], season=season)
    spread = lay_spread(survey, row, site)
    row = _with_little_water(row, spread)
    landing = touchdown_areas(survey, row, spread, wind)
    fall = blind_shot_fall(survey, row, wind)
    features = plan_features(survey, row, spread, landing=landing, fall=fall, when=when)
    spread = _with_shots(spread, features, fall, float(row["facing_deg"]))
    verdicts = _group_verdicts(survey, ranked, row, features)
    way = crossing_to_blind(survey, row, wind)
    record = plan_record(
        survey,
        ranked,
        row,
        spread,
        site=site,
        features=features,
        verdicts=verdicts,
        light=None if when is None else daylight(*lonlat, when),
        fire=fire_record(fall, float(row["facing_deg"])),
        crossing=crossing_record(way, survey),
        second=None if hide else _second(survey, ranked, row),
        cautions=(
            *survey.reading_warnings,
            *_cautions_before_going(survey, lonlat, way, when),
            *fire_sentences(fall, declination_deg(*lonlat, when)),
            *touchdown_cautions(spread, landing),
            *morning_cautions(wind, air_c),
            *_cautions_at_the_hide(survey, row, spread),
        ),
    )
    layers = _layers(survey, ranked, landing, site)
    waypoints = waypoints_to_carry(features)
    return Plan(row, spread, ranked, verdicts, features, waypoints, layers, record, survey)


def _cautions_before_going(
    survey: Survey, lonlat: tuple[float, float], way: CrossingFrom | None, when: datetime | None
) -> tuple[str, ...]:
    """Return what to know of the dark, the water of the day and the crossing."""
    boat_wave_m = survey.record["gear"].get("boat_wave_m")
    return (
        *dark_caution(*lonlat, when),
        *water_level_words(survey),
        *crossing_cautions(way, boat_wave_m),
    )


def _cautions_at_the_hide(survey: Survey, row: pd.Series[Any], spread: Spread) -> tuple[str, ...]:
    """Return what to know of wading, and what to leave with someone ashore."""
    return (
        wading_caution(survey.record, survey.layers.get("depth"), _waded(row, spread)),
        contact_caution(row.geometry, survey.layers.get("access"), survey.crs),
    )


def _layers(
    survey: Survey, ranked: Ranking, landing: gpd.GeoDataFrame, site: SpreadSite
) -> dict[str, gpd.GeoDataFrame]:
    """Return what plan.gpkg keeps beside what is drawn: of the wind, the plan and the survey."""
    layers = {n: v for n, v in ranked.layers.items() if isinstance(v, gpd.GeoDataFrame)}
    layers |= {"touchdown": landing, "blinds": _listed(ranked)}
    layers[NEAR_WATER] = site.layer(survey.crs)
    return layers | {n: survey.layers[n] for n in KEPT_IN_PLAN if n in survey.layers}


def _with_little_water(row: pd.Series[Any], spread: Spread) -> pd.Series[Any]:
    """Return a blind's row; rejected for want of room that laying found after all, it says so."""
    if spread.refused or not str(row["rejected_by"]).startswith(ranking.NO_SPREAD):
        return row
    row = row.copy()
    row["rejected_by"] = LITTLE_WATER
    return row


def _way_to_hide(waypoints: gpd.GeoDataFrame) -> gpd.GeoDataFrame | None:
    """Return the nearest way in and the hide; None where no way in is mapped."""
    ways = waypoints[waypoints["role"] == "access"].tail(1)
    hide = waypoints[waypoints["role"] == "hide"]
    return None if ways.empty else gpd.GeoDataFrame(pd.concat([ways, hide]), crs=waypoints.crs)


def _second(survey: Survey, ranked: Ranking, row: pd.Series[Any]) -> dict[str, Any] | None:
    """Return where to go if the blind is taken, as plan.json says it."""
    return find_fallback_blind(
        ranked.places,
        row,
        cover=survey.layers["cover"],
        depth=survey.layers.get("depth"),
        roads=survey.layers.get("roads"),
        wade_m=ranked.given["gear"].wade_m,
    )


def _with_shots(
    spread: Spread, features: gpd.GeoDataFrame, fall: ShotFall, facing_deg: float
) -> Spread:
    """Return a spread whose reason also says where its birds may not be shot at."""
    if spread.refused:
        return spread
    pocket_deg = float(features.loc[features["role"] == "pocket", "bearing_true"].iloc[0])
    over_hide = spread.theta_deg < ROUND_HIDE_DEG and spread.layout != "timber"
    words = shot_words(fall, facing_deg, pocket_deg, over_hide=over_hide)
    return replace(spread, reason=f"{spread.reason} {words}".rstrip())


def _pick(ranked: Ranking, name: str | None, *, own_hide: bool) -> pd.Series[Any]:
    """Return the row of the blind named, else of the best one."""
    if own_hide and name is None and ranked.blinds.empty:
        name = "X001"  # a person's own spot is planned whatever speaks against it
    if name is not None:
        return ranked.blind(name)
    if ranked.blinds.empty:
        raise SurveyError(
            "every blind is rejected for this wind",
            remedy="'sitegeo rank --json' says why; --blind plans a rejected one all the same",
        )
    return ranked.blinds.iloc[0]


def _waded(row: pd.Series[Any], spread: Spread) -> dict[str, shapely.Point]:
    """Return where a person wades: to the hide, and to set out what is not thrown."""
    spots = {"the hide": row.geometry}
    if not spread.refused:
        spots["the pocket"] = spread.pocket.centroid
        spots |= {g.name: g.polygon.centroid for g in spread.groups}
    return spots


def _lonlat(survey: Survey, row: pd.Series[Any]) -> tuple[float, float]:
    to_wgs84 = Transformer.from_crs(survey.crs, WGS84, always_xy=True)
    lon, lat = to_wgs84.transform(row.geometry.x, row.geometry.y)
    return float(lon), float(lat)


def _group_verdicts(
    survey: Survey, ranked: Ranking, row: pd.Series[Any], features: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Return the verdicts of the hide and of each group."""
    own: pd.DataFrame = ranked.verdicts[ranked.verdicts["id"] == row["id"]]
    groups = features[features["role"] == "group"]
    if groups.empty:
        return own.reset_index(drop=True)
    shapes = gpd.GeoDataFrame(
        {"id": groups["name"].to_numpy()}, geometry=groups.geometry.to_numpy(), crs=groups.crs
    )
    others = verdicts_along(
        shapes.sort_values("id", ignore_index=True),
        ranked.law,
        survey.layers,
        survey.record,
        on=None if ranked.when is None else ranked.when.date(),
    )
    both: pd.DataFrame = pd.concat([own, others], ignore_index=True)
    return both


def _listed(ranked: Ranking) -> gpd.GeoDataFrame:
    """Return ranked and rejected blinds as one layer, reasons as text."""
    frame = pd.concat([ranked.blinds, ranked.rejected], ignore_index=True)
    told = [" · ".join(c) if isinstance(c, tuple) else None for c in frame["cautions"]]
    frame["cautions"] = np.array(told, dtype=object)
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=ranked.blinds.crs)
