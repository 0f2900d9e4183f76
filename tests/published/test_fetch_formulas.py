"""Effective fetch against its published definition and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from sitegeo.exposure.fetch import (
    COSINE_RADIALS_DEG,
    MEAN_RADIALS_DEG,
    cosine_weighted,
    cosine_weighted_fetch,
    mean_fetch,
    mean_of_radials,
    straight_line_fetch,
)
from sitegeo.exposure.sweep import encode_surface


def test_fifteen_radials_six_degrees_apart():
    # USGS UMESC PSR 97-08 (Rogala 1997): the wind and 7 angles 6° apart each side.
    assert tuple(range(-42, 43, 6)) == COSINE_RADIALS_DEG
    assert len(COSINE_RADIALS_DEG) == 15


def test_sum_of_cosines_is_exact_and_not_the_reprinted_13_512():
    # One radial of 1 m straight on, the others 0: the weight of the middle is 1 / Σ cos.
    radials = np.zeros(15)
    radials[7] = 1.0
    assert 1 / cosine_weighted(radials, COSINE_RADIALS_DEG) == pytest.approx(13.510917387, abs=1e-9)
    # 13.512 is the sum of the table's three-place cosines (SPM 1977, from memory).
    rounded = np.round(np.cos(np.deg2rad(COSINE_RADIALS_DEG)), 3).sum()
    assert rounded == pytest.approx(13.512, abs=1e-12)


def test_sum_of_cosines_of_nine_radials_at_three_degrees():
    radials = np.zeros(9)
    radials[4] = 1.0
    assert 1 / cosine_weighted(radials, MEAN_RADIALS_DEG) == pytest.approx(8.917974743, abs=1e-9)


def test_nine_radials_are_averaged_plainly():
    # The "SPM" option of the USGS wind fetch model (Rohweder et al. 2008, from memory): the
    # arithmetic mean of nine radials 3° apart, centred on the wind, not weighted by cosines.
    assert tuple(range(-12, 13, 3)) == MEAN_RADIALS_DEG
    radials = np.arange(9.0) ** 2
    assert mean_of_radials(radials) == pytest.approx(204 / 9)
    assert mean_of_radials(radials) != pytest.approx(
        cosine_weighted(radials, MEAN_RADIALS_DEG), rel=1e-3
    )


@pytest.mark.parametrize(
    ("deviations", "factor"), [(COSINE_RADIALS_DEG, 1.1102132868), (MEAN_RADIALS_DEG, 1.0091977449)]
)
def test_straight_shore_has_a_closed_form(deviations, factor):
    # A shore across the wind at D: x = D / cos a, so the weighted mean is n D / Σ cos a.
    radials = 1000.0 / np.cos(np.deg2rad(deviations))
    assert cosine_weighted(radials, deviations) == pytest.approx(1000 * factor, rel=1e-10)
    # Projected on the wind's axis first, it is D exactly.
    assert cosine_weighted(radials, deviations, projected=True) == pytest.approx(1000, rel=1e-12)


def test_centre_of_a_circle_is_its_radius_by_every_method():
    assert cosine_weighted(np.full(15, 640.0), COSINE_RADIALS_DEG) == pytest.approx(640)
    assert mean_of_radials(np.full(9, 640.0)) == pytest.approx(640)
    rows, columns = np.indices((201, 201))
    surface = encode_surface(np.hypot(rows - 100, columns - 100) < 90.5)
    for method in (straight_line_fetch, cosine_weighted_fetch, mean_fetch):
        answer = method(surface, from_grid_deg=33.0, pixel_m=10.0)
        assert answer.fetch_m[100, 100] == pytest.approx(905, abs=10)
        assert np.isnan(answer.fetch_m[0, 0])
        assert not answer.at_least.any()


def test_swept_averages_follow_the_formula_off_a_straight_shore():
    # 300 pixels out; each radial is right to a pixel along and one sideways.
    water = np.ones((420, 900), bool)
    water[:100] = False
    surface = encode_surface(water)
    distance = 2995.0
    effective = cosine_weighted_fetch(surface, from_grid_deg=0.0, pixel_m=10.0)
    assert effective.fetch_m[399, 450] == pytest.approx(1.1102132868 * distance, rel=0.003)
    mean = mean_fetch(surface, from_grid_deg=0.0, pixel_m=10.0)
    expected = np.mean(distance / np.cos(np.deg2rad(MEAN_RADIALS_DEG)))
    assert mean.fetch_m[399, 450] == pytest.approx(expected, rel=0.003)


def test_a_radial_off_the_data_makes_the_average_at_least():
    water = np.ones((60, 60), bool)
    water[:5, :] = False
    effective = cosine_weighted_fetch(encode_surface(water), from_grid_deg=0.0, pixel_m=1.0)
    assert not straight_line_fetch(
        encode_surface(water), from_grid_deg=0.0, pixel_m=1.0
    ).at_least.any()
    assert effective.at_least[50, 5]
    assert not effective.at_least[7, 30]
