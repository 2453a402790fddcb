"""Water's viscosity and density against IAPWS-95 and R12-08 as the `iapws` library has them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95

from jarvision.core.errors import ValueRefusedError
from jarvision.estimate.water import check_temperature, density_kg_m3, viscosity_pa_s

TEMPS_C = np.arange(5.0, 35.1, 2.5)
TOLERANCE = 5e-4  # ten times tighter than the 0.5 % that settling needs


@pytest.fixture(scope="module")
def reference() -> list[IAPWS95]:
    return [IAPWS95(T=t + 273.15, P=0.101325) for t in TEMPS_C]


def test_viscosity_is_that_of_iapws(reference):
    np.testing.assert_allclose(
        viscosity_pa_s(TEMPS_C), [r.mu for r in reference], rtol=TOLERANCE, atol=0
    )


def test_density_is_that_of_iapws(reference):
    np.testing.assert_allclose(
        density_kg_m3(TEMPS_C), [r.rho for r in reference], rtol=TOLERANCE, atol=0
    )


def test_water_is_densest_at_four_degrees():
    # A property of water known since 1804, not a value of the formula: 3.98 °C (from memory).
    temps = np.linspace(0.0, 10.0, 1001)
    assert temps[np.argmax(density_kg_m3(temps))] == pytest.approx(3.98, abs=0.03)


@given(st.floats(1.0, 39.0), st.floats(0.1, 1.0))
def test_warmer_water_is_thinner(temp_c, rise_c):
    assert viscosity_pa_s(temp_c + rise_c) < viscosity_pa_s(temp_c)


@pytest.mark.parametrize("temp_c", [-3.0, 0.9, 104.1, float("nan"), float("inf")])
def test_a_temperature_that_cannot_be_is_refused_with_what_to_do(temp_c):
    with pytest.raises(ValueRefusedError, match=r"between 1 and 40 °C.*Celsius"):
        check_temperature(temp_c)


@pytest.mark.parametrize("temp_c", [40.1, 68.0, 104.0])  # 104 °F are 40 °C
def test_a_number_that_is_a_shelf_s_in_fahrenheit_is_asked_about(temp_c):
    with pytest.raises(ValueRefusedError, match=rf"Do you mean {temp_c:g} °F\?"):
        check_temperature(temp_c)


@pytest.mark.parametrize("temp_c", [1.0, 20.0, 40.0])
def test_a_temperature_on_a_shelf_is_taken(temp_c):
    assert check_temperature(temp_c) == temp_c
