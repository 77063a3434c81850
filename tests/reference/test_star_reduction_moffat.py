"""Reduced stars against models and methods from outside the project."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.modeling.models import Moffat2D
from skimage.restoration import inpaint_biharmonic

from workbench.operations._stars.remove import plan_stars, take_light
from workbench.operations._stars.star_model import StarModel
from workbench.operations._stars.wings import moffat_nodes
from workbench.operations.base import Frame, Geometry, Rect, Tile
from workbench.operations.stars import ReduceStars


def astropy_moffat(shape, x, y, fwhm, alpha, peak):
    # FWHM = 2 gamma sqrt(2^(1/alpha) - 1): Moffat 1969, A&A 3, 455, and astropy's own fwhm property.
    model = Moffat2D(peak, x, y, fwhm / (2 * np.sqrt(2 ** (1 / alpha) - 1)), alpha)
    assert model.fwhm == pytest.approx(fwhm)
    row, col = np.mgrid[: shape[0], : shape[1]]
    return model(col, row)


def one_star(x, y, fwhm, alpha, peak):
    rho, profile = moffat_nodes(alpha, 1)
    return StarModel(
        *(np.array([v]) for v in (x, y, fwhm, 1.0, 0.0)), np.array([[peak]]), np.full((1, 1), np.inf),
        np.array([12.0]), np.array([1.5]), np.ones(1), np.array([[[0.1, 0, 0, 0, 0, 0]]]), rho, profile,
    )  # fmt: skip


@pytest.mark.parametrize("size", [0.4, 0.7, 0.9])
@pytest.mark.parametrize("alpha", [2.5, 4.0])
def test_a_reduced_star_is_the_narrower_moffat_of_astropy(size, alpha):
    x, y, fwhm, peak = 40.3, 38.8, 4.0, 0.5
    planes = (0.1 + astropy_moffat((80, 80), x, y, fwhm, alpha, peak))[None].astype(np.float32)
    plan = plan_stars(one_star(x, y, fwhm, alpha, peak), np.array([size]), np.array([0.8]), 1e-4, 80, 80)
    out = np.empty_like(planes)
    take_light(planes, 0, 0, plan, 3.0, out)
    wanted = 0.1 + 0.8 * astropy_moffat((80, 80), x, y, fwhm * size, alpha, peak)
    near = np.hypot(*np.ogrid[-y : 80 - y, -x : 80 - x]) < 0.7 * 12 * fwhm
    np.testing.assert_allclose(out[0][near], wanted[near], atol=0.006 * peak)


def test_the_ground_under_stars_is_at_least_as_good_as_biharmonic_inpainting():
    # Chui & Mhaskar 2010, Appl. Comput. Harmon. Anal. 28, 46, as scikit-image has it, told where the stars are.
    rng = np.random.default_rng(4)
    h, w, sigma = 160, 200, 4e-4
    y, x = np.mgrid[:h, :w]
    ground = 0.06 + 0.02 * np.exp(-((x - 90) ** 2 / 50**2 + (y - 70) ** 2 / 30**2)) + 0.004 * np.sin(x / 9 + y / 14)
    plane = ground.copy()
    hidden = np.zeros((h, w), bool)
    for k in range(24):
        sx, sy = 20 + (k % 6) * 32 + rng.uniform(-3, 3), 20 + (k // 6) * 40 + rng.uniform(-3, 3)
        plane += astropy_moffat((h, w), sx, sy, 3.0, 3.0, 10 ** rng.uniform(-2, -0.3))
        hidden |= np.hypot(x - sx, y - sy) < 9
    planes = (plane + rng.normal(0, sigma, (h, w)))[None].astype(np.float32)
    op = ReduceStars(size=0.3, brightness=0.0)
    facts = op.measure(Frame(planes))
    geometry = Geometry(h, w, 1)
    out = np.empty_like(planes)
    op.apply(Tile(planes.copy(), Rect(0, 0, h, w), 0, geometry), op.prepare(facts, geometry), out)
    theirs = inpaint_biharmonic(planes[0].astype(np.float64), hidden)

    def error(image):
        return np.sqrt(np.mean((image - ground)[hidden] ** 2))

    assert error(out[0]) < 1.5 * sigma
    assert error(out[0]) < error(theirs)
