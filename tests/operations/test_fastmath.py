"""The float32 functions against double precision over the ranges they promise."""

import numpy as np
import pytest

from workbench.compiled import kernel
from workbench.operations import fastmath
from workbench.operations.colorspace import srgb_decode, srgb_encode


def looped(function):
    @kernel
    def run(src, out):
        for i in range(src.size):
            out[i] = function(src[i])

    return run


def run(function, x):
    x = np.asarray(x, np.float32)
    out = np.empty_like(x)
    looped(function)(x, out)
    return x.astype(np.float64), out.astype(np.float64)


WIDE = np.geomspace(1e-9, 1e9, 40001)
UNIT = np.linspace(0, 1, 65536)


@kernel
def cube_root_by_power(x):
    return fastmath.power(x, np.float32(1 / 3))


@pytest.mark.parametrize(
    ("function", "exact", "x", "tolerance"),
    [
        (fastmath.log2, np.log2, WIDE[(WIDE < 0.5) | (WIDE > 2)], 2e-7),
        (fastmath.log1p, np.log1p, WIDE, 4e-7),
        (fastmath.asinh, np.arcsinh, WIDE, 4e-7),
        (fastmath.exp2, np.exp2, np.linspace(-1, 1, 20001), 2e-7),
        (fastmath.cbrt, np.cbrt, np.concatenate([-WIDE, WIDE]), 6e-7),
        (cube_root_by_power, lambda x: x ** np.float64(np.float32(1 / 3)), np.geomspace(1e-6, 1e6, 20001), 2e-6),
        (fastmath.srgb_encode, srgb_encode, UNIT[1:], 1.2e-6),
        (fastmath.srgb_decode, srgb_decode, UNIT[1:], 1.2e-6),
    ],
)
def test_a_function_keeps_its_promised_relative_error(function, exact, x, tolerance):
    x, got = run(function, x)
    want = exact(x)
    assert np.abs(got / want - 1).max() < tolerance


def test_log2_near_one_keeps_its_absolute_error():
    x, got = run(fastmath.log2, np.linspace(0.5, 2, 20001))
    assert np.abs(got - np.log2(x)).max() < 2e-7
    assert run(fastmath.log2, [1.0])[1][0] == 0


def test_every_16_bit_code_survives_decoding_and_encoding():
    codes = np.arange(65536) / 65535
    _, linear = run(fastmath.srgb_decode, codes)
    _, back = run(fastmath.srgb_encode, linear)
    assert np.array_equal(np.floor(back * 65535 + 0.5), np.arange(65536))


@pytest.mark.parametrize("function", [fastmath.srgb_encode, fastmath.srgb_decode])
def test_srgb_ends_are_exact_and_beyond_them_is_clipped(function):
    _, got = run(function, [-1, 0, 1, 2, np.inf, -np.inf])
    assert got.tolist() == pytest.approx([0, 0, 1, 1, 1, 0], abs=2e-7)


def test_srgb_encoding_never_falls():
    _, got = run(fastmath.srgb_encode, np.linspace(0, 1, 200001))
    assert np.diff(got).min() > -2e-7


def test_zero_has_its_roots_and_powers():
    assert run(fastmath.cbrt, [0.0])[1][0] == 0
    assert run(cube_root_by_power, [0.0])[1][0] == 0
    assert run(fastmath.asinh, [0.0])[1][0] == 0


def test_a_value_does_not_depend_on_its_place():
    x = np.full(1003, 0.3127, np.float32)
    for function in (fastmath.asinh, fastmath.cbrt, fastmath.srgb_encode, fastmath.srgb_decode):
        assert np.unique(run(function, x)[1]).size == 1
