"""Fetch against exact geometry: straight shore, rectangle, wedge, circle, and dikes.

The error is held backward, as at a tangent to a shore no method is right point by point: the
fetch of a pixel must lie between the least and the greatest exact ray displaced by up to one
pixel sideways and one along.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from oracles.rays import planar_fetch

from sitegeo.errors import RasterError
from sitegeo.exposure.sweep import NO_FETCH, empty_sweep, encode_surface, sweep

AZIMUTHS = [0.0, 7.3, 22.5, 30.0, 44.99, 45.0, 61.8, 90.0, 118.4, 135.0, 200.01, 270.0, 333.3]
SIDEWAYS = np.linspace(-1, 1, 17)


def centres(shape, pixel_m):
    """Pixel centres; the origin is the raster's south-west corner."""
    rows, columns = np.indices(shape)
    return (columns + 0.5) * pixel_m, (shape[0] - rows - 0.5) * pixel_m


def rasterised(water, shape, pixel_m):
    x, y = centres(shape, pixel_m)
    return shapely.contains_xy(water, x, y)


def share_within(water, mask, azimuth, pixel_m, *, sample=800, far=1e5):
    """Share of water pixels whose fetch some displaced exact ray allows; the same for horizon."""
    height_m = 100.0
    swept = sweep(encode_surface(mask, height_m), from_grid_deg=azimuth, pixel_m=pixel_m)
    x, y = centres(mask.shape, pixel_m)
    chosen = np.random.default_rng(7).choice(np.flatnonzero(mask), sample, replace=False)
    x, y, fetch = x.flat[chosen], y.flat[chosen], swept.fetch_m.flat[chosen].astype(float)
    rad = np.deg2rad(azimuth)
    rays = []
    for sideways in SIDEWAYS * pixel_m:
        moved = x + sideways * np.cos(rad), y - sideways * np.sin(rad)
        ray = planar_fetch(*moved, water, from_grid_deg=azimuth, max_m=far)
        rays.append(np.where(shapely.contains_xy(water, *moved), ray, 0.0))
    # Half a metre more, because metres are whole.
    slack = pixel_m + 0.5
    low, high = np.min(rays, axis=0) - slack, np.max(rays, axis=0) + slack
    # All land is as tall, so the nearest rules; its first centre lies half a step past the shore.
    horizon = swept.horizon[0].flat[chosen]
    shown = (horizon > 1 / 64) & (horizon < 3.7)
    distance = height_m / horizon[shown]
    seen = (distance >= 0.98 * low[shown]) & (distance <= 1.02 * (high[shown] + pixel_m))
    return np.mean((fetch >= low) & (fetch <= high)), np.mean(seen)


@pytest.mark.parametrize("azimuth", AZIMUTHS)
def test_circle_within_a_pixel_of_exact_rays(azimuth):
    disc = shapely.Point(1003, 997).buffer(900, quad_segs=256)
    mask = rasterised(disc, (201, 203), 10.0)
    assert min(share_within(disc, mask, azimuth, 10.0)) >= 0.995


@pytest.mark.parametrize("azimuth", AZIMUTHS)
def test_islands_wedge_and_comb_within_a_pixel_of_exact_rays(azimuth):
    water = shapely.box(30, 25, 1970, 1975)
    islands = [
        shapely.Point(700, 1300).buffer(120),
        shapely.box(1200, 400, 1230, 1100),
        shapely.Polygon([(300, 300), (900, 420), (310, 520)]),
        shapely.Polygon([(1400, 1400), (1900, 1900), (1450, 1880)]),
    ]
    water = water.difference(shapely.union_all(islands))
    mask = rasterised(water, (200, 200), 10.0)
    assert min(share_within(water, mask, azimuth, 10.0)) >= 0.995


