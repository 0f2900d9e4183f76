"""Averages of fetch against their published definition and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from sitegeo.errors import UsageError
from sitegeo.exposure.fetch import FETCH_METHODS, measure_fetch
from sitegeo.exposure.sweep import encode_surface

COSINE = FETCH_METHODS["cosine-weighted"]
MEAN = FETCH_METHODS["mean"]


def test_fifteen_radials_six_degrees_apart():
    # USGS UMESC PSR 97-08 (Rogala 1997): the wind and 7 angles 6° apart each side.
    assert COSINE.turns_deg == tuple(range(-42, 43, 6))
    assert len(COSINE.turns_deg) == 15


def test_sum_of_cosines_is_exact_and_not_the_reprinted_13_512():
    # The middle radial has cosine 1, so its weight is 1 / Σ cos.
    assert 1 / COSINE.weights[7] == pytest.approx(13.510917387, abs=1e-9)
    # 13.512 is the sum of the table's three-place cosines (SPM 1977, from memory).
    rounded = np.round(np.cos(np.deg2rad(COSINE.turns_deg)), 3).sum()
    assert rounded == pytest.approx(13.512, abs=1e-12)


def test_nine_radials_are_averaged_plainly():
    # The "SPM" option of the USGS wind fetch model (Rohweder et al. 2008, from memory): the
    # arithmetic mean of nine radials 3° apart, centred on the wind, not weighted by cosines.
    assert MEAN.turns_deg == tuple(range(-12, 13, 3))
    assert MEAN.weights == pytest.approx(np.full(9, 1 / 9))


@pytest.mark.parametrize("method", FETCH_METHODS)
def test_weights_sum_to_one(method):
    assert sum(FETCH_METHODS[method].weights) == pytest.approx(1, abs=1e-12)


def test_straight_shore_has_a_closed_form():
    # A shore across the wind at D: x = D / cos a, so the weighted mean is n D / Σ cos a.
    radials = 1000.0 / np.cos(np.deg2rad(COSINE.turns_deg))
    assert np.dot(COSINE.weights, radials) == pytest.approx(1110.2132868, rel=1e-10)


def test_centre_of_a_circle_is_its_radius_by_every_method():
    rows, columns = np.indices((201, 201))
    surface = encode_surface(np.hypot(rows - 100, columns - 100) < 90.5)
    for method in FETCH_METHODS:
        answer = measure_fetch(surface, from_grid_deg=33.0, pixel_m=10.0, method=method)
        assert answer.fetch_m[100, 100] == pytest.approx(905, abs=10)
        assert np.isnan(answer.fetch_m[0, 0])
        assert not answer.at_least.any()


def test_swept_averages_follow_the_formula_off_a_straight_shore():
    # 300 pixels out; each radial is right to a pixel along and one sideways.
    water = np.ones((420, 900), bool)
    water[:100] = False
    surface = encode_surface(water)
    distance = 2995.0
    cosine = measure_fetch(surface, from_grid_deg=0.0, pixel_m=10.0, method="cosine-weighted")
    assert cosine.fetch_m[399, 450] == pytest.approx(1.1102132868 * distance, rel=0.003)
    mean = measure_fetch(surface, from_grid_deg=0.0, pixel_m=10.0, method="mean")
    expected = np.mean(distance / np.cos(np.deg2rad(MEAN.turns_deg)))
    assert mean.fetch_m[399, 450] == pytest.approx(expected, rel=0.003)


def test_a_radial_off_the_data_makes_the_average_at_least():
    water = np.ones((60, 60), bool)
    water[:5, :] = False
    surface = encode_surface(water)
    straight = measure_fetch(surface, from_grid_deg=0.0, pixel_m=1.0)
    cosine = measure_fetch(surface, from_grid_deg=0.0, pixel_m=1.0, method="cosine-weighted")
    assert not straight.at_least.any()
    assert cosine.at_least[50, 5]
    assert not cosine.at_least[7, 30]


def test_an_unknown_method_is_refused():
    with pytest.raises(UsageError, match="measure fetch"):
        measure_fetch(np.zeros((2, 2), np.int16), from_grid_deg=0, pixel_m=1, method="effective")
