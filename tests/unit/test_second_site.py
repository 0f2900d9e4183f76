"""A second site if the first is taken, and the field table, in the plan's record."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from helpers_terrain import NORTH, WEST, cover_of
from shapely.geometry import LineString, Point

import sitegeo
from sitegeo.core.contracts import Cover
from sitegeo.core.grid import Raster
from sitegeo.siting.access import FallbackParams, find_fallback_blind
from sitegeo.spreads.result import REMEDIES

SIZE = 1000


def blinds(*rows) -> gpd.GeoDataFrame:
    """Rows of id, position, score and metres east of the middle of the place."""
    names = ("id", "position_id", "score", "x")
    table = {n: [r[i] for r in rows] for i, n in enumerate(names)}
    points = [Point(WEST + SIZE / 2 + x, NORTH - SIZE / 2) for x in table["x"]]
    return gpd.GeoDataFrame({**table, "layout": "bank-off"}, geometry=points, crs="EPSG:32617")


FIRST = ("T001a", "T001", 0.9, 0.0)
EAST, WESTERN = ("T002a", "T002", 0.8, 200.0), ("T003a", "T003", 0.8, -300.0)


def dry() -> np.ndarray:
    return np.full((SIZE, SIZE), int(Cover.OPEN), np.uint8)


def found(classes: np.ndarray, *rows, depth_m: float | None = None, roads=None):
    cover = cover_of(classes)
    wet = classes == Cover.WATER
    depth = None if depth_m is None else Raster(np.where(wet, depth_m, np.nan), cover.grid, wet)
    frame = blinds(FIRST, *rows)
    over = {"cover": cover, "depth": depth, "roads": roads}
    return find_fallback_blind(frame, frame.iloc[0], **over, wade_m=0.9)


def test_the_nearest_good_one_of_another_position_on_foot() -> None:
    others = (
        ("T001b", "T001", 0.9, 200.0),  # the same position
        ("P001a", "P001", 0.88, 100.0),  # beside the first
        ("V001a", "V001", 0.5, 160.0),  # poor
        WESTERN,
        ("T004a", "T004", 0.9, -450.0),
    )
    second = found(dry(), *others)
    assert second is not None
    assert (second["id"], second["distance_m"]) == ("T003a", 300.0)
    assert second["walk_m"] == pytest.approx(300, abs=15)
    assert second["wading_m"] == 0
    assert found(dry(), *others[:3]) is None


def test_deep_water_between_is_not_crossed_in_the_dark() -> None:
    channel = dry()
    channel[:, 600:640] = Cover.WATER
    assert found(channel, EAST, WESTERN, depth_m=1.5)["id"] == "T003a"
    assert found(channel, EAST, depth_m=1.5) is None
    assert found(channel, EAST) is None  # of unknown depth
    waded = found(channel, EAST, depth_m=0.5)
    assert waded["id"] == "T002a"
    assert waded["wading_m"] == pytest.approx(40, abs=10)


def test_no_road_is_crossed_and_the_way_round_must_be_short() -> None:
    across = LineString([(WEST + 600, NORTH - SIZE), (WEST + 600, NORTH)])
    road = gpd.GeoDataFrame(geometry=[across], crs="EPSG:32617")
    assert found(dry(), EAST, WESTERN, roads=road)["id"] == "T003a"
    assert found(dry(), EAST, roads=road) is None
    pond = dry()
    pond[80:800, 600:640] = Cover.WATER  # open at both ends, but too far round
    assert found(pond, EAST, depth_m=2.0) is None


def test_the_plan_names_it_and_carries_the_field_table(demo_survey: Path) -> None:
    survey = sitegeo.Survey.open(demo_survey)
    plan = sitegeo.plan(survey, sitegeo.Wind.parse("S 12 mph"))
    second = plan.record["second"]
    assert second["walk_m"] <= FallbackParams().reach_m
    assert second["id"][:4] != plan.record["id"][:4]
    assert second["id"] in set(plan.ranking.blinds["id"])
    told = {row["seen"] for row in plan.record["field"]}
    assert told == set(REMEDIES) >= {"landing short", "flaring", "not finishing"}
