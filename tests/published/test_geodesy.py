"""Units, map projections and bearings against published values."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer

from sitegeo import units
from sitegeo.angles import bearing_of, signed_diff_deg
from sitegeo.core.grid import Grid, convergence_deg
from sitegeo.law.geodesic import nearest_features

# International yard and pound agreement, 1959, as in OSGeo/PROJ src/units.cpp; a knot is a
# nautical mile (1852 m, First International Extraordinary Hydrographic Conference, 1929) an hour.
PUBLISHED_M = {"ft": 0.3048, "yd": 0.9144, "mi": 1609.344, "m": 1.0, "km": 1000.0}


@pytest.mark.parametrize(("unit", "metres"), PUBLISHED_M.items())
def test_lengths_are_exact(unit: str, metres: float) -> None:
    assert units.metres(1, unit) == metres


# Distances that setback rules are written in, in metres by the same definitions.
@pytest.mark.parametrize(
    ("length", "unit", "metres"),
    [
        (50, "ft", 15.24),
        (150, "ft", 45.72),
        (300, "ft", 91.44),
        (450, "ft", 137.16),
        (150, "yd", 137.16),
        (500, "ft", 152.4),
        (50, "yd", 45.72),
        (100, "yd", 91.44),
        (200, "yd", 182.88),
    ],
)
def test_setback_lengths(length: float, unit: str, metres: float) -> None:
    assert units.metres(length, unit) == pytest.approx(metres, rel=1e-15)


def test_speeds() -> None:
    assert units.metres_per_second(1, "mph") == pytest.approx(0.44704, rel=1e-15)
    assert units.metres_per_second(3600, "kn") == pytest.approx(1852, rel=1e-15)
    assert units.metres_per_second(36, "km/h") == pytest.approx(10, rel=1e-15)


# UTM values of chrisveness/geodesy test/utm-mgrs-tests.js: lat, lon, zone CRS, easting, northing.
UTM = [
    (38.8977, -77.0365, 32618, 323394.296, 4307395.634),
    (60.39135, 5.3249, 32632, 297508.410, 6700645.296),
    (-33.857, 151.215, 32756, 334873.199, 6252266.092),
    (1.0, 1.0, 32631, 277438.264, 110597.973),
]


@pytest.mark.parametrize(("lat", "lon", "code", "east", "north"), UTM)
def test_grid_finds_published_utm_points(
    lat: float, lon: float, code: int, east: float, north: float
) -> None:
    """The pixel of a published point on our grid is the one that holds it in PROJ's UTM."""
    crs = CRS.from_epsg(code)
    grid = Grid(crs, math.floor(east) - 50, math.floor(north) + 50, 1.0, (100, 100))
    x, y = Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
    assert (x, y) == pytest.approx((east, north), abs=0.002)
    row, col = grid.rowcol(x, y)
    assert (row, col) == (49, 50)
    assert grid.xy(row, col) == pytest.approx((math.floor(east) + 0.5, math.floor(north) + 0.5))


@pytest.mark.parametrize(("lat", "lon", "code", "east", "north"), UTM)
def test_convergence_against_the_spherical_formula(
    lat: float, lon: float, code: int, east: float, north: float
) -> None:
    """tan γ = tan(λ - λ0) sin φ on the sphere (Snyder 1987, USGS PP 1395, section 8).

    The ellipsoid moves it by less than e² of itself.
    """
    zone = code % 100
    central = zone * 6 - 183
    sphere = math.degrees(
        math.atan(math.tan(math.radians(lon - central)) * math.sin(math.radians(lat)))
    )
    ours = convergence_deg(CRS.from_epsg(code), east, north)
    assert ours == pytest.approx(sphere, rel=0.0067)


# UTM, Swiss oblique Mercator, Lambert conformal, Gauss-Krüger and New Zealand TM (the last two
# with northing as their first axis).
@pytest.mark.parametrize(
    ("code", "lon", "lat"),
    [
        (32617, -79.0, 38.0),
        (32617, -83.5, 38.0),
        (32733, 17.0, -30.0),
        (2056, 8.8, 47.3),
        (2154, 5.0, 45.0),
        (31467, 10.0, 50.0),
        (2193, 175.0, -40.0),
    ],
)
@pytest.mark.parametrize("true_deg", [0.0, 77.0, 245.0])
def test_grid_bearing_is_the_bearing_of_a_geodesic_in_the_projection(
    code: int, lon: float, lat: float, true_deg: float
) -> None:
    """Walk 100 m on the ellipsoid (Karney 2013, as in pyproj), see where it leads on the grid."""
    crs = CRS.from_epsg(code)
    assert crs.geodetic_crs is not None
    geod = crs.get_geod()
    assert geod is not None
    project = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    there = geod.fwd(lon, lat, true_deg, 100.0)
    (x0, y0), (x1, y1) = project.transform(lon, lat), project.transform(there[0], there[1])
    grid = Grid(crs, x0 - 50, y0 + 50, 1.0, (100, 100))
    walked = bearing_of(x1 - x0, y1 - y0)
    assert abs(signed_diff_deg(grid.to_grid_bearing(true_deg), walked)) < 0.002
    assert grid.to_true_bearing(grid.to_grid_bearing(true_deg)) == pytest.approx(true_deg)


def test_nearest_measures_the_published_geodesic() -> None:
    """Flinders Peak to Buninyong, Geocentric Datum of Australia technical manual: 54972.271 m,
    azimuth 306°52'05.37"; measured by us between points in MGA zone 55."""
    crs = CRS.from_epsg(28355)
    project = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True).transform
    flinders = shapely.Point(project(_deg(144, 25, 29.52440), -_deg(37, 57, 3.72030)))
    buninyong = shapely.Point(project(_deg(143, 55, 35.38390), -_deg(37, 39, 10.15610)))
    found = nearest_features(np.array([flinders]), np.array([buninyong]), np.zeros(1), crs=crs)
    assert found.distance_m[0] == pytest.approx(54972.271, abs=0.001)
    assert found.bearing_deg[0] == pytest.approx(_deg(306, 52, 5.37), abs=1e-5)


def _deg(degrees: int, minutes: int, seconds: float) -> float:
    return degrees + minutes / 60 + seconds / 3600