def test_mean_bias_on_discs_is_under_a_twentieth_of_a_pixel():
    # Over several discs that lie differently on the grid: drawing a disc in pixels moves its
    # shore by more than the sweep does (0.08 px when the centre falls on a pixel's corner).
    pixel_m = 20.0
    rng = np.random.default_rng(2)
    azimuths = np.arange(0, 360, 7.5)
    bias = np.zeros(azimuths.size)
    discs = 16
    for _ in range(discs):
        radius, east, north = pixel_m * rng.uniform([50, -0.5, -0.5], [90, 0.5, 0.5])
        x, y = centres((190, 190), pixel_m)
        x, y = x - 1900.0 - east, y - 1900.0 - north
        mask = np.hypot(x, y) < radius
        surface = encode_surface(mask)
        for i, azimuth in enumerate(azimuths):
            upwind = np.sin(np.deg2rad(azimuth)), np.cos(np.deg2rad(azimuth))
            along = x * upwind[0] + y * upwind[1]
            across = x * upwind[1] - y * upwind[0]
            exact = np.sqrt(np.maximum(radius**2 - across**2, 0)) - along
            swept = sweep(surface, from_grid_deg=azimuth, pixel_m=pixel_m, bands=0)
            bias[i] += np.mean((swept.fetch_m - exact)[mask]) / pixel_m / discs
    assert np.abs(bias).max() < 0.05
    assert abs(bias.mean()) < 0.03


@pytest.mark.parametrize("azimuth", [0.0, 90.0, 180.0, 270.0])
def test_rectangle_is_exact_along_its_sides(azimuth):
    # 2000 x 1000 m, the analytic case of the lakefetch validation summary: from the centre
    # 500 m to the north and south shore, 1000 m to the east and west.
    pixel_m = 8.0
    mask = np.zeros((127, 252), bool)
    mask[1:126, 1:251] = True
    swept = sweep(encode_surface(mask), from_grid_deg=azimuth, pixel_m=pixel_m, bands=0)
    expected = 500 if azimuth in (0.0, 180.0) else 1000
    # The middle row is a centre of the lake; the middle columns lie half a pixel off it.
    near = swept.fetch_m[63, 125:127] if expected == 1000 else swept.fetch_m[63, 125]
    assert np.mean(near) == pytest.approx(expected, abs=0.5)
    assert not swept.at_least.any()


@pytest.mark.parametrize("off", [0, 10, 25, 40, 50, 65, 80])
def test_straight_shore_gives_distance_over_cosine(off):
    mask = np.ones((400, 2600), bool)
    mask[:100] = False
    for azimuth in (off, 360 - off):
        swept = sweep(encode_surface(mask), from_grid_deg=azimuth, pixel_m=10.0, bands=0)
        row, column = 99 + 150, 1300
        exact = 1495.0 / np.cos(np.deg2rad(off))
        one_pixel = 10.0 * max(1.0, np.tan(np.deg2rad(off)))
        assert swept.fetch_m[row, column] == pytest.approx(exact, abs=one_pixel + 0.5)


def test_half_a_step_before_the_first_land_centre():
    mask = np.array([[False, True, True, True, False]])
    west = sweep(encode_surface(mask), from_grid_deg=270, pixel_m=10.0).fetch_m
    assert west.tolist() == [[NO_FETCH, 5, 15, 25, NO_FETCH]]
    east = sweep(encode_surface(mask), from_grid_deg=90, pixel_m=10.0).fetch_m
    assert east.tolist() == [[NO_FETCH, 25, 15, 5, NO_FETCH]]


@pytest.mark.parametrize("slope", [1.0, 0.55, 0.3, 0.0])
def test_a_one_pixel_dike_holds_at_every_azimuth(slope):
    n = 160
    columns = np.arange(n)
    line = np.rint(n / 2 + slope * (columns - n / 2)).astype(int)
    mask = np.ones((n, n), bool)
    mask[line, columns] = False
    x, y = centres((n, n), 1.0)
    ends = np.array([-50.5, n + 50.5])
    dike = shapely.LineString(np.column_stack([ends, n / 2 - 0.5 - slope * (ends - n / 2)]))
    chosen = np.random.default_rng(1).choice(np.flatnonzero(mask), 400, replace=False)
    x, y = x.flat[chosen], y.flat[chosen]
    surface = encode_surface(mask)
    for azimuth in range(360):  # every whole degree
        swept = sweep(surface, from_grid_deg=azimuth, pixel_m=1.0, bands=0)
        rad = np.deg2rad(azimuth)
        reach = np.array([
            planar_fetch(x + s * np.cos(rad), y - s * np.sin(rad), dike,
                         from_grid_deg=azimuth, max_m=1000.0)
            for s in (-1.5, 0.0, 1.5)
        ]).max(axis=0)  # fmt: skip
        crossing = x + reach * np.sin(rad), y + reach * np.cos(rad)
        met = (reach < 1000) & (np.abs(np.array(crossing) - n / 2) < n / 2 - 3).all(axis=0)
        fetch = swept.fetch_m.flat[chosen]
        assert not swept.at_least.flat[chosen][met].any(), azimuth
        assert (fetch[met] <= reach[met] + 2.5).all(), azimuth


