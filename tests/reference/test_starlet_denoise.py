"""The starlet and the variance stabiliser of noise reduction against published values."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from workbench.operations._denoise import kernels, reference

# Starck & Murtagh, Astronomical Image and Data Analysis; Starck, Fadili & Murtagh 2007, IEEE Trans. Image Process. 16,
# 297 [from memory]: noise of unit white noise in the scales of the two-dimensional B3 starlet.
NOISE_FACTORS = (0.8908, 0.2007, 0.0855, 0.0412, 0.0204)


def test_scales_and_rest_add_up_to_the_picture():
    # Starck & Murtagh: the reconstruction is the plain sum.
    image = np.random.default_rng(1).normal(size=(2, 70, 90))
    waves, rest = reference.starlet(image, 4)
    np.testing.assert_allclose(sum(waves) + rest, image, atol=1e-12)


def test_white_noise_leaves_the_published_share_in_each_scale():
    noise = np.random.default_rng(2).normal(size=(1, 1500, 1500))
    waves, _ = reference.starlet(noise, 5)
    for wave, want, within in zip(waves, NOISE_FACTORS, (0.003, 0.006, 0.012, 0.025, 0.05), strict=True):
        assert wave.std() == pytest.approx(want, rel=within)


def test_compiled_smoothing_leaves_the_published_share_in_the_first_two_scales():
    noise = np.random.default_rng(3).normal(size=(1, 1200, 1200)).astype(np.float32)
    once = np.empty((1, 1196, 1196), np.float32)
    twice = np.empty((1, 1188, 1188), np.float32)
    kernels.smooth(noise, 0, 0, 1, 0, 1196, once)
    kernels.smooth(once, 0, 0, 2, 0, 1188, twice)
    assert (noise[:, 2:-2, 2:-2] - once).std(dtype=float) == pytest.approx(NOISE_FACTORS[0], rel=0.003)
    assert (once[:, 4:-4, 4:-4] - twice).std(dtype=float) == pytest.approx(NOISE_FACTORS[1], rel=0.01)


def test_of_smooth_structure_a_scale_shows_a_quarter_of_the_next_coarser_one():
    # Taylor: a smoothing of variance s2 takes s2 / 2 times the Laplacian away; the B3 spline with holes of 2^j has the
    # variance 4^j along each axis.
    y, x = np.mgrid[-150:151, -150:151] / 40
    waves, _ = reference.starlet(np.exp(-(x**2 + y**2) / 2)[None], 4)
    for j, (fine, coarse) in enumerate(pairwise(waves)):
        assert fine[0, 150, 150] / coarse[0, 150, 150] == pytest.approx(1 / 4, rel=0.02 * 2**j)
        assert fine[0, 150, 150] == pytest.approx(4**j / 40**2, rel=0.02 * 2**j)


def stabilised(x, sky, gain, read):
    sigma = np.sqrt(gain * sky + read**2)
    one = np.array([1.0])
    flat = np.array([1.0, 0, 0, 0, 0, 0])
    pixels = np.asarray(x, float).reshape(1, 1, -1)
    u = np.zeros(pixels.shape[2])
    z = reference.stabilise(pixels, sky * one, one / sigma, gain / sigma * one, np.eye(1), flat, u, np.zeros(1))
    return z.ravel()


@pytest.mark.parametrize("electrons", [30, 100, 1000, 20000])
def test_poisson_and_read_noise_become_unit_noise(electrons):
    # Makitalo & Foi 2013, IEEE Trans. Image Process. 22, 91: a generalised Anscombe transform gives variance near 1.
    gain, read, sky = 2.5, 4.0, 150.0
    rng = np.random.default_rng(electrons)
    x = gain * rng.poisson(electrons, 200_000) + rng.normal(0, read, 200_000)
    assert stabilised(x, sky, gain, read).std() == pytest.approx(1, abs=0.02)


def test_the_stabiliser_is_the_generalised_anscombe_transform_moved_to_the_sky():
    # Formula: Starck, Murtagh & Bijaoui 1998; Makitalo & Foi 2013: (2/a) sqrt(a x + 3/8 a^2 + s^2).
    gain, read, sky = 2.5, 4.0, 400.0
    x = np.linspace(200, 60000, 500)

    def anscombe(value):
        return 2 / gain * np.sqrt(gain * value + 3 / 8 * gain**2 + read**2)

    np.testing.assert_allclose(stabilised(x, sky, gain, read), anscombe(x) - anscombe(sky), rtol=1e-3, atol=0.02)
