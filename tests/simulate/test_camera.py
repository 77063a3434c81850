"""One filtered field stands for a loop over frames; clipping follows the moments of the censored normal."""

import cv2
import numpy as np
import pytest

from workbench.simulate.camera import clipped, correlate, correlated_share
from workbench.simulate.scene import Camera


def _covariance(planes, reach=3):
    """Mean product of pixels at offsets 0..reach (down, across)."""
    planes = planes - planes.mean(axis=(-2, -1), keepdims=True)
    h, w = planes.shape[-2:]
    out = np.empty((reach + 1, reach + 1))
    for dy in range(reach + 1):
        for dx in range(reach + 1):
            out[dy, dx] = np.mean(planes[..., dy:, dx:] * planes[..., : h - dy, : w - dx])
    return out


def _frame(rng, size, channel):
    """Noise of one frame: sites of one color, filled bilinearly, then moved by a sub-pixel step (cubic, a = -0.5)."""
    sites = rng.standard_normal((size, size)).astype(np.float32)
    row, col = np.mgrid[:size, :size]
    phase_y, phase_x = rng.integers(0, 2, 2)
    if channel == 1:
        mask = (row + col + phase_x) % 2 == 0
        kernel = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]], np.float32) / 4
    else:
        mask = ((row + phase_y) % 2 == 0) & ((col + phase_x) % 2 == 0)
        kernel = np.outer([1, 2, 1], [1, 2, 1]).astype(np.float32) / 4
    filled = cv2.filter2D(np.where(mask, sites, np.float32(0)), -1, kernel)

    def keys(t):
        t = abs(t)
        return 1.5 * t**3 - 2.5 * t**2 + 1 if t <= 1 else -0.5 * t**3 + 2.5 * t**2 - 4 * t + 2 if t < 2 else 0.0

    dx, dy = rng.random(2)
    taps_x = np.array([keys(k - dx) for k in range(-2, 4)])
    taps_y = np.array([keys(k - dy) for k in range(-2, 4)])
    return cv2.sepFilter2D(filled, -1, taps_x, taps_y)[6:-6, 6:-6]


@pytest.mark.parametrize("channel", [0, 1])
def test_filtered_noise_has_the_covariance_of_an_average_of_demosaiced_and_aligned_frames(channel):
    rng = np.random.default_rng(7)
    frames, size = 400, 160
    total = sum(_frame(rng, size, channel) for _ in range(frames)) / np.sqrt(frames)
    several = [total] + [
        sum(_frame(rng, size, channel) for _ in range(100)) / np.sqrt(100) for _ in range(6)
    ]  # more fields, for steadier estimates
    looped = np.mean([_covariance(f) for f in several], axis=0)
    white = rng.standard_normal((1200, 1200)).astype(np.float32)
    made = _covariance(correlate(white, channel)[8:-8, 8:-8])
    assert made[0, 0] == pytest.approx(correlated_share()[channel], rel=0.02)
    np.testing.assert_allclose(made, looped, atol=0.03 * looped[0, 0])


def test_demosaicing_and_aligning_leave_the_stated_variance():
    """Bilinear filling alone keeps 9/16 of the variance in red and blue and 5/8 in green; aligning takes some more."""
    share = correlated_share()
    assert share[0] == share[2]
    assert (share < [9 / 16, 5 / 8, 9 / 16]).all()
    assert (share > [0.3, 0.3, 0.3]).all()


def test_clipped_moments_agree_with_drawing_many_frames(rng):
    cam = Camera(full_well_e=2000.0, read_noise_e=8.0)
    light = np.array([0.5, 0.93, 0.98, 1.0, 1.02, 1.2], np.float32)
    mean, variance = clipped(light, cam)
    sigma = np.sqrt(light / 2000.0 + (8.0 / 2000.0) ** 2)
    drawn = np.minimum(light + sigma * rng.standard_normal((200_000, 6)), 1.0)
    np.testing.assert_allclose(mean, drawn.mean(axis=0), atol=3e-4)
    np.testing.assert_allclose(variance, drawn.var(axis=0), rtol=0.02, atol=1e-8)


def test_far_from_white_nothing_is_clipped():
    light = np.linspace(0, 0.7, 50, dtype=np.float32)
    mean, variance = clipped(light, Camera(full_well_e=10000.0, read_noise_e=0.0))
    np.testing.assert_array_equal(mean, light)
    np.testing.assert_allclose(variance, light / 10000.0, rtol=1e-6)
