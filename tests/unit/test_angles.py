"""Bearings on the values where they go wrong; wrapping laws are in property/."""

from __future__ import annotations

import numpy as np
import pytest

from sitegeo import angles


@pytest.mark.parametrize(
    ("deg", "wrapped"),
    [(0, 0), (360, 0), (-1, 359), (725, 5), (-360, 0), (359.5, 359.5), (-1e-20, 0)],
)
def test_wrap360(deg: float, wrapped: float) -> None:
    assert angles.wrap360(deg) == wrapped


def test_wrap360_keeps_arrays_and_gaps() -> None:
    assert np.array_equal(angles.wrap360([370.0, np.nan]), [10.0, np.nan], equal_nan=True)


# The wrapping table of navigation: 350 -> 10 is +20, 10 -> 350 is -20, 359 -> 1 is 2.
@pytest.mark.parametrize(
    ("start", "end", "turn"),
    [(350, 10, 20), (10, 350, -20), (359, 1, 2), (0, 179, 179), (0, 180, 180), (180, 0, 180)],
)
def test_signed_difference(start: float, end: float, turn: float) -> None:
    assert angles.signed_diff_deg(end, start) == turn


def test_signed_difference_never_gives_minus_180() -> None:
    assert angles.signed_diff_deg(np.nextafter(180.0, 181.0), 0.0) > -180


@pytest.mark.parametrize(
    ("deg", "east", "north"), [(0, 0, 1), (90, 1, 0), (180, 0, -1), (270, -1, 0)]
)
def test_unit_vectors_of_the_cardinal_points(deg: float, east: float, north: float) -> None:
    assert angles.unit_from_bearing(deg) == pytest.approx((east, north), abs=1e-15)
    assert angles.bearing_of(east, north) == pytest.approx(deg)


def test_mean_direction_across_north() -> None:
    assert angles.circular_mean_deg([350.0, 30.0]) == pytest.approx(10.0)
    heavy = angles.circular_mean_deg([350.0, 30.0], weights=np.array([3.0, 1.0]))
    # By hand: 360 - atan((3 sin 10 - sin 30) / (3 cos 10 + cos 30)) = 360 - 0.3141.
    assert heavy == pytest.approx(359.6859, abs=1e-4)


def test_smoothstep() -> None:
    assert np.array_equal(angles.smoothstep([-1, 2, 3, 4, 9], 2, 4), [0, 0, 0.5, 1, 1])
    assert angles.smoothstep(2.5, 2, 4) == pytest.approx(3 / 16 - 2 / 64)


def test_compass_points_are_the_nearest_of_sixteen() -> None:
    for i, name in enumerate(angles.COMPASS_POINTS):
        for off in (-11.2, 0.0, 11.2):
            assert angles.compass_point(i * 22.5 + off) == name
    assert angles.compass_point(359.9) == "N"
