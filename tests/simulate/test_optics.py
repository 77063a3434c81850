"""Stars are drawn where, as bright and as wide as stated."""

import numpy as np
import pytest

from workbench.simulate.optics import draw_stars, draw_stars_plainly, moffat_gamma, shapes, stamps
from workbench.simulate.scene import Optics

SHAPE = (120, 160)


def _stamps(rng, optics, n=25, faintest=1e-7):
    x, y = rng.uniform(0, SHAPE[1], n), rng.uniform(0, SHAPE[0], n)
    flux = rng.uniform(0.1, 5.0, (n, 3))
    return stamps(optics, x, y, flux, shapes(optics, x, y, SHAPE), faintest=faintest)


def test_the_compiled_drawing_agrees_with_plain_numpy(rng):
    stars = _stamps(rng, Optics(), faintest=1e-5)
    fast, plain = np.zeros((3, *SHAPE), np.float32), np.zeros((3, *SHAPE), np.float32)
    draw_stars(fast, 0, stars)
    draw_stars_plainly(plain, 0, stars)
    np.testing.assert_allclose(fast, plain, rtol=1e-5, atol=1e-7)


def test_bands_make_the_same_frame_as_the_whole(rng):
    stars = _stamps(rng, Optics())
    whole, banded = np.zeros((3, *SHAPE), np.float32), np.zeros((3, *SHAPE), np.float32)
    draw_stars(whole, 0, stars)
    for top in range(0, SHAPE[0], 37):
        draw_stars(banded[:, top : top + 37], top, stars)
    np.testing.assert_array_equal(whole, banded)


def test_a_star_holds_its_light_at_its_place():
    optics = Optics(fwhm_px=3.0, elongation=1.2, curvature=0.0, coma=0.0, halo_color=(1.0, 1.0, 1.0))
    x, y = np.array([80.3]), np.array([60.7])
    stars = stamps(optics, x, y, np.full((1, 3), 2.0), shapes(optics, x, y, SHAPE), faintest=1e-9)
    out = np.zeros((3, *SHAPE), np.float32)
    draw_stars(out, 0, stars)
    plane = out[1].astype(np.float64)
    assert plane.sum() == pytest.approx(2.0, rel=0.01)  # the halo's far wings fall outside
    row, col = np.mgrid[: SHAPE[0], : SHAPE[1]]
    near = np.hypot(row - 60.7, col - 80.3) < 8
    w = np.where(near, plane**2, 0)
    assert (col * w).sum() / w.sum() == pytest.approx(80.3, abs=0.01)
    assert (row * w).sum() / w.sum() == pytest.approx(60.7, abs=0.01)


def test_half_of_the_peak_lies_at_half_the_width():
    optics = Optics(fwhm_px=8.0, elongation=1.5, angle_deg=0.0, curvature=0.0, coma=0.0, halo_share=0.0)
    x, y = np.array([79.5]), np.array([59.5])
    form = shapes(optics, x, y, SHAPE)
    assert form.fwhm_px[0] == pytest.approx(8.0)
    assert form.elongation[0] == pytest.approx(1.5)
    long, short = 8.0 * np.sqrt(1.5), 8.0 / np.sqrt(1.5)
    x, y = np.array([80.0]), np.array([60.0])
    out = np.zeros((1, *SHAPE), np.float32)
    draw_stars(out, 0, stamps(optics, x, y, np.ones((1, 3)), form, faintest=1e-9))
    across, down = out[0, 60] / out[0, 60, 80], out[0, :, 80] / out[0, 60, 80]
    half_x = np.interp(-0.5, -across[80:], np.arange(80))
    half_y = np.interp(-0.5, -down[60:], np.arange(60))
    assert 2 * half_x == pytest.approx(long, abs=0.05)
    assert 2 * half_y == pytest.approx(short, abs=0.05)


def test_stars_grow_and_point_outward_at_the_corners():
    optics = Optics(fwhm_px=2.5, elongation=1.0, curvature=0.2, coma=0.3)
    x, y = np.array([79.5, 0.0, 159.0, 159.0]), np.array([59.5, 0.0, 0.0, 119.0])
    form = shapes(optics, x, y, SHAPE)
    assert form.fwhm_px[0] == pytest.approx(2.5)
    assert (form.fwhm_px[1:] > 1.2 * 2.5).all()
    outward = np.rad2deg(np.arctan2(119.0, 159.0))
    np.testing.assert_allclose(form.angle_deg[1:], [outward, -outward, outward], atol=0.5)


def test_a_wider_moffat_has_a_wider_gamma():
    assert moffat_gamma(4.0, 3.0) == pytest.approx(2 * moffat_gamma(2.0, 3.0))
