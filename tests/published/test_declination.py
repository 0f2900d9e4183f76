"""Magnetic declination against the official test values of the World Magnetic Model 2025."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from pygeomag import GeoMag

from sitegeo.plans.features import declination_deg

# WMM2025_TEST_VALUES.txt (NOAA NCEI), as kept in boxpet/pygeomag@2b8ac57: decimal year, height in
# km, latitude, longitude, declination in degrees, east positive.
WMM = [
    (2025.0, 28, 89, -121, -99.77),
    (2025.0, 48, 80, -96, -29.91),
    (2025.0, 54, 82, 87, 54.89),
    (2025.0, 65, 43, 93, 0.50),
    (2025.0, 51, -33, 109, -5.49),
    (2025.0, 39, -59, -8, -15.75),
    (2025.0, 18, 0, 21, 1.29),
    (2025.5, 44, 33, -118, 11.10),
    (2027.0, 61, 59, -77, -16.48),
    (2028.5, 28, 54, -120, 15.43),
    (2029.5, 64, 22, -132, 10.23),
]


@pytest.mark.parametrize(("year", "km", "lat", "lon", "east_deg"), WMM)
def test_the_package_gives_the_models_own_values(year, km, lat, lon, east_deg) -> None:
    found = GeoMag().calculate(glat=lat, glon=lon, alt=km, time=year)
    assert found.d == pytest.approx(east_deg, abs=0.0051)


@pytest.mark.parametrize(("year", "km", "lat", "lon", "east_deg"), WMM[3:])
def test_ours_is_at_the_ground_on_the_day(year, km, lat, lon, east_deg) -> None:
    """The field turns a little with height: 0.4° at most over these 65 km and less."""
    when = datetime(int(year), 1, 1) + timedelta(days=365.25 * (year % 1))
    assert declination_deg(lon, lat, when) == pytest.approx(east_deg, abs=0.5)


def test_a_date_without_a_model_claims_nothing() -> None:
    assert declination_deg(-90.5, 44.1, None) is None
    assert declination_deg(-90.5, 44.1, datetime(2024, 12, 31)) is None
    assert declination_deg(-90.5, 44.1, datetime(2030, 1, 2)) is None
    # The year is that of Greenwich.
    late = datetime(2029, 12, 31, 23, tzinfo=timezone(timedelta(hours=-6)))
    assert declination_deg(-90.5, 44.1, late) is None
    assert declination_deg(-90.5, 44.1, late.astimezone(UTC) - timedelta(days=1)) is not None
