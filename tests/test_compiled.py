"""Kernels compute what is written, on any processor."""

import subprocess
import sys

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


def test_code_that_is_kept_is_loaded_without_the_compiler(tmp_path):
    module = tmp_path / "kept.py"
    module.write_text("from workbench.compiled import kernel\n\n\n@kernel\ndef second(values):\n    return values[1]\n")
    program = (
        "import sys, numpy as np, kept\n"
        "assert kept.second(np.arange(5.0)) == 1\n"
        "print(sum(kept.second.stats.cache_hits.values()), 'numba.np.linalg' in sys.modules)\n"
    )
    first, later = (
        subprocess.run([sys.executable, "-c", program], cwd=tmp_path, check=True, capture_output=True, text=True).stdout
        for _ in range(2)
    )
    assert (first.split(), later.split()) == (["0", "True"], ["1", "False"])
