"""Setback verdicts alone: of a survey's blinds, of a plan's hide and groups, or of one spot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely
from pyproj import Transformer

from sitegeo import folders, store
from sitegeo.errors import SurveyError
from sitegeo.grid import WGS84
from sitegeo.law.rules import Law, shipped_laws, strictest
from sitegeo.law.setbacks import overall
from sitegeo.plan import MARKER as PLAN_MARKER
from sitegeo.plan_record import verdict_items
from sitegeo.ranking import verdicts_of
from sitegeo.survey import MARKER as SURVEY_MARKER
from sitegeo.survey import Survey, recorded_law

SCHEMA = "sitegeo/check/1"


@dataclass(frozen=True)
class Check:
    """Verdicts under a law; `overall` is clear only where a person chose that law and all is."""

    law: Law
    table: pd.DataFrame

    @property
    def overall(self) -> str:
        """The worst verdict."""
        return overall(self.table, self.law)

    def to_json(self) -> dict[str, Any]:
        """Return the object `sitegeo check --json` prints."""
        items = verdict_items(self.table)
        return {
            "schema": SCHEMA,
            "law": {
                "name": self.law.title,
                "chosen": self.law.chosen,
                "read_on": self.law.read_on.isoformat(),
            },
            "verdict": self.overall,
            "items": items,
            "not_checked": sorted({i["target"] for i in items if i["verdict"] == "not checked"}),
        }


def check_folder(
    folder: Path, *, law: Law | None = None, at: tuple[float, float] | None = None
) -> Check:
    """Return the verdicts of a survey's blinds, or a plan's hide and groups.

    Parameters
    ----------
    law
        By default the law recorded with the results.
    at
        Latitude and longitude of one spot to check instead.

    Raises
    ------
    SurveyError
        If the folder holds neither a survey nor a plan.
    """
    folders.repair(folder.absolute())
    if (folder / PLAN_MARKER).is_file():
        record = store.read_json(folder / PLAN_MARKER)
        layers: Mapping[str, Any] = store.SavedLayers(folder, vectors="plan.gpkg")
        drawn = layers["plan"]
        items = drawn[drawn["role"].isin(["hide", "group"])]
        points = _points(items["name"], items.geometry.centroid)
    elif (folder / SURVEY_MARKER).is_file():
        opened = Survey.open(folder)
        record, layers = opened.record, opened.layers
        held = layers["candidates"]
        held = held[held["rejected_by"].isna()]
        points = _points(held["id"], held.geometry)
    else:
        raise SurveyError(
            "is neither a survey nor a plan",
            where=folder,
            remedy="Give a folder that 'sitegeo survey' or 'sitegeo plan' wrote",
        )
    if at is not None:
        points = _spot(at, points.crs)
    governing = law or recorded_law(record["law"])
    return Check(governing, verdicts_of(points, governing, layers, record["assume"]))


def check_spot(at: tuple[float, float], *, law: Law | None = None) -> Check:
    """Return the verdicts of a spot of which no map is given: nothing can be checked."""
    lat, lon = at
    zone = gpd.GeoSeries([shapely.Point(lon, lat)], crs=WGS84).estimate_utm_crs()
    governing = law or strictest(shipped_laws())
    return Check(governing, verdicts_of(_spot(at, zone), governing, {}, {}))


def _points(ids: Any, shapes: Any) -> gpd.GeoDataFrame:
    frame = gpd.GeoDataFrame({"id": ids.to_numpy()}, geometry=shapes.to_numpy(), crs=shapes.crs)
    return frame.sort_values("id", ignore_index=True)


def _spot(at: tuple[float, float], crs: Any) -> gpd.GeoDataFrame:
    lat, lon = at
    x, y = Transformer.from_crs(WGS84, crs, always_xy=True).transform(lon, lat)
    return gpd.GeoDataFrame({"id": ["spot"]}, geometry=[shapely.Point(x, y)], crs=crs)
