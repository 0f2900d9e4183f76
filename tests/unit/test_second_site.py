"""A second site if the first is taken, and the field table, in the plan's record."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
from shapely.geometry import Point

import sitegeo
from sitegeo.siting.second import second_site
from sitegeo.spreads.remedies import FIELD_TABLE


def blinds(*rows) -> gpd.GeoDataFrame:
    names = ("id", "position_id", "score", "layout", "x")
    table = {n: [r[i] for r in rows] for i, n in enumerate(names)}
    return gpd.GeoDataFrame(table, geometry=[Point(x, 0) for x in table["x"]], crs="EPSG:32615")


def test_the_nearest_good_one_of_another_position() -> None:
    found = blinds(
        ("T001a", "T001", 0.9, "bank-along", 0.0),
        ("T001b", "T001", 0.9, "bank-along", 200.0),
        ("P001a", "P001", 0.88, "point", 100.0),
        ("V001a", "V001", 0.5, "bank-off", 160.0),
        ("T002a", "T002", 0.8, "bank-off", 300.0),
        ("T003a", "T003", 0.9, "bank-off", 900.0),
    )
    second = second_site(found, found.iloc[0])
    assert second is not None
    assert (second["id"], second["distance_m"]) == ("T002a", 300.0)
    assert second_site(found.iloc[:4], found.iloc[0]) is None


def test_the_plan_names_it_and_carries_the_field_table(demo_survey: Path) -> None:
    survey = sitegeo.Survey.open(demo_survey)
    plan = sitegeo.plan(survey, sitegeo.Wind.parse("NW 12 mph"))
    second = plan.record["second"]
    assert second["id"][:4] != plan.record["id"][:4]
    assert second["id"] in set(plan.ranking.blinds["id"])
    told = {row["seen"] for row in plan.record["field"]}
    assert told == set(FIELD_TABLE) >= {"landing short", "flaring", "not finishing"}