def test_fetch_that_leaves_the_data_is_at_least():
    mask = np.ones((50, 60), bool)
    mask[:, :10] = False
    open_water = sweep(encode_surface(mask), from_grid_deg=0, pixel_m=2.0)
    assert open_water.at_least[mask].all()
    assert open_water.fetch_m[10, 30] == 21  # ten pixels and a half, to the raster's edge
    bank = sweep(encode_surface(mask), from_grid_deg=270, pixel_m=2.0)
    assert not bank.at_least.any()


def test_unknown_pixels_are_neither_land_nor_water():
    mask = np.ones((1, 12), bool)
    mask[0, 0] = False
    known = np.ones((1, 12), bool)
    known[0, 5] = False
    swept = sweep(encode_surface(mask, known=known), from_grid_deg=270, pixel_m=10.0)
    assert swept.fetch_m[0, 4] == 35
    assert swept.fetch_m[0, 5] == NO_FETCH
    assert swept.fetch_m[0, 7] == 15
    assert swept.at_least.tolist()[0] == [False] * 6 + [True] * 6


def test_very_long_fetch_stays_at_the_largest_and_is_flagged():
    mask = np.ones((1, 1000), bool)
    mask[0, 0] = False
    swept = sweep(encode_surface(mask), from_grid_deg=270, pixel_m=100.0)
    assert swept.fetch_m[0, -1] == 65534
    assert swept.at_least[0, -1]
    assert not swept.at_least[0, 600]


def test_threads_do_not_change_a_byte():
    rng = np.random.default_rng(3)
    mask = rng.random((700, 900)) < 0.98
    surface = encode_surface(
        mask, 20 * rng.random(mask.shape), density=rng.integers(0, 4, mask.shape).astype("u1")
    )
    one = sweep(surface, from_grid_deg=217.3, pixel_m=1.0, bands=4, threads=1)
    three = sweep(surface, from_grid_deg=217.3, pixel_m=1.0, bands=4, threads=3)
    for name in ("fetch_m", "horizon_code", "at_least"):
        assert np.array_equal(getattr(one, name), getattr(three, name))


@pytest.mark.parametrize(
    ("surface", "azimuth", "pixel_m"),
    [
        (np.zeros((3, 3), np.int32), 0.0, 1.0),
        (np.zeros(3, np.int16), 0.0, 1.0),
        (np.zeros((3, 0), np.int16), 0.0, 1.0),
        (np.zeros((3, 3), np.int16), float("nan"), 1.0),
        (np.zeros((3, 3), np.int16), 0.0, 0.0),
    ],
)
def test_a_surface_that_cannot_be_swept_is_refused(surface, azimuth, pixel_m):
    with pytest.raises(RasterError):
        sweep(surface, from_grid_deg=azimuth, pixel_m=pixel_m)


def test_buffers_are_reused_or_refused():
    surface = encode_surface(np.ones((30, 40), bool))
    out = empty_sweep((30, 40), 4)
    assert sweep(surface, from_grid_deg=1, pixel_m=1, bands=4, out=out) is out
    for wrong in (empty_sweep((30, 41), 4), empty_sweep((30, 40), 1)):
        with pytest.raises(RasterError, match="buffers"):
            sweep(surface, from_grid_deg=1, pixel_m=1, bands=4, out=wrong)
