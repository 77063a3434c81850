import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbench.operations.curves import CURVES, Shoulder, bend, lift

KINDS = list(CURVES.values())
lights = st.floats(1e-5, 0.3)
codes = st.floats(0.02, 0.6)


@pytest.mark.parametrize("kind", KINDS)
@given(light=lights, code=codes)
def test_a_curve_through_a_point_passes_it_and_is_invertible(kind, light, code):
    curve = kind.through(light, code)
    x = np.linspace(0, 1.5, 61)
    y = curve.forward(x)
    assert y[0] == 0
    assert curve.forward(np.float64(1)) == pytest.approx(1)
    assert np.all(np.diff(y) > 0)
    assert np.allclose(curve.inverse(y), x, rtol=1e-6, atol=1e-9)
    at_limit = curve.parameter in kind.limits
    assert at_limit or curve.forward(np.float64(light)) == pytest.approx(code, abs=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_a_point_below_the_diagonal_gives_the_weakest_curve(kind):
    assert kind.through(0.3, 0.1).parameter == kind.limits[1]


@given(knee=st.floats(0, 0.98), top=st.floats(1, 5))
def test_the_shoulder_is_smooth_increasing_and_ends_at_white(knee, top):
    shoulder = Shoulder(knee, top)
    y = np.linspace(0, top, 500)
    bent = shoulder.forward(y)
    assert np.all(np.diff(bent) > -1e-12)
    assert bent[-1] == pytest.approx(1)
    assert np.allclose(bent[y <= knee], y[y <= knee])
    eps = 1e-6 * (1 - knee)
    assert (shoulder.forward(np.float64(knee + eps)) - knee) / eps == pytest.approx(1, rel=1e-3)
    assert np.allclose(shoulder.inverse(bent), y, rtol=1e-6, atol=1e-6)


def test_a_top_at_white_needs_no_bending():
    y = np.linspace(0, 1, 101)
    assert np.allclose(Shoulder(0.5, 1.0).forward(y), y)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("sky", [(1e-4, 0.1), (0.003, 0.12), (0.05, 0.1)])
def test_the_compiled_curve_agrees_with_the_plain_one(kind, sky):
    curve = kind.through(*sky)
    x = np.concatenate([[0], np.geomspace(1e-7, 30, 4000)]).astype(np.float32)
    row = x.copy()
    p, q = (np.float32(v) for v in curve.constants())
    lift(curve.number, row, p, q)
    want = curve.forward(x.astype(np.float64))
    assert np.abs(row / np.maximum(want, 1e-9) - 1)[1:].max() < 3e-6
    assert row[0] == 0


def test_the_compiled_shoulder_agrees_with_the_plain_one():
    shoulder = Shoulder(0.75, 1.6)
    y = np.linspace(0, 3, 5001).astype(np.float32)
    row = y.copy()
    bend(row, *(np.float32(v) for v in shoulder.constants()))
    assert np.abs(row - shoulder.forward(y.astype(np.float64))).max() < 5e-7
    assert np.array_equal(row[y <= 0.75], y[y <= 0.75])
