"""How thick and how heavy the water in the jar is, by temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from jarvision.core.arrays import Array
from jarvision.core.errors import ValueRefusedError

COLDEST_C = 1.0
"""Lowest water temperature accepted [°C]; below it a jar may freeze."""

WARMEST_C = 40.0
"""Highest water temperature accepted [°C]; no jar on a shelf is warmer."""

# IAPWS SR6-08(2011), section 3: coefficients a_i [µPa·s] and exponents b_i of the viscosity of
# liquid water at 0.1 MPa. From memory; the tests hold them against a library with IAPWS R12-08.
_VISCOSITY_TERMS = ((280.68, -1.9), (511.45, -7.7), (61.131, -19.6), (0.45903, -40.0))

# Kell, G.S. (1975), J. Chem. Eng. Data 20:97-105, equation 16: numerator in rising powers of the
# temperature, and the denominator's slope. From memory; the tests hold them against IAPWS-95.
_DENSITY_TERMS = (
    999.83952,
    16.945176,
    -7.9870401e-3,
    -46.170461e-6,
    105.56302e-9,
    -280.54253e-12,
)
_DENSITY_SLOPE = 16.879850e-3


def viscosity_pa_s(temp_c: ArrayLike) -> Array:
    """Dynamic viscosity of liquid water at 0.1 MPa.

    Parameters
    ----------
    temp_c : array_like
        Temperature [°C], any shape, -20 to 110.

    Returns
    -------
    ndarray
        Viscosity [Pa·s], the shape of `temp_c`.

    Notes
    -----
    Short form of IAPWS SR6-08, with T in units of 300 K.
    """
    reduced = (np.asarray(temp_c, dtype=np.float64) + 273.15) / 300.0
    total = sum(a * reduced**b for a, b in _VISCOSITY_TERMS)
    return np.asarray(total * 1e-6, dtype=np.float64)


def density_kg_m3(temp_c: ArrayLike) -> Array:
    """Density of liquid water at 0.1 MPa.

    Parameters
    ----------
    temp_c : array_like
        Temperature [°C], any shape, 0 to 100.

    Returns
    -------
    ndarray
        Density [kg/m³], the shape of `temp_c` (Kell 1975).
    """
    temp = np.asarray(temp_c, dtype=np.float64)
    top = np.polynomial.polynomial.polyval(temp, np.asarray(_DENSITY_TERMS))
    return np.asarray(top / (1.0 + _DENSITY_SLOPE * temp), dtype=np.float64)


def check_temperature(temp_c: float) -> float:
    """Hand back a water temperature that the calculation is valid for.

    Parameters
    ----------
    temp_c : float
        Temperature [°C].

    Raises
    ------
    ValueRefusedError
        The temperature is not a number or lies outside 1 to 40 °C.
    """
    if WARMEST_C < temp_c <= 1.8 * WARMEST_C + 32:
        msg = f"Water of {temp_c:g} °C? Do you mean {temp_c:g} °F? Then write {temp_c:g}F."
        raise ValueRefusedError(msg)
    if not COLDEST_C <= temp_c <= WARMEST_C:
        msg = (
            f"The water temperature must lie between {COLDEST_C:.0f} and {WARMEST_C:.0f} °C, "
            f"not {temp_c:g}; give it in degrees Celsius, or leave it out."
        )
        raise ValueRefusedError(msg)
    return temp_c
