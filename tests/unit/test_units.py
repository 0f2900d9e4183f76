"""Units at the edges; their published values are checked in published/test_geodesy.py."""

from __future__ import annotations

import pytest

from sitegeo import units
from sitegeo.errors import UsageError


@pytest.mark.parametrize("unit", sorted(units.LENGTHS_M))
def test_lengths_by_name_whatever_the_case(unit: str) -> None:
    assert units.metres(2, f" {unit.upper()} ") == 2 * units.LENGTHS_M[unit]


@pytest.mark.parametrize("unit", sorted(units.SPEEDS_MPS))
def test_speeds_by_name_whatever_the_case(unit: str) -> None:
    assert units.metres_per_second(3, unit.upper()) == 3 * units.SPEEDS_MPS[unit]


@pytest.mark.parametrize("convert", [units.metres, units.metres_per_second])
def test_unknown_units_are_refused_with_the_known_ones(convert: object) -> None:
    with pytest.raises(UsageError, match=r"got 'furlong'.*Use one of m") as caught:
        convert(1, "furlong")  # type: ignore[operator]
    assert caught.value.exit_code == 2


def test_there_and_back() -> None:
    assert units.to_yd(units.yd(40)) == pytest.approx(40, abs=1e-12)
    assert units.to_mph(units.metres_per_second(12, "mph")) == pytest.approx(12, abs=1e-12)


def test_as_a_person_reads_it() -> None:
    assert units.length_text(193.9) == "212 yd"
    assert units.length_text(193.9, "m") == "194 m"
    assert units.depth_text(0.914) == "3 ft (0.9 m)"
    assert units.depth_text(0.07) == "3 in (0.1 m)"
    assert units.depth_text(0) == "0 ft (0.0 m)"
    assert units.speed_text(units.metres_per_second(12, "mph")) == "12 mph"
    assert units.speed_text(5.36, "m") == "5.4 m/s"


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32, 0), (212, 100), (-40, -40)])
def test_temperature_at_the_fixed_points(fahrenheit: float, celsius: float) -> None:
    assert units.celsius_from_fahrenheit(fahrenheit) == pytest.approx(celsius, abs=1e-12)
