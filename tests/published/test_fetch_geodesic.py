"""Rays on the ellipsoid and in the plane against published values.

The longitude and latitude cases are those of the R package waver, tests/testthat/
test_fetch_len.R (commit 50817f4), relative tolerance 1e-4.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from oracles.rays import geodesic_fetch, planar_fetch

BEARINGS = (0, 45, 225, 315)
SPREAD = (-10, 0, 10)
ONE_BOX = shapely.box(-0.2, 0.25, 0.3, 0.5)
DATE_LINE = shapely.union(
    shapely.box(-179.95, 0.25, -179.45, 0.5), shapely.box(179.7, -0.4, 179.95, 0.2)
)


@pytest.mark.parametrize(
    ("lon", "land", "spread", "expected"),
    [
        (0.0, ONE_BOX, (0,), (27644, 39094, 50000, 50000)),
        (0.0, ONE_BOX, SPREAD, (27926, 40937, 50000, 44610)),
        (-179.75, DATE_LINE, (0,), (27644, 39094, 47228, 50000)),
        (-179.75, DATE_LINE, SPREAD, (27926, 40937, 46005, 44610)),
        (180.25, DATE_LINE, (0,), (27644, 39094, 47228, 50000)),
    ],
)
def test_waver_cases(lon, land, spread, expected):
    fetch = geodesic_fetch(lon, 0.0, land, BEARINGS, max_m=50_000, spread_deg=spread)
    assert fetch == pytest.approx(expected, rel=1e-4)


def test_a_point_on_land_has_no_fetch_and_says_so():
    with pytest.warns(UserWarning, match="on land"):
        fetch = geodesic_fetch(0.0, 0.3, ONE_BOX, BEARINGS, max_m=50_000)
    assert np.isnan(fetch).all()


def test_circle_and_rectangle_of_the_lakefetch_validation():
    # jeremylfarrell/lakefetch, inst/validation/VALIDATION_SUMMARY.md: a circle of 1000 m; 800 m
    # off its centre 200 to 1800 m; a rectangle of 2000 x 1000 m.
    circle = shapely.Point(0, 0).buffer(1000, quad_segs=2000)
    every = np.arange(0, 360, 5.0)
    centre = [planar_fetch(0, 0, circle, from_grid_deg=a, max_m=5000)[0] for a in every]
    assert centre == pytest.approx(np.full(every.size, 1000.0), rel=1e-5)
    off = [planar_fetch(800, 0, circle, from_grid_deg=a, max_m=5000)[0] for a in every]
    assert (min(off), max(off)) == pytest.approx((200, 1800), rel=1e-5)
    box = shapely.box(-1000, -500, 1000, 500)
    sides = [planar_fetch(0, 0, box, from_grid_deg=a, max_m=5000)[0] for a in (0, 90, 180, 270)]
    assert sides == pytest.approx([500, 1000, 500, 1000])


def test_planar_rays_take_many_points_and_stop_at_the_limit():
    shore = shapely.LineString([(-100, 300), (100, 300)])
    fetch = planar_fetch([0, 50, 500], [0, 100, 0], shore, from_grid_deg=0, max_m=250)
    assert fetch.tolist() == [250, 200, 250]


def test_geodesic_and_planar_rays_agree_where_the_earth_is_flat():
    # Within a kilometre of the equator and the prime meridian a degree is 110.6 by 111.3 km.
    land = shapely.box(-0.002, 0.003, 0.004, 0.005)
    metric = shapely.transform(land, lambda c: c * [111_319.491, 110_574.276])
    bearings = (0, 12, 20, 90)
    geodesic = geodesic_fetch(0, 0, land, bearings, max_m=900)
    planar = [planar_fetch(0, 0, metric, from_grid_deg=b, max_m=900)[0] for b in bearings]
    assert geodesic == pytest.approx(planar, rel=1e-4)
