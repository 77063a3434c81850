"""Smoothing that rounds alike on every processor, held to scipy.ndimage in double precision."""

import numpy as np
import pytest
from scipy import ndimage

from workbench.measure.filters import box, gaussian, separable


def image(shape, seed=1):
    return np.random.default_rng(seed).normal(size=shape).astype(np.float32)


def by_scipy(values, taps):
    once = ndimage.correlate1d(values.astype(np.float64), taps, axis=1, mode="mirror")
    return ndimage.correlate1d(once, taps, axis=0, mode="mirror")


@pytest.mark.parametrize("shape", [(40, 61), (5, 90), (2, 3), (1, 8), (7, 1), (1, 1)])
@pytest.mark.parametrize("taps", [[1.0], [0.25, 0.5, 0.25], [-0.1, 0, 0.3, 0, 0.6, 0, 0.3, 0, -0.1]])
def test_filtering_agrees_with_scipy_up_to_the_edges_of_any_frame(shape, taps):
    values = image(shape)
    np.testing.assert_allclose(separable(values, np.array(taps)), by_scipy(values, np.array(taps)), atol=1e-6)


@pytest.mark.parametrize("sigma", [0.8, 2.3])
def test_a_gaussian_blur_is_scipys(sigma):
    values = image((50, 70))
    want = ndimage.gaussian_filter(values.astype(np.float64), sigma, mode="mirror", truncate=4)
    np.testing.assert_allclose(gaussian(values, sigma), want, atol=1e-5)


def test_a_box_is_the_mean_of_a_square():
    values = image((30, 41))
    want = ndimage.uniform_filter(values.astype(np.float64), 7, mode="mirror")
    np.testing.assert_allclose(box(values, 7), want, atol=1e-6)


def test_a_view_is_filtered_like_its_copy_and_stays_as_it_was():
    values = image((60, 80))
    view, kept = values[::2, 1::3], values.copy()
    np.testing.assert_array_equal(gaussian(view, 1.5), gaussian(view.copy(), 1.5))
    np.testing.assert_array_equal(values, kept)
