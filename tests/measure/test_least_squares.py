"""Turned misfits lead a search where scipy's own go, step by step."""

import numpy as np
import pytest
from scipy import optimize

from workbench.measure.least_squares import least_squares

X = np.linspace(0, 4, 900)


def _misfit(seen):
    return lambda p: p[0] * np.exp(-p[1] * X) + p[2] - seen


def _slope(p):
    fall = np.exp(-p[1] * X)
    return np.stack([fall, -p[0] * X * fall, np.ones_like(X)], axis=1)


@pytest.mark.parametrize("most", [2, 5, 50])
@pytest.mark.parametrize("bounds", [(-np.inf, np.inf), ([0, 0, 0], [5, 0.9, 1])])
def test_a_search_takes_the_steps_of_scipys(bounds, most):
    seen = 3 * np.exp(-1.2 * X) + 0.5 + np.random.default_rng(3).normal(0, 0.05, X.size)
    begin = np.array([1.0, 0.5, 0.1])
    how = {"bounds": bounds, "max_nfev": most}
    ours = least_squares(_misfit(seen), _slope, begin, **how)
    theirs = optimize.least_squares(_misfit(seen), begin, _slope, **how)
    np.testing.assert_allclose(ours.x, theirs.x, rtol=1e-9)
    np.testing.assert_allclose(ours.cost, theirs.cost, rtol=1e-12)
    np.testing.assert_allclose(ours.jac.T @ ours.jac, theirs.jac.T @ theirs.jac, rtol=1e-9)
    assert (ours.nfev, ours.njev, ours.status) == (theirs.nfev, theirs.njev, theirs.status)


def test_fewer_misfits_than_parameters_do():
    found = least_squares(lambda p: p[:1] - 2, lambda _p: np.eye(1, 3), np.ones(3))
    np.testing.assert_allclose(found.x, [2, 1, 1], atol=1e-9)
