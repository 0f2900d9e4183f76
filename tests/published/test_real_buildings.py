"""Distances to real buildings and streets against pyproj.Geod.

The buildings and streets are of Bubeneč, Prague, as the package momepy carries them (from
OpenStreetMap, ODbL), so that this runs on any machine.
"""

from __future__ import annotations

import geopandas as gpd
import momepy
import numpy as np
import pytest
import shapely
from helpers_law import EXACT, law_of, points, rule
from pyproj import Geod, Transformer

from sitegeo.law.context import Terms
from sitegeo.law.setbacks import setback_verdicts

UTM = 32633
WGS84 = Geod(ellps="WGS84")
LIMIT_M = 30.0


@pytest.fixture(scope="module")
def town() -> dict[str, gpd.GeoDataFrame]:
    path = momepy.datasets.get_path("bubenec")
    found = {n: gpd.read_file(path, layer=n).to_crs(UTM) for n in ("buildings", "streets")}
    none = [np.array([None] * len(frame), dtype=object) for frame in found.values()]
    return {
        "buildings": found["buildings"][["geometry"]].assign(kind=none[0]),
        "streets": found["streets"][["geometry"]].assign(
            **{"class": none[1], "surface": none[1]}, width_m=12.0
        ),
    }


@pytest.fixture(scope="module")
def table(town):
    west, south, east, north = town["buildings"].total_bounds
    rng = np.random.default_rng(4)
    at = rng.uniform((west - 400, south - 400), (east + 400, north + 400), (40, 2))
    law = law_of(
        rule("house", "dwelling", LIMIT_M), rule("road", "road", 6.0, measured_from="pavement edge")
    )
    found = setback_verdicts(
        points(*at, crs=UTM),
        law,
        dwellings=town["buildings"],
        roads=town["streets"],
        terms=Terms(errors=EXACT),
    )
    return at, found


def walked_m(at, shapes, step_m=0.5):
    """Least geodesic, and its bearing, from points to shapes walked in half-metre steps."""
    walk = shapely.get_coordinates(shapely.segmentize(shapes.geometry.to_numpy(), step_m))
    to_degrees = Transformer.from_crs(UTM, 4326, always_xy=True)
    lon, lat = to_degrees.transform(*walk.T)
    for x, y in at:
        here = to_degrees.transform(x, y)
        bearing, _, length = WGS84.inv(*(np.full_like(lon, v) for v in here), lon, lat)
        yield length.min(), bearing[length.argmin()] % 360


@pytest.mark.parametrize(
    ("target", "layer", "offset_m", "limit_m"),
    [("dwelling", "buildings", 0.0, LIMIT_M), ("road", "streets", 6.0, 6.0)],
)
def test_distances_are_the_geodesics_to_the_nearest_wall_or_edge(
    town, table, target, layer, offset_m, limit_m
):
    at, found = table
    rows = found[found["target"] == target]
    inside = [town[layer].covers(shapely.Point(xy)).any() for xy in at]
    for (length, bearing), within, (_, row) in zip(
        walked_m(at, town[layer]), inside, rows.iterrows(), strict=True
    ):
        expected = 0.0 if within else max(length - offset_m, 0.0)
        # Half a step aside at most: (d² + ¼²)^½ - d.
        assert row["distance_m"] <= expected + 1e-6
        assert row["distance_m"] == pytest.approx(expected, abs=0.04)
        if row["distance_m"] > 5.0:
            turn = (row["bearing_deg"] - bearing + 180) % 360 - 180
            # 0.25 m aside at this distance, or a second wall as near.
            assert abs(turn) < np.rad2deg(0.3 / row["distance_m"]) + 0.5
        if abs(expected - limit_m) > 0.05:
            assert (row["verdict"] == "inside") == (expected <= limit_m)
    assert {"inside", "clear"} <= set(rows["verdict"])


def test_the_photo_maps_own_grid_would_be_a_third_too_long(town):
    """Web Mercator at 50° N: 1/cos 50.1° = 1.56 times the ground."""
    mercator = town["buildings"].to_crs(3857).length.sum()
    assert mercator / town["buildings"].length.sum() == pytest.approx(1.56, abs=0.01)
