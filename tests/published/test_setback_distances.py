"""Setback distances against published geodesics, exact units and pyproj.Geod."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from helpers_law import EXACT, UTM, box_east, houses, judge, law_of, off, one, points, rule
from pyproj import CRS, Geod, Transformer

from sitegeo.angles import signed_diff_deg
from sitegeo.law.context import Terms
from sitegeo.law.geodesic import Scale, buffer_radius, buffered, nearest_features, scale_over
from sitegeo.law.setbacks import setback_verdicts


# The Australian standard line (GDA technical manual; chrisveness/geodesy@3e9fdd3
# test/latlon-ellipsoidal-vincenty-tests.js) and a long British one from the same file.
@pytest.mark.parametrize(
    ("epsg", "start", "end", "length_m", "bearing_deg", "within_m"),
    [
        (
            28355,
            (144 + 25 / 60 + 29.52440 / 3600, -(37 + 57 / 60 + 3.72030 / 3600)),
            (143 + 55 / 60 + 35.38390 / 3600, -(37 + 39 / 60 + 10.15610 / 3600)),
            54972.271,
            306 + 52 / 60 + 5.37 / 3600,
            0.001,
        ),
        (32630, (-5.71475, 50.06632), (-3.07009, 58.64402), 969954.166, 9.1419, 0.001),
        # A degree of the equator (the same file) and of the meridian from it (WGS 84).
        (32631, (2.0, 0.0), (3.0, 0.0), 111319.491, 90.0, 0.001),
        (32631, (3.0, 0.0), (3.0, 1.0), 110574.389, 0.0, 0.001),
        # A short line across the Greenwich meridian's zone edge: GeographicLib's own tests.
        (32631, (0.0, 36.493349428792), (0.0000008, 36.49334942879201), 0.072, 90.0, 0.0005),
    ],
)
def test_distance_and_bearing_of_published_geodesics(
    epsg, start, end, length_m, bearing_deg, within_m
):
    crs = CRS.from_epsg(epsg)
    to_grid = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    a, b = (np.array([shapely.Point(to_grid.transform(*p))]) for p in (start, end))
    found = nearest_features(a, b, np.zeros(1), crs=crs)
    assert found.distance_m[0] == pytest.approx(length_m, abs=within_m)
    assert abs(signed_diff_deg(found.bearing_deg[0], bearing_deg)) < (5e-5 if length_m > 1 else 0.1)


@pytest.mark.parametrize("bearing", [0.0, 45.0, 133.0, 250.0])
@pytest.mark.parametrize("distance", [3.0, 137.16, 182.88, 1500.0])
def test_distance_and_true_bearing_to_a_point_by_geod(bearing, distance):
    here, there = (np.array([shapely.Point(xy)]) for xy in (off(0.0), off(distance, bearing)))
    found = nearest_features(here, there, np.zeros(1), crs=UTM)
    assert found.distance_m[0] == pytest.approx(distance, abs=1e-6)
    assert abs(signed_diff_deg(found.bearing_deg[0], bearing)) < 1e-4
    taken = nearest_features(here, there, np.full(1, 2.5), crs=UTM)
    assert taken.distance_m[0] == pytest.approx(distance - 2.5, abs=1e-6)


def test_a_wall_is_measured_to_the_millimetre():
    row = one(judge(law_of(rule("r", "dwelling", 100)), dwellings=houses([box_east(137.16)])))
    assert row["distance_m"] == pytest.approx(137.16, abs=1e-4)
    assert row["bearing_deg"] == pytest.approx(90.0, abs=1e-3)
    assert row["margin_m"] == pytest.approx(37.16, abs=1e-4)


# 450 ft = 150 yd = 137.16 m, 500 ft = 152.4 m, 200 yd = 182.88 m: exact by the international
# yard and pound agreement of 1959.
@pytest.mark.parametrize(
    ("limits", "metres"),
    [
        ([(450, "ft"), (150, "yd"), (137.16, "m")], 137.16),
        ([(500, "ft"), (152.4, "m")], 152.4),
        ([(200, "yd"), (600, "ft")], 182.88),
        ([(0.25, "mi"), (440, "yd"), (0.402336, "km")], 402.336),
    ],
)
def test_one_distance_in_several_units_gives_one_verdict_to_the_millimetre(limits, metres):
    for limit, unit in limits:
        law = law_of(rule("r", "dwelling", limit, unit))
        near = one(judge(law, dwellings=houses([box_east(metres - 0.001)])))
        far = one(judge(law, dwellings=houses([box_east(metres + 0.001)])))
        assert near["limit_m"] == pytest.approx(metres, abs=1e-9)
        assert (near["verdict"], far["verdict"]) == ("inside", "clear")


def test_a_grid_that_is_not_conformal_shortens_rather_than_lengthens():
    # EPSG:3857 and EPSG:5070 (Snyder 1987: spherical Mercator, Albers) distort by direction.
    law = law_of(rule("r", "dwelling", 50))
    for epsg in (3857, 5070):
        at, frame = points(off(0.0)).to_crs(epsg), houses([box_east(137.16)]).to_crs(epsg)
        table = setback_verdicts(at, law, dwellings=frame, roads=None, terms=Terms(errors=EXACT))
        assert 137.16 * 0.97 < one(table)["distance_m"] <= 137.16 + 1e-6
        assert scale_over(frame.crs, frame.geometry.to_numpy()).stretch > 1.001
    assert scale_over(UTM, points(off(0.0)).geometry.to_numpy()).stretch == 1.0


def test_distances_to_real_buildings_by_geod(places):
    """Real footprints: the nearest by pyproj.Geod over every outline walked at 1 m steps."""
    path = places / "danube-krems" / "layers.gpkg"
    utm = CRS.from_epsg(32633)
    frame = gpd.read_file(path, layer="buildings").to_crs(utm)
    frame = frame[frame.is_valid].rename(columns={"building": "kind"}).reset_index(drop=True)
    west, south, east, north = frame.total_bounds
    rng = np.random.default_rng(3)
    at = rng.uniform((west - 800, south - 800), (east + 800, north + 800), (20, 2))
    law = law_of(rule("r", "dwelling", 137.16))
    table = setback_verdicts(
        points(*at, crs=utm), law, dwellings=frame, roads=None, terms=Terms(errors=EXACT)
    ).query("target == 'dwelling'")
    walked = shapely.get_coordinates(shapely.segmentize(frame.geometry.to_numpy(), 1.0))
    lonlat = Transformer.from_crs(utm, utm.geodetic_crs, always_xy=True)
    lon, lat = lonlat.transform(*walked.T)
    wgs84 = Geod(ellps="WGS84")
    for (x, y), (_, row) in zip(at, table.iterrows(), strict=True):
        here = (np.full_like(v, u) for v, u in zip((lon, lat), lonlat.transform(x, y), strict=True))
        bearing, _, length = wgs84.inv(*here, lon, lat)
        best = length.argmin()
        if row["distance_m"] > 0:
            assert row["distance_m"] == pytest.approx(length[best], abs=0.13)  # √(r² + ½²) - r
            assert row["distance_m"] <= length[best] + 1e-6
            assert abs(signed_diff_deg(row["bearing_deg"], bearing[best])) < 10.0
        assert (row["verdict"] == "inside") == (length[best] <= 137.16)


# Snyder (1987), Map Projections: A Working Manual: transverse Mercator k = k0 (1 + x²/2R²) near
# its meridian, k0 = 0.9996 for UTM; Web Mercator is stretched along the meridian by the ratio
# of the ellipsoid's radii of curvature, 1/(1 - e²) = 1.00674 at the equator.
def test_scale_brackets_the_grid_over_the_whole_extent():
    at_centre = scale_over(UTM, shapely.points([[500e3, 4300e3], [500.2e3, 4300.2e3]]))
    assert at_centre.least == pytest.approx(0.9996 * (1 - 1e-4), abs=1e-7)
    assert at_centre.most == pytest.approx(0.9996 * (1 + 1e-4), abs=1e-7)
    wide = scale_over(UTM, shapely.points([[500e3, 4300e3]]), shapely.points([[800e3, 4301e3]]))
    assert wide.least == pytest.approx(0.9996 * (1 - 1e-4), abs=1e-6)
    radius = 6371e3
    assert wide.most == pytest.approx(
        0.9996 * (1 + 300e3**2 / (2 * radius**2)) * (1 + 1e-4), abs=2e-5
    )
    assert wide.stretch == 1.0
    web = scale_over(CRS.from_epsg(3857), shapely.points([[0, 0], [1e5, 8.4e6]]))
    assert web.stretch == pytest.approx(1 / (1 - 0.00669438), abs=1e-5)


def test_the_nearest_is_found_where_the_grid_says_otherwise():
    # At 60° N Web Mercator grows by some 2.7 % in 100 km of grid: of two features the northern
    # is the nearer on the ground though 1 % farther on the grid.
    web = CRS.from_epsg(3857)
    here, gap = shapely.Point(0.0, 8.4e6), 1e5
    south, north = shapely.Point(0.0, 8.4e6 - gap), shapely.Point(0.0, 8.4e6 + 1.01 * gap)
    found = nearest_features(np.array([here]), np.array([south, north]), np.zeros(2), crs=web)
    assert found.feature[0] == 1
    assert abs(signed_diff_deg(found.bearing_deg[0], 0.0)) < 1e-6


def test_a_drawn_radius_allows_for_chords_and_scale():
    plain = Scale(1.0, 1.0, 1.0)
    # Sixteen segments to a quarter circle are 5.625° each; GEOS may make one of 1.5 times that.
    sag = np.cos(np.deg2rad(1.5 * 5.625 / 2))
    assert buffer_radius(100.0, plain) == pytest.approx(100.0 / sag)
    assert buffer_radius(100.0, Scale(0.9, 1.2, 1.1)) == pytest.approx(120.0 / sag)
    # A radius near nothing must not lose the shape.
    field = shapely.box(4.6e6, 2.8e6, 4.6e6 + 415, 2.8e6 + 20)
    for tiny in (0.0, 1e-162, 1e-6):
        assert buffered(field, tiny, plain).covers(field)
        assert field.covers(buffered(field, -tiny, plain))
        assert buffered(field, -tiny, plain).area == pytest.approx(field.area, rel=2e-3)
    circle = buffered(shapely.Point(0, 0), 100.0, plain)
    edge = circle.boundary
    assert 100.0 <= edge.distance(shapely.Point(0, 0)) < 100.5
