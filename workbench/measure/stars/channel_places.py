"""Where stars lie in each channel: centroids under a Gaussian window, each channel by itself."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Plane, as_planes, checked_coverage, in_order
from workbench.measure.noise import quick_noise
from workbench.measure.stars.centroid import median_of, ring_values
from workbench.measure.stars.moffat import GAUSSIAN_FWHM
from workbench.measure.stars.table import Stars

__all__ = ["ChannelPlaces", "channel_places"]

Floats = NDArray[np.float64]

#: Steps towards the centre, and where they end (px).
_STEPS, _STILL = 25, 1e-3
#: Radius of the ring of sky, in standard deviations of a star, and of the window.
_RING, _WINDOW = (6.0, 8.0), 3.0
#: No centroid is better than this (px): pixels, demosaicing, what lies beside the star.
_FLOOR = 0.02


class ChannelPlaces(NamedTuple):
    """Places of stars by channel.

    Attributes
    ----------
    x, y : ndarray, shape (N, C)
        Column and row, px; NaN where a channel does not show the star.
    error : ndarray, shape (N, C)
        Standard error of a coordinate, px.
    """

    x: Floats
    y: Floats
    error: Floats


def channel_places(
    planes: NDArray[np.float32], stars: Stars, coverage: NDArray[np.uint8] | None = None, *, farthest: float = 5.0
) -> ChannelPlaces:
    """Where each star lies in each channel.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The linear frame.
    stars : Stars
        Found in the mean of its channels; not saturated.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.
    farthest : float
        Pixels from the place in the mean beyond which it is another star.

    Returns
    -------
    ChannelPlaces

    Notes
    -----
    The window moves to where the light under it balances, above the median of a ring. The error is that of the photons
    and the sky under a window as wide as the star: width / signal over noise, and a floor of 0.02 px.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    fwhm = float(np.median(stars.fwhm)) if len(stars) else 1.0
    sigma = max(fwhm / GAUSSIAN_FWHM, 0.6)
    ring = _offsets(sigma)
    noise = quick_noise(planes, coverage)

    def of_channel(c: int) -> Floats:
        out = np.empty((len(stars), 3))
        _centroids(planes[c], cov, stars.x, stars.y, sigma, farthest, ring, out)
        # The weighted sum's noise under a window exp(-r^2 / 2 s^2) is noise s sqrt(pi); the star's light comes on top.
        snr = out[:, 2] / (max(float(noise[c]), 1e-12) * sigma * np.sqrt(np.pi))
        out[:, 2] = np.hypot(2 * sigma / np.maximum(snr, 1e-3), _FLOOR)
        return out

    x, y, error = np.moveaxis(np.stack(in_order(of_channel, range(len(planes))), axis=1), 2, 0)
    return ChannelPlaces(x, y, error)


def _offsets(sigma: float) -> NDArray[np.int32]:
    """Pixels (dy, dx) of the ring of sky."""
    reach = int(np.ceil(_RING[1] * sigma))
    dy, dx = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    squared = (dy * dy + dx * dx) / sigma**2
    inside = (squared >= _RING[0] ** 2) & (squared <= _RING[1] ** 2)
    return np.stack([dy[inside], dx[inside]], axis=1).astype(np.int32)


@kernel
def _centroids(
    image: Plane,
    coverage: Coverage,
    x: Floats,
    y: Floats,
    sigma: float,
    farthest: float,
    ring: NDArray[np.int32],
    out: NDArray[Any],
) -> None:
    """Write column, row and the weighted sum of light of each star; NaN where the window finds no light."""
    height, width = image.shape
    masked = coverage.size > 0
    radius = int(np.ceil(_WINDOW * sigma))
    inverse = -0.5 / (sigma * sigma)
    values = np.empty(ring.shape[0], np.float32)
    for k in range(x.size):
        cx, cy = x[k], y[k]
        count = ring_values(image, coverage, int(np.rint(cy)), int(np.rint(cx)), ring, values)
        sky = median_of(values, count)
        total, still = 0.0, False
        for _ in range(_STEPS):
            px, py = int(np.rint(cx)), int(np.rint(cy))
            # A window that leaves the frame, or meets what is not covered, would lean to one side.
            if px - radius < 0 or py - radius < 0 or px + radius >= width or py + radius >= height:
                break
            total, sx, sy, bare = 0.0, 0.0, 0.0, False
            for i in range(py - radius, py + radius + 1):
                dy = i - cy
                for j in range(px - radius, px + radius + 1):
                    dx = j - cx
                    if masked and coverage[i, j] == 0:
                        bare = True
                    light = np.exp(inverse * (dx * dx + dy * dy)) * (image[i, j] - sky)
                    total += light
                    sx += light * dx
                    sy += light * dy
            if bare or not total > 0:
                break
            # A star as wide as the window shows half of a shift.
            step_x, step_y = 2 * sx / total, 2 * sy / total
            cx, cy = cx + min(max(step_x, -1.0), 1.0), cy + min(max(step_y, -1.0), 1.0)
            if np.hypot(cx - x[k], cy - y[k]) > farthest:
                break
            if np.hypot(step_x, step_y) < _STILL:
                still = True
                break
        out[k, 0] = cx if still else np.nan
        out[k, 1] = cy if still else np.nan
        out[k, 2] = total if still else 0.0
