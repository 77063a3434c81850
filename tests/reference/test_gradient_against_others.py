"""Surfaces and sky samples of gradient removal against published properties and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
import sep
from astropy.stats import SigmaClip
from photutils.background import Background2D, MedianBackground
from scipy.interpolate import RBFInterpolator

from workbench.operations._gradient.cells import sample_cells
from workbench.operations._gradient.fit import fit
from workbench.operations._gradient.surfaces import Mesh, Polynomial, ThinPlate


def scattered(n=80, seed=1):
    rng = np.random.default_rng(seed)
    return rng.uniform(-1, 1, n), rng.uniform(-1, 1, n)


def everywhere(surface, u, v, value, price):
    design = surface.design(u, v)
    return fit(design, value, np.ones(len(u), bool), surface.bending, price)


@pytest.mark.parametrize("price", [1e-6, 1.0, 1e6])
def test_a_thin_plate_reproduces_planes_exactly_at_any_price(price):
    # Duchon 1977, "Splines minimizing rotation-invariant semi-norms": planes bend nothing. [from memory]
    u, v = scattered()
    plate = ThinPlate(tuple(zip(u[:40].tolist(), v[:40].tolist(), strict=True)))
    plane = (0.3 + 0.2 * u - 0.7 * v)[:, None]
    a = everywhere(plate, u, v, plane, price)
    un, vn = scattered(200, 2)
    np.testing.assert_allclose((plate.design(un, vn) @ a)[:, 0], 0.3 + 0.2 * un - 0.7 * vn, atol=1e-6)


@pytest.mark.parametrize("price", [1e-4, 1e-2, 1.0])
def test_a_thin_plate_with_a_knot_at_every_sample_is_scipys_smoothing_spline(price):
    u, v = scattered()
    value = np.sin(3 * u) * np.cos(2 * v) + 0.1 * np.random.default_rng(3).standard_normal(len(u))
    plate = ThinPlate(tuple(zip(u.tolist(), v.tolist(), strict=True)))
    a = everywhere(plate, u, v, value[:, None], price)
    un, vn = scattered(300, 4)
    other = RBFInterpolator(np.column_stack([u, v]), value, kernel="thin_plate_spline", smoothing=price, degree=1)
    np.testing.assert_allclose((plate.design(un, vn) @ a)[:, 0], other(np.column_stack([un, vn])), atol=2e-5)


@pytest.mark.parametrize("degree", [0, 1, 3, 5])
def test_a_low_order_surface_is_numpys_least_squares(degree):
    u, v = scattered()
    value = np.exp(u) + v**3
    surface = Polynomial(degree)
    a = everywhere(surface, u, v, value[:, None], 0.0)
    powers = np.stack([u**i * v ** (k - i) for k in range(degree + 1) for i in range(k + 1)], axis=1)
    other = powers @ np.linalg.lstsq(powers, value)[0]
    np.testing.assert_allclose((surface.design(u, v) @ a)[:, 0], other, atol=1e-7)


def test_a_mesh_reproduces_planes_at_any_price_and_stays_flat_when_bending_is_dear():
    # Eilers & Marx 1996, "Flexible smoothing with B-splines and penalties": second differences leave lines free.
    u, v = scattered(400)
    mesh = Mesh(4, 5, 1.0, 1.0)
    plane = (0.3 + 0.2 * u - 0.7 * v)[:, None]
    a = everywhere(mesh, u, v, plane, 1e4)
    np.testing.assert_allclose(mesh.design(u, v) @ a, plane, atol=1e-6)


def test_cell_levels_are_no_noisier_than_those_of_photutils_and_sep_on_plain_noise():
    rng = np.random.default_rng(5)
    plane = (0.1 + 0.01 * rng.standard_normal((640, 960))).astype(np.float32)
    ours = sample_cells(plane[None], None, 32).level[..., 0]
    other = Background2D(
        plane, 32, filter_size=1, sigma_clip=SigmaClip(3.0), bkg_estimator=MedianBackground()
    ).background_mesh
    third = sep.Background(np.ascontiguousarray(plane), bw=32, bh=32, fw=1, fh=1).back()[16::32, 16::32]
    assert ours.shape == other.shape == third.shape
    assert abs(ours.mean() - 0.1) < 0.05 * 0.01
    assert ours.std() < min(other.std(), third.std())


def test_cell_levels_follow_a_slope_under_stars_as_photutils_does():
    rng = np.random.default_rng(6)
    y, x = np.mgrid[:640, :960]
    plane = 0.1 + 2e-5 * x + 1e-5 * y + 0.003 * rng.standard_normal((640, 960))
    for cy, cx in zip(rng.integers(4, 636, 3000), rng.integers(4, 956, 3000), strict=True):
        plane[cy - 1 : cy + 2, cx - 1 : cx + 2] += 0.2
    plane = plane.astype(np.float32)
    ours = sample_cells(plane[None], None, 32)
    truth = 0.1 + 2e-5 * ours.x[None] + 1e-5 * ours.y[:, None]
    other = Background2D(plane, 32, filter_size=1, sigma_clip=SigmaClip(3.0)).background_mesh
    assert np.abs(ours.level[..., 0] - truth).mean() < 1.1 * np.abs(other - truth).mean()
