"""Laws that hold for every bearing."""

from __future__ import annotations

import numpy as np
from hypothesis import assume, given
from hypothesis import strategies as st

from sitegeo import angles

bearings = st.floats(0, 360, exclude_max=True)
any_angle = st.floats(-1e6, 1e6)


@given(any_angle)
def test_wrapped_lies_in_the_circle_and_points_the_same_way(deg: float) -> None:
    wrapped = angles.wrap360(deg)
    assert 0 <= wrapped < 360
    assert np.allclose(angles.unit_from_bearing(wrapped), angles.unit_from_bearing(deg), atol=1e-8)


@given(bearings)
def test_wrapping_leaves_bearings_alone(deg: float) -> None:
    assert angles.wrap360(deg) == deg


@given(any_angle, any_angle)
def test_turn_is_the_short_way_and_leads_there(a: float, b: float) -> None:
    turn = angles.signed_diff_deg(a, b)
    assert -180 < turn <= 180
    assert np.allclose(
        angles.unit_from_bearing(b + turn), angles.unit_from_bearing(a), rtol=0, atol=1e-7
    )


@given(bearings, bearings)
def test_turn_back_is_the_opposite_turn(a: float, b: float) -> None:
    there, back = angles.signed_diff_deg(a, b), angles.signed_diff_deg(b, a)
    assert abs(there + back) < 1e-9 or min(abs(there), abs(back)) > 180 - 1e-9


@given(bearings, st.floats(0.01, 1e5))
def test_bearing_of_a_vector_is_its_bearing(deg: float, length: float) -> None:
    east, north = angles.unit_from_bearing(deg)
    back = angles.bearing_of(east * length, north * length)
    assert abs(angles.signed_diff_deg(back, deg)) < 1e-9


@given(st.lists(st.floats(-60, 60), min_size=1, max_size=9), bearings)
def test_mean_turns_with_the_world(offsets: list[float], turn: float) -> None:
    still = angles.circular_mean_deg(offsets)
    turned = angles.circular_mean_deg(np.add(offsets, turn))
    assert abs(angles.signed_diff_deg(turned, still + turn)) < 1e-6
    assert abs(angles.signed_diff_deg(still, 0)) <= 60 + 1e-6


@given(bearings)
def test_compass_point_is_within_half_a_point(deg: float) -> None:
    centre = angles.COMPASS_POINTS.index(angles.compass_point(deg)) * 22.5
    assert abs(angles.signed_diff_deg(deg, centre)) <= 11.25


@given(st.floats(-100, 100), st.floats(-100, 100), st.floats(-50, 50), st.floats(0.01, 50))
def test_smoothstep_rises_from_0_to_1(x: float, y: float, lo: float, width: float) -> None:
    assume(lo + width > lo)
    low, high = angles.smoothstep(sorted((x, y)), lo, lo + width)
    assert 0 <= low <= high + 1e-12
    assert high <= 1
