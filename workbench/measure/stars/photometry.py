"""Light of stars in each channel, at the places where they are known to be."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Plane, as_planes, checked_coverage, in_order
from workbench.measure.stars.centroid import median_of, ring_values
from workbench.measure.stars.detect import MatchedFilter, ring
from workbench.measure.stars.moffat import GAUSSIAN_FWHM, WindowTable
from workbench.measure.stars.sizes import TYPICAL_ALPHA
from workbench.measure.stars.table import Stars

__all__ = ["COLOR_WINDOW", "star_colors", "window_sums"]

Floats = NDArray[np.float64]

#: Width of the window of `star_colors` over that of a star: channels differ a little in sharpness.
COLOR_WINDOW = 1.3


@kernel
def window_sums(
    plane: Plane, coverage: Coverage, xs: Floats, ys: Floats, window: float, ring: NDArray[np.int32], sums: Floats
) -> None:
    """Light of each place under a Gaussian window, above the median of its ring; places are not moved.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    xs, ys : ndarray, shape (N,), float64
        Columns and rows, pixel centres at integers.
    window : float
        Standard deviation of the window, in pixels.
    ring : ndarray, shape (M, 2), int32
        Offsets of the ring's pixels.
    sums : ndarray, shape (N,), float64
        To be written, in units of the plane.
    """
    h, w = plane.shape
    radius = int(np.ceil(3 * window))
    inverse = -0.5 / (window * window)
    values = np.empty(ring.shape[0], np.float32)
    for k in range(xs.size):
        x, y = xs[k], ys[k]
        px, py = int(np.rint(x)), int(np.rint(y))
        sky = median_of(values, ring_values(plane, coverage, py, px, ring, values))
        total = 0.0
        for i in range(max(py - radius, 0), min(py + radius + 1, h)):
            for j in range(max(px - radius, 0), min(px + radius + 1, w)):
                if coverage.size > 0 and coverage[i, j] == 0:
                    continue
                total += np.exp(inverse * ((i - y) ** 2 + (j - x) ** 2)) * (plane[i, j] - sky)
        sums[k] = total


def star_colors(planes: NDArray[np.float32], stars: Stars, coverage: NDArray[np.uint8] | None = None) -> Floats:
    """Light of each star in each channel, above the median of a ring around it.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W) or (H, W), float32
        The linear frame the stars were found in.
    stars : Stars
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    ndarray, shape (N, C), float64
        Fluxes in units of pixel values x pixels. Those of saturated stars are too small.

    Notes
    -----
    One round Gaussian window, somewhat wider than a star, lies at the same place in all channels, so ratios between
    channels do not hang on how well a star is centred or measured in each.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    out = np.zeros((len(stars), planes.shape[0]))
    if len(stars) == 0:
        return out
    fwhm = float(np.median(stars.fwhm))
    by = MatchedFilter(fwhm / GAUSSIAN_FWHM)
    window = COLOR_WINDOW * by.sigma
    share = float(WindowTable(TYPICAL_ALPHA, window, by.ring_radii[0]).share_of(np.array([fwhm]))[0])
    x, y = np.ascontiguousarray(stars.x), np.ascontiguousarray(stars.y)
    around = ring(by.ring_radii)

    def channel(c: int) -> None:
        sums = np.empty(len(stars))
        window_sums(planes[c], cov, x, y, window, around, sums)
        out[:, c] = sums / share

    in_order(channel, list(range(planes.shape[0])))
    return out
