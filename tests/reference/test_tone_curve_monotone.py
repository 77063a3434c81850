"""The tone curve against the theory of monotone interpolation."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from workbench.operations.tone import CurvePoint, tone_curve

#: The titration data RPN 14 of Fritsch, F. N. & Carlson, R. E. (1980), "Monotone piecewise cubic interpolation", SIAM
#: J. Numer. Anal. 17, 238, table 2 (from memory), with abscissae brought to 0..1: the case in which a plain cubic
#: spline overshoots.
X = (np.array([7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20]) - 7.99) / (20 - 7.99)
Y = np.array([0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994])


def drawn(x, y):
    return tone_curve(tuple(CurvePoint(x=float(a), y=float(b)) for a, b in zip(x, y, strict=True)))


def inside_the_region_of_monotonicity(curve, x, y):
    """Fritsch & Carlson 1980: slopes over the secant, alpha and beta, in the square of side 3 or in their ellipse."""
    slope = curve.derivative()(x)
    secant = np.diff(y) / np.diff(x)
    rising = secant > 0
    alpha, beta = slope[:-1][rising] / secant[rising], slope[1:][rising] / secant[rising]
    ellipse = (alpha - 1) ** 2 + (alpha - 1) * (beta - 1) + (beta - 1) ** 2 - 3 * (alpha + beta - 2) <= 1e-9
    square = (alpha >= -1e-9) & (alpha <= 3 + 1e-9) & (beta >= -1e-9) & (beta <= 3 + 1e-9)
    return bool((ellipse | square).all() and (np.abs(slope[:-1][~rising]) < 1e-12).all())


def test_their_own_data_are_interpolated_without_overshoot():
    curve = drawn(X, Y)
    np.testing.assert_allclose(curve(X), Y, atol=1e-12)
    fine = curve(np.linspace(0, 1, 5001))
    assert (np.diff(fine) >= 0).all()
    assert fine.max() <= Y[-1] + 1e-12
    assert inside_the_region_of_monotonicity(curve, X, Y)


@given(
    st.lists(st.integers(1, 99), min_size=1, max_size=14, unique=True),
    st.lists(st.integers(0, 100), min_size=14, max_size=14),
)
def test_any_rising_points_give_a_rising_curve_within_their_theorem(columns, rows):
    x, y = np.sort(columns) / 100, np.sort(rows[: len(columns)]) / 100
    curve = drawn(x, y)
    if curve is None:
        np.testing.assert_array_equal(x, y)
        return
    known_x = np.concatenate([[0], x, [1]])
    known_y = np.concatenate([[0], y, [1]])
    np.testing.assert_allclose(curve(x), y, atol=1e-12)
    assert (np.diff(curve(np.linspace(0, 1, 2001))) >= -1e-12).all()
    assert inside_the_region_of_monotonicity(curve, known_x, known_y)
