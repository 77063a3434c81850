"""Zeros of functions, beside scipy's (Brent 1973)."""

import math

import numpy as np
import pytest
from scipy import optimize

from workbench.measure.roots import root

FUNCTIONS = {
    "line": lambda x: 3 * x - 1,
    "cubic": lambda x: x**3 - 2 * x - 5,
    "steep": lambda x: math.atan(1e4 * (x - 0.3)),
    "step": lambda x: math.copysign(1, x - 0.123456789),
    "asinh": lambda x: math.asinh(0.01 / math.exp(-x)) / math.asinh(1 / math.exp(-x)) - 0.2,
}


@pytest.mark.parametrize("name", FUNCTIONS)
@pytest.mark.parametrize("tolerances", [{"xtol": 1e-9}, {"xtol": 1e-13, "rtol": 1e-13}, {"xtol": 1e-3}])
def test_zeros_are_scipys_to_the_last_bit(name, tolerances, rng):
    f, found = FUNCTIONS[name], 0
    for _ in range(30):
        low, high = -rng.uniform(0, 5), rng.uniform(1, 9)
        if f(low) * f(high) < 0:
            found += 1
            assert root(f, low, high, **tolerances) == optimize.brentq(f, low, high, **tolerances)
    assert found > 10


def test_an_end_that_is_zero_is_the_answer():
    assert root(lambda x: x, 0.0, 5.0, xtol=1e-9) == 0
    assert root(lambda x: x, -5.0, 0.0, xtol=1e-9) == 0


def test_one_sign_at_both_ends_is_refused():
    with pytest.raises(ValueError, match="one sign"):
        root(np.exp, 0.0, 1.0, xtol=1e-9)


def test_what_cannot_be_found_is_said():
    with pytest.raises(RuntimeError, match="100 steps"):
        root(lambda x: (x - 0.7) ** 9, -4.0, 9.0, xtol=1e-13, rtol=1e-13)
