"""Restoration without its hold is Richardson-Lucy: what is proved of that must be seen."""

import numpy as np
import pytest

from workbench.operations._deconvolve import restore
from workbench.operations._deconvolve.spread import moffat_kernel, separable

f32 = np.float32


@pytest.fixture(scope="module")
def photons():
    """Light far from the frame's edges through a known spread, and its Poisson counts."""
    rng = np.random.default_rng(8)
    truth = np.full((80, 90), 2.0)
    truth[rng.integers(20, 60, 30), rng.integers(20, 70, 30)] += rng.uniform(50, 2000, 30)
    parts = restore.Blur(*separable(moffat_kernel(2.6, 3.0, 1.0, 0.0, 9), 1e-7))
    seen = restore.blurred(truth.astype(np.float32), parts)
    return rng.poisson(seen).astype(np.float32), parts


def run(photons, iterations):
    counts, parts = photons
    numbers = {"sky": 0.0, "sigma": 1.0, "pedestal": 1.0, "strength": 0.0, "relaxation": 1.0}
    plan = restore.ChannelPlan((parts,), **{k: f32(v) for k, v in numbers.items()}, iterations=iterations)
    return restore.restored(counts, plan) + 1, counts + 1, parts  # with the pedestal, as the iteration sees it


def test_the_poisson_likelihood_never_falls(photons):
    """Shepp, L. A. & Vardi, Y. (1982), IEEE Trans. Med. Imaging 1, 113: expectation maximisation for Poisson counts."""
    told = []
    for iterations in (1, 2, 3, 5, 8, 13, 21):
        f, g, parts = run(photons, iterations)
        made = restore.blurred(f, parts).astype(np.float64)
        told.append(float((g * np.log(made) - made).sum()))
    assert (np.diff(told) > 0).all()


def test_light_is_kept_and_never_negative(photons):
    """Lucy, L. B. (1974), AJ 79, 745: each iteration keeps the sum and the sign."""
    for iterations in (1, 5, 20):
        f, g, _ = run(photons, iterations)
        assert f.sum(dtype=np.float64) == pytest.approx(g.sum(dtype=np.float64), rel=2e-3)
        assert f.min() >= 0
