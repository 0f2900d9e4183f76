"""A plan in timber as it is carried: the jerk line in every file that draws."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
from helpers_cli import maps_of_one_wind
from shapely.geometry import shape

import sitegeo


@pytest.fixture(scope="module")
def folder(demo_survey: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    survey, wind = sitegeo.Survey.open(demo_survey), sitegeo.Wind.parse("NW 12 mph")
    blinds = sitegeo.rank(survey, wind).blinds
    blind = blinds.loc[blinds["layout"] == "timber", "id"].iloc[0]
    plan = sitegeo.plan(survey, wind, blind=blind)
    assert plan.spread.refused is None
    with maps_of_one_wind():
        return plan.save(tmp_path_factory.mktemp("timber") / "plan")


def test_the_jerk_line_is_drawn_from_the_pocket_to_the_opening_s_edge(folder: Path) -> None:
    features = json.loads((folder / "plan.geojson").read_text())["features"]
    (line,) = [f for f in features if f["properties"]["role"] == "jerk_line"]
    pocket = next(f for f in features if f["properties"]["role"] == "pocket")
    assert line["geometry"]["type"] == "LineString"
    assert "ripple" in line["properties"]["note"]
    assert shape(line["geometry"]).intersects(shape(pocket["geometry"]))
    drawn = gpd.read_file(folder / "plan.gpkg", layer="plan")
    length_m = drawn.loc[drawn["role"] == "jerk_line"].length.iloc[0]
    told = json.loads((folder / "plan.json").read_text())["spread"]["jerk_line"]
    assert told["length_m"] == pytest.approx(length_m, abs=0.02)


def test_it_is_in_every_other_file_too(folder: Path) -> None:
    for name in ("plan.kml", "waypoints.gpx", "map.html"):
        assert "JERK LINE" in (folder / name).read_text(encoding="utf-8"), name
    waypoints = json.loads((folder / "waypoints.geojson").read_text())["features"]
    assert {f["geometry"]["type"] for f in waypoints} == {"Point"}
