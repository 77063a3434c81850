"""The stretching curves against astropy.visualization, the published formulas, and hand-worked values."""

import numpy as np
import pytest
from astropy.visualization import AsinhStretch, LogStretch, PowerStretch

from workbench.operations.curves import CURVES, Asinh, Bias, Logarithm, Power, Shoulder

X = np.linspace(0, 1, 1001)


def test_asinh_is_lupton_as_astropy_normalises_it():
    # Lupton et al. 2004, PASP 116, 133; value as astropy gives it
    assert Asinh(0.1).forward(0.5) == pytest.approx(0.771270, abs=1e-6)
    for a in (0.001, 0.02, 0.1, 0.9):
        assert np.allclose(Asinh(a).forward(X), AsinhStretch(a)(X), atol=1e-12)
        assert np.allclose(Asinh(a).inverse(X), AsinhStretch(a).inverse(X), atol=1e-9)


def test_asinh_is_straight_for_faint_and_logarithmic_for_bright_light():
    # Lupton et al. 2004: asinh(z) -> z below the softening, -> ln(2 z) above it
    curve = Asinh(1e-3)
    scale = np.arcsinh(1e3)
    assert curve.forward(1e-6) == pytest.approx(1e-3 / scale, rel=1e-6)
    assert curve.forward(0.5) == pytest.approx(np.log(2 * 500) / scale, rel=1e-6)


def test_logarithm_is_that_of_astropy():
    for exponent in (10.0, 1000.0, 30000.0):
        assert np.allclose(Logarithm(1 / exponent).forward(X), LogStretch(exponent)(X), atol=1e-12)


def test_power_is_that_of_astropy():
    for g in (0.2, 0.5, 1.0):
        assert np.allclose(Power(g).forward(X), PowerStretch(g)(X), atol=1e-12)


def schlick(x, a):
    """Schlick 1994, "Fast alternatives to Perlin's bias and gain functions", Graphics Gems IV, p. 401."""
    return x / ((1 / a - 2) * (1 - x) + 1)


@pytest.mark.parametrize("a", [0.5, 0.6, 0.9, 0.999])
def test_bias_is_that_of_schlick(a):
    curve = Bias.of(a)
    assert np.allclose(curve.forward(X), schlick(X, a), atol=1e-12)
    assert curve.forward(0.5) == pytest.approx(a)  # the value at one half is the parameter
    assert np.allclose(curve.inverse(X), schlick(X, 1 - a), atol=1e-12)  # the inverse has 1 - a


def test_bias_of_one_half_is_the_identity():
    assert np.allclose(Bias.of(0.5).forward(X), X, atol=1e-15)


def test_shoulder_is_reinhards_extended_curve():
    # Reinhard et al. 2002, ACM TOG 21, 267, equation 4: L (1 + L / Lw^2) / (1 + L), with no part left straight
    light = np.linspace(0, 4, 401)
    want = light * (1 + light / 16) / (1 + light)
    assert np.allclose(Shoulder(0.0, 4.0).forward(light), want, atol=1e-12)


@pytest.mark.parametrize("kind", CURVES.values())
def test_slopes_at_black_are_the_derivatives(kind):
    curve = kind.through(0.004, 0.1)
    if np.isinf(curve.slope()):
        assert curve.forward(1e-12) > 1e3 * 1e-12
    else:
        assert curve.slope() == pytest.approx(curve.forward(1e-9) / 1e-9, rel=1e-4)
