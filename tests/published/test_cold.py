"""Cold air, cold water and wading against published values."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitegeo.law import safety
from sitegeo.units import FOOT_M, MPH_MPS


# US National Weather Service, wind chill of 2001: its chart (whole degrees) and the formula.
@pytest.mark.parametrize(
    ("air_f", "mph", "chart", "exact"),
    [
        (0, 15, -19, -19.40),
        (40, 5, 36, 36.47),
        (30, 10, 21, 21.25),
        (20, 15, 6, 6.22),
        (10, 20, -9, -8.88),
        (-45, 60, -98, -98.10),
        (-10, 5, -22, -22.26),  # a reprint has -28 here: that is its row for -15
    ],
)
def test_wind_chill(air_f, mph, chart, exact):
    found = safety.wind_chill_f(air_f, mph)
    assert found == pytest.approx(exact, abs=0.006)
    assert round(found) == chart
    in_si = safety.wind_chill_c((air_f - 32) / 1.8, mph * MPH_MPS)
    assert in_si * 1.8 + 32 == pytest.approx(exact, abs=0.006)


def test_wind_chill_has_a_range():
    assert safety.wind_chill_f(50.0, 3.0) is not None
    assert safety.wind_chill_f(50.1, 3.0) is None
    assert safety.wind_chill_f(50.0, 2.9) is None
    assert safety.wind_chill_c(-20.0, 0.5) is None


# Frostbite within 30 minutes from a wind chill of -18 °F (National Weather Service).
@given(st.floats(1.4, 40.0))
def test_frostbite_air_is_where_the_chill_says(speed_mps):
    air_c = safety.frostbite_below_c(speed_mps)
    assert safety.wind_chill_f(air_c * 1.8 + 32, speed_mps / MPH_MPS) == pytest.approx(-18.0)


def test_in_light_air_no_frostbite_temperature_is_given():
    assert safety.frostbite_below_c(3.0 * MPH_MPS) is not None
    assert safety.frostbite_below_c(2.99 * MPH_MPS) is None


# The rule of ten: depth in feet times current in feet a second (US Geological Survey, second-hand).
@pytest.mark.parametrize(
    ("depth_ft", "current_fps", "fine"),
    [(2.0, 4.9, True), (2.0, 5.0, False), (2.5, 4.0, False), (2.4, 4.0, True), (2.6, 0.0, False)],
)
def test_the_product_rule_and_ones_own_depth(depth_ft, current_fps, fine):
    found = safety.can_wade(
        depth_ft * FOOT_M, wade_m=2.5 * FOOT_M, current_mps=current_fps * FOOT_M
    )
    assert found is fine
    product = safety.depth_times_current(depth_ft * FOOT_M, current_fps * FOOT_M)
    assert product == pytest.approx(depth_ft * current_fps)


def test_unknown_depth_is_no_answer_and_unknown_current_is_none():
    assert safety.can_wade(math.nan, wade_m=1.0, current_mps=0.5) is None
    assert safety.can_wade(0.5, wade_m=0.75, current_mps=None) is True
    assert safety.can_wade(0.75, wade_m=0.75, current_mps=None) is True
    assert safety.can_wade(0.76, wade_m=0.75, current_mps=None) is False


def test_the_time_line_of_cold_water():
    """1 minute, 10 minutes, 1 hour: the 1-10-1 of coldwaterbootcampusa.org."""
    assert "1 minute" in safety.COLD_WATER_CAUTION
    assert "10 minutes" in safety.COLD_WATER_CAUTION
    assert "1 hour" in safety.COLD_WATER_CAUTION
