"""Glow fitted with a prior, against the same estimate worked out another way."""

from __future__ import annotations

import numpy as np
import pytest

from workbench.operations._gradient import prior
from workbench.operations._gradient.fit import Samples
from workbench.operations._gradient.prior import fit_with_prior, settle_with_prior, without_halos
from workbench.operations._gradient.surfaces import Polynomial
from workbench.operations._gradient.trials import simple_trial

ROWS, COLUMNS = 12, 18


def grid(value):
    u, v = np.meshgrid(np.linspace(-0.66, 0.66, ROWS), np.linspace(-1, 1, COLUMNS), indexing="ij")
    n = ROWS * COLUMNS
    return Samples(u.ravel(), v.ravel(), value(u.ravel(), v.ravel()), (ROWS, COLUMNS), np.ones(n, np.bool_))


def glow(u, v, noise=0.001, seed=1):
    shape = 0.2 + 0.05 * v + 0.02 * u * v
    light = shape[:, None] * np.array([1.0, 0.7, 1.3])
    return light + noise * np.random.default_rng(seed).standard_normal(light.shape)


@pytest.mark.parametrize("channels", [1, 3])
def test_the_fit_is_the_mean_of_a_gaussian_process(monkeypatch, channels):
    # Weights with a normal prior and values with the covariance that it makes of them are one model
    # (Rasmussen & Williams 2006, "Gaussian Processes for Machine Learning", sections 2.1 and 2.2).
    monkeypatch.setattr(prior, "FADES", (0.4,))
    monkeypatch.setattr(prior, "ALIKE", (0.9,))
    samples = grid(lambda u, v: glow(u, v)[:, :channels])
    surface = Polynomial(4)
    design = surface.design(samples.u, samples.v)
    before = design[:, :3] @ np.linalg.lstsq(design[:, :3], samples.value)[0]
    used = np.random.default_rng(2).random(len(design)) < 0.8
    ours = design @ fit_with_prior(samples, design, samples.value, used, before, 1.5)[0]

    height = before.std(axis=0)
    among = np.outer(height, height) * (0.1 * np.eye(channels) + 0.9)
    misfit = 1.5 * prior.shared_misfit(samples, samples.value - before, used) + np.diag(1e-6 * height**2)
    degree = np.repeat(np.arange(5), np.arange(5) + 1)
    size = np.where(degree == 0, 1e3, 0.4 ** (np.maximum(degree, 1) - 1.0))
    places = (design * size**2) @ design.T
    middle = np.median(samples.value[used], axis=0)
    seen = np.kron(places[np.ix_(used, used)], among) + np.kron(np.eye(used.sum()), misfit)
    weights = np.linalg.solve(seen, (samples.value[used] - middle).ravel())
    theirs = (np.kron(places[:, used], among) @ weights).reshape(-1, channels) + middle
    assert np.abs(ours - theirs).max() < 1e-6


def test_a_slope_is_not_bent_by_noise():
    samples = grid(lambda u, v: glow(u, v, noise=0.01))
    design = Polynomial(6).design(samples.u, samples.v)
    start = simple_trial(samples, 3)
    held = settle_with_prior(samples, 6, start, samples.open, 1.0, 3.0)
    plain = design @ np.linalg.lstsq(design, samples.value)[0]
    truth = glow(samples.u, samples.v, noise=0.0)
    error = [np.sqrt(((m - truth) ** 2).mean()) for m in (held.model, plain)]
    assert error[0] < 0.75 * error[1]


def test_light_of_one_color_is_not_taken_for_glow_of_another():
    # Red light over half of the frame, as smooth as glow, with clouds in it: least squares takes it all.
    def value(u, v):
        red = 0.02 * np.exp(-2 * ((u - 0.1) ** 2 + (v + 0.2) ** 2))
        clouds = red * np.random.default_rng(3).uniform(0.5, 1.5, len(u))
        return glow(u, v) + clouds[:, None] * np.array([1.0, 0.1, 0.1])

    samples = grid(value)
    design = Polynomial(6).design(samples.u, samples.v)
    truth = glow(samples.u, samples.v, noise=0.0)[:, 0]
    start = simple_trial(samples, 1)
    plain = (design @ np.linalg.lstsq(design, samples.value)[0])[:, 0]
    ours = (design @ fit_with_prior(samples, design, samples.value, samples.open, start.model, 1.0)[0])[:, 0]
    assert (ours - truth).std() < 0.8 * (plain - truth).std()


def core_and_halo(width=0.22, core=4.0, halo=0.05):
    def value(u, v):
        far = (u - 0.1) ** 2 + (v + 0.2) ** 2
        light = core * np.exp(-far / (2 * 0.06**2)) + halo * np.exp(-far / (2 * width**2))
        return glow(u, v) + light[:, None] * np.array([1.0, 0.7, 0.5])

    return value


def test_the_halo_of_a_bright_object_is_not_taken_for_glow():
    samples = grid(core_and_halo())
    truth = glow(samples.u, samples.v, noise=0.0)
    used = np.hypot(samples.u - 0.1, samples.v + 0.2) > 0.25
    held = settle_with_prior(samples, 6, simple_trial(samples, 2), used, 1.0, 3.0)
    freed = without_halos(samples, held)
    error = [(t.model - truth - (t.model - truth).mean(axis=0)).std() for t in (held, freed)]
    assert error[1] < 0.6 * error[0], error


def test_where_nothing_is_bright_no_halo_is_sought():
    samples = grid(glow)
    held = settle_with_prior(samples, 6, simple_trial(samples, 2), samples.open, 1.0, 3.0)
    assert without_halos(samples, held) is held
