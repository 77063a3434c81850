"""The smooth sky of few terms, on surfaces that are known and beside scipy's robust least squares."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from workbench.measure.smooth_sky import smooth_sky

SHAPE = (900, 1500)
Y, X = (a.ravel() for a in np.meshgrid(np.arange(32, 900, 64.0), np.arange(32, 1500, 64.0), indexing="ij"))
U, V = (X - 749.5) / np.hypot(*SHAPE) * 2, (Y - 449.5) / np.hypot(*SHAPE) * 2

SKIES = {
    "flat": np.full(X.size, 0.1),
    "plane": 0.1 + 0.03 * U - 0.02 * V,
    "falloff": 0.1 / (1 + 0.35 * (U**2 + V**2)) ** 2,
    "glow in a corner": 0.1 + 0.02 * (U + V + 1) ** 2 + 0.01 * U**3,
}


@pytest.mark.parametrize("name", SKIES)
def test_a_smooth_sky_is_found_with_objects_in_a_tenth_of_the_cells(name, rng):
    level = SKIES[name] + rng.normal(0, 1e-4, X.size)
    level[rng.random(X.size) < 0.1] += 0.05
    (found,) = smooth_sky(Y, X, [level], SHAPE)
    assert np.abs(found.at(Y, X) - SKIES[name]).max() < 5e-4


def terms(*levels):
    return smooth_sky(Y, X, levels, SHAPE)[0].coefficients.size


def test_no_more_terms_are_taken_than_cells_ask_for_in_every_channel(rng):
    plane, falloff = (SKIES[name] + rng.normal(0, 1e-3, X.size) for name in ("plane", "falloff"))
    assert (terms(plane), terms(falloff), terms(falloff, plane), terms(falloff, 2 * falloff)) == (3, 7, 3, 7)
    assert smooth_sky(Y[:12], X[:12], [falloff[:12]], SHAPE)[0].coefficients.size == 3
    assert not smooth_sky([], [], np.empty((1, 0)), SHAPE)[0].at(Y, X).any()


def test_it_is_hubers_fit_as_scipy_makes_it(rng):
    level = SKIES["plane"] + rng.normal(0, 1e-3, X.size)
    level[:30] += 0.05
    (found,) = smooth_sky(Y, X, [level], SHAPE)
    design = np.stack([np.ones_like(U), U, V], axis=1)
    scatter = 1.4826 * np.median(np.abs(level - found.at(Y, X)))
    # The same loss: quadratic up to two scatters, straight beyond.
    theirs = least_squares(lambda c: level - design @ c, np.zeros(3), loss="huber", f_scale=2 * scatter)
    np.testing.assert_allclose(found.at(Y, X), design @ theirs.x, atol=2e-5)
