"""Wave growth against published formulas and worked values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sitegeo.errors import UsageError
from sitegeo.exposure.waves import WAVE_MODELS, adjusted_speed, friction_velocity, significant_wave

G = 9.81


def test_cem_example_of_the_waver_documentation():
    # EM 1110-2-1100 Part II, eq. II-2-36; U = 12 m/s, X = 15 km, d = 10 m (pmarchand1/waver,
    # R/wave_energy.R, worked with g = 9.81).
    wave = significant_wave(12, 15_000, 10)
    assert wave.height_m == pytest.approx(0.7555517529, abs=1e-9)
    assert wave.period_s == pytest.approx(2.7197756631, abs=1e-9)
    # The energy that package works out for that wave and for 8 m at 1 s, in fresh water.
    assert power_kw_per_m(wave.height_m, wave.period_s) == pytest.approx(0.741652, abs=1e-6)
    assert power_kw_per_m(8, 1) == pytest.approx(30.571636, abs=1e-6)


def power_kw_per_m(height_m, period_s):
    """Power of deep-water waves, rho g² H² T / 64 pi."""
    return 998.0 * G**2 * height_m**2 * period_s / (64 * np.pi) / 1000


def test_cem_fully_developed_limits():
    # II-2-37: gH/u*² = 211.5 and gT/u* = 239.8.
    friction = friction_velocity(10.0)
    assert friction**2 == pytest.approx(0.001 * (1.1 + 0.35) * 100)
    wave = significant_wave(10, 1e9)
    assert G * wave.height_m / friction**2 == pytest.approx(211.5)
    assert G * wave.period_s / friction == pytest.approx(239.8)


def test_cem_depth_caps_the_period():
    # T ≤ 9.78 √(d/g), as in II-2 and in pmarchand1/waver, R/wave_energy.R.
    shallow = significant_wave(20, 50_000, 0.8)
    assert shallow.period_s == pytest.approx(9.78 * np.sqrt(0.8 / G))
    assert shallow.period_s < significant_wave(20, 50_000).period_s
    assert significant_wave(20, 500, 30) == significant_wave(20, 500)


def test_cem_height_where_the_depth_caps_the_period():
    # The height of the fetch at which the cap is met, and at most 0.6 of the depth (from memory).
    friction = friction_velocity(2.0)
    shallow = significant_wave(2, 500_000, 0.25)
    met = (9.78 * np.sqrt(0.25 / G) * G / friction / 0.651) ** 3 * friction**2 / G
    expected = min(float(significant_wave(2, met).height_m), 0.15)
    assert shallow.height_m == pytest.approx(expected)
    assert significant_wave(20, 50_000, 0.8).height_m == pytest.approx(0.48)


def test_spm84_wind_stress_factor():
    # U_A = 0.71 U^1.23 (Shore Protection Manual 1984).
    assert adjusted_speed(10) == pytest.approx(12.05753, abs=5e-6)
    assert adjusted_speed(20) == pytest.approx(28.28299, abs=5e-6)


def test_spm84_deep_and_its_limits():
    stress = adjusted_speed(10.0)
    wave = significant_wave(10, 1000, model="spm84")
    assert G * wave.height_m / stress**2 == pytest.approx(1.6e-3 * (G * 1000 / stress**2) ** 0.5)
    assert G * wave.period_s / stress == pytest.approx(0.2857 * (G * 1000 / stress**2) ** (1 / 3))
    grown = significant_wave(10, 1e9, model="spm84")
    assert G * grown.height_m / stress**2 == pytest.approx(0.2433)
    assert G * grown.period_s / stress == pytest.approx(8.134)


@pytest.mark.parametrize(
    ("speed", "fetch", "cem", "spm_deep", "spm_shallow", "young"),
    [
        (5, 300, 0.0408, 0.0455, 0.0446, 0.0429),
        (10, 300, 0.0870, 0.1067, 0.1022, 0.0856),
        (5, 1000, 0.0744, 0.0830, 0.0780, 0.0754),
    ],
)
def test_models_side_by_side_at_short_fetch(speed, fetch, cem, spm_deep, spm_shallow, young):
    # Computed apart from this code, from the formulas in akarimp/ScientiMate (SPM 1984, Young &
    # Verhagen 1996) and II-2-36; the shallow ones in 1 m of water.
    assert significant_wave(speed, fetch).height_m == pytest.approx(cem, abs=6e-5)
    for depth, model, expected in (
        (None, "spm84", spm_deep),
        (1.0, "spm84", spm_shallow),
        (1.0, "young-verhagen", young),
    ):
        wave = significant_wave(speed, fetch, depth, model=model)
        assert wave.height_m == pytest.approx(expected, abs=6e-5)


def test_young_verhagen_full_growth_in_deep_water():
    # Pierson-Moskowitz limit of that paper: ε = 3.64e-3, ν = 0.133.
    wave = significant_wave(10, 1e9, 1e5, model="young-verhagen")
    assert G**2 * (wave.height_m / 4) ** 2 / 10**4 == pytest.approx(3.64e-3)
    assert 10 / (G * wave.period_s) == pytest.approx(0.133)


@pytest.mark.parametrize("model", WAVE_MODELS)
@given(
    st.floats(0.5, 30), st.floats(1, 50_000), st.floats(0.2, 30), st.floats(1.0, 3), st.floats(1, 3)
)
def test_more_wind_or_fetch_never_lowers_the_wave(model, speed, fetch, depth, more, longer):
    before = significant_wave(speed, fetch, depth, model=model)
    after = significant_wave(speed * more, fetch * longer, depth, model=model)
    assert after.height_m >= before.height_m * (1 - 1e-9)
    assert before.height_m > 0


def test_arrays_calm_water_and_missing_values():
    wave = significant_wave([0, 5, 5, np.nan], [100, 0, 100, 100], 2.0)
    assert wave.height_m[:2].tolist() == [0, 0]
    assert wave.height_m[2] > 0
    assert np.isnan(wave.height_m[3])
    assert np.ndim(significant_wave(5, 100).height_m) == 0


def test_unknown_model_and_missing_depth_are_refused():
    with pytest.raises(UsageError, match="model"):
        significant_wave(5, 100, model="smb")
    with pytest.raises(UsageError, match="depth"):
        significant_wave(5, 100, model="young-verhagen")
