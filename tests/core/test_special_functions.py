"""Special functions against printed tables (Abramowitz and Stegun 1964, from memory)."""

import numpy as np
import pytest

from jarvision.core import special_functions


def test_values_are_those_of_printed_tables():
    assert special_functions.ndtr(1.96) == pytest.approx(0.9750021049, abs=1e-10)  # table 26.1
    assert special_functions.ndtri(0.975) == pytest.approx(1.9599639845, abs=1e-9)  # table 26.5
    assert special_functions.j0(2.4) == pytest.approx(0.0025076833, abs=1e-10)  # table 9.1
    assert special_functions.log_ndtr(-1.96) == pytest.approx(np.log(1 - 0.9750021049), abs=1e-8)
    assert special_functions.logsumexp(np.log([1.0, 2.0, 4.0])) == pytest.approx(np.log(7.0))
