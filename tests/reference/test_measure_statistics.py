"""Sky, noise and order statistics against published values and other people's code."""

import astropy.stats
import numpy as np
import photutils.background
import pytest
from photutils.datasets import make_100gaussians_image

from workbench.measure import starlet
from workbench.measure.background.mesh import background_mesh
from workbench.measure.background.sky import sky_level
from workbench.measure.blocks import checked_coverage
from workbench.measure.histogram import median_mad
from workbench.measure.noise import noise
from workbench.measure.statistics import MAD_TO_SIGMA, row_medians


@pytest.fixture(scope="module")
def white():
    return np.random.default_rng(7).normal(0.2, 0.01, (700, 800)).astype(np.float32)


def test_the_scale_of_the_mad_is_that_of_a_normal_distribution(white):
    # Source: astropy.stats.mad_std (1 / Phi^-1(3/4) = 1.482602...).
    assert pytest.approx(1.482602218505602, rel=1e-12) == MAD_TO_SIGMA
    _, mad = median_mad(white)
    assert mad * MAD_TO_SIGMA == pytest.approx(float(astropy.stats.mad_std(white)), rel=1e-6)


def test_the_level_of_a_cell_is_the_mode_estimate_of_bertin_and_arnouts():
    # Source: Bertin & Arnouts 1996, A&AS 117, 393 (2.5 median - 1.5 mean), as in photutils' ModeEstimatorBackground
    # and SExtractorBackground.
    rng = np.random.default_rng(3)
    cell = rng.normal(0.1, 0.01, (64, 64))
    cell[rng.random(cell.shape) < 0.03] += rng.exponential(0.01)
    cell = cell.astype(np.float32)
    mesh = background_mesh(cell[None], checked_coverage(None, 64, 64), 64, 1)
    kept = astropy.stats.sigma_clip(cell.astype(np.float64), sigma=2.5, maxiters=6, stdfunc="mad_std").compressed()
    mode = photutils.background.ModeEstimatorBackground(median_factor=2.5, mean_factor=1.5, sigma_clip=None)(kept)
    same = photutils.background.SExtractorBackground(sigma_clip=None)(kept)
    assert mode == pytest.approx(float(same), rel=1e-12)
    assert float(mesh.level[0, 0]) == pytest.approx(float(mode), abs=0.01 * 0.03)


def test_noise_agrees_with_immerkaer_on_white_noise(white):
    # Source: Immerkaer 1996, Computer Vision and Image Understanding 64, 300:
    # sigma = sqrt(pi/2) / (6 (W-2)(H-2)) sum |I * N|, N = [[1 -2 1] [-2 4 -2] [1 -2 1]].
    image = white.astype(np.float64)
    rows = image[:, :-2] - 2 * image[:, 1:-1] + image[:, 2:]
    both = rows[:-2] - 2 * rows[1:-1] + rows[2:]
    h, w = white.shape
    immerkaer = np.sqrt(np.pi / 2) / (6 * (w - 2) * (h - 2)) * np.abs(both).sum()
    assert immerkaer == pytest.approx(0.01, rel=0.01)
    assert noise(white).sigma == pytest.approx(immerkaer, rel=0.015)


def test_white_noise_leaves_the_published_share_in_each_starlet_scale(white):
    # Source: Starck & Murtagh, Astronomical Image and Data Analysis, table of the starlet (a trous, B3 spline):
    # .8908 .2007 .0855 .0412 .0204 [from memory].
    waves, _ = starlet.scales(white, 5)
    for scale, (wave, share) in enumerate(zip(waves, starlet.WHITE_NOISE, strict=True)):
        margin = starlet.reach(scale + 1)
        inner = wave[margin:-margin, margin:-margin]
        assert inner.std(dtype=np.float64) / 0.01 == pytest.approx(share, rel=0.01 * 2**scale / 2 + 0.005)
    measured = noise(white)
    np.testing.assert_allclose(np.array(measured.scales) / 0.01, starlet.WHITE_NOISE, rtol=0.06)
    assert measured.correlation == pytest.approx(1, abs=0.02)


def test_the_starlet_adds_up_to_the_image(white):
    waves, rest = starlet.scales(white[:200, :300], 5)
    np.testing.assert_allclose(sum(waves) + rest, white[:200, :300], atol=1e-6)


def test_sky_and_noise_of_photutils_example_image_are_those_it_was_made_with():
    # Source: photutils.datasets.make_100gaussians_image: 100 sources on a constant background of 5, noise of 2.
    image = make_100gaussians_image(noise=True).astype(np.float32)
    found = sky_level(image)
    assert found.level == pytest.approx(5, abs=0.25)
    assert found.sigma == pytest.approx(2, rel=0.03)
    plain = np.median(image)
    assert abs(found.level - 5) < abs(plain - 5)


def test_medians_of_rows_with_gaps_are_those_of_numpy(rng):
    rows = rng.normal(size=(200, 23))
    rows[rng.random(rows.shape) < 0.4] = np.nan
    rows[:, 5] = 1.0  # a number in each
    count = np.isfinite(rows).sum(axis=1)
    np.testing.assert_array_equal(row_medians(rows, count), np.nanmedian(rows, axis=1))
    np.testing.assert_array_equal(
        row_medians(np.where(np.isnan(rows), np.inf, rows), count), np.nanmedian(rows, axis=1)
    )
