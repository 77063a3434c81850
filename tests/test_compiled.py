"""Kernels compute what is written, on any processor."""

import numpy as np

from workbench.compiled import kernel


@kernel
def _product_and_sum(a, b, c, out):
    for i in range(a.size):
        out[i] = a[i] * b[i] + c[i]


@kernel
def _sum(values):
    total = np.float32(0)
    for value in values:
        total += value
    return total


def test_no_multiplication_is_fused_with_an_addition():
    # IEEE 754: (1 + 2^-12)^2 = 1 + 2^-11 + 2^-24, of which single precision keeps 1 + 2^-11; a fused operation would
    # leave the 2^-24. Long enough for vector instructions and for what is left over by them.
    a = np.full(37, 1 + 2.0**-12, np.float32)
    rounded = np.full(37, -(1 + 2.0**-11), np.float32)
    out = np.empty(37, np.float32)
    _product_and_sum(a, a, rounded, out)
    assert not out.any()


def test_no_sum_is_taken_in_another_order(rng):
    values = rng.normal(0, 1, 1001).astype(np.float32)
    total = np.float32(0)
    for value in values:
        total += value
    assert _sum(values) == total
