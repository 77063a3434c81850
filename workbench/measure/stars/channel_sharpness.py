"""Light of stars in each channel, and how much of it the one window misses where a channel is less sharp.

The sky around a star is read from the same pixels in all channels: those of a ring that are neither dark nor bright in
the mean of the channels. A median taken in each channel by itself passes over faint stars where they stand out of the
noise, and takes them for sky where they do not, so that weak channels lost up to two percent to strong ones.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import as_planes, checked_coverage
from workbench.measure.stars.moffat import GAUSSIAN_FWHM, WindowTable
from workbench.measure.stars.photometry import COLOR_WINDOW
from workbench.measure.stars.sizes import TYPICAL_ALPHA
from workbench.measure.stars.table import Stars
from workbench.measure.statistics import MAD_TO_SIGMA, MEDIAN_PRICE

__all__ = ["ChannelLight", "channel_light"]

Floats = NDArray[np.float64]

#: The wider window over that of `star_colors`, and how far the model of what lies beyond even that is believed.
_WIDER, _BELIEVED = 2.0, 0.1
#: Radii of the ring of sky, in standard deviations of a star, and the middle part of its pixels that is sky: as much is
#: left out below as above, or noise would lower the sky of all channels alike, and so brighten the weak ones.
_RING, _SKY = (9.0, 12.0), (0.2, 0.8)
#: Signal over noise of stars that tell how sharp channels are, how many of the brightest, and fewest.
_LEAST_SNR, _MOST, _FEWEST = 40.0, 100, 8


class ChannelLight(NamedTuple):
    """Light of stars by channel.

    Attributes
    ----------
    light : ndarray, shape (N, C)
        In pixel values x pixels; what a channel has outside of the window, beyond what the middle one has, put to it.
    growth_error : ndarray, shape (C,)
        Relative error that all stars share, by how well it is known what lies outside; NaN where it is not known.
    """

    light: Floats
    growth_error: Floats


def channel_light(
    planes: NDArray[np.float32], stars: Stars, judges: Stars, coverage: NDArray[np.uint8] | None = None
) -> ChannelLight:
    """Light of stars in each channel, each channel's own sharpness allowed for.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The linear frame.
    stars : Stars
        Whose light is asked for.
    judges : Stars
        Not saturated and apart from each other, brightest first: they tell how sharp the channels are.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    ChannelLight

    Notes
    -----
    For each judge the light under a window twice as wide over that under the common one, a channel against the middle
    one: what lies beside the star is in both. The median over the stars is the growth as far as the wider window; the
    widths that the two windows tell of Moffat stars give the rest, a tenth of which counts as its error.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    good = np.flatnonzero((judges.snr >= _LEAST_SNR) & ~judges.saturated)[:_MOST]
    fwhm = float(np.median((judges if len(judges) else stars).fwhm)) if len(judges) or len(stars) else 1.0
    sigma = fwhm / GAUSSIAN_FWHM
    light = _sums(planes, cov, stars.x, stars.y, sigma, (COLOR_WINDOW,))[0]
    unknown = ChannelLight(light, np.full(len(planes), np.nan))
    if good.size < _FEWEST:
        return unknown
    chosen = judges.select(good)
    sums = _sums(planes, cov, chosen.x, chosen.y, sigma, (COLOR_WINDOW, _WIDER * COLOR_WINDOW))
    lit = (sums > 0).all(axis=(0, 2))
    if lit.sum() < _FEWEST:
        return unknown
    growth, error = _growth(np.log(sums[1][lit] / sums[0][lit]), sigma)
    return ChannelLight(light * growth, error)


def _growth(ratio: Floats, sigma: float) -> tuple[Floats, Floats]:
    """Growth of each channel against the middle one, (C,), by the logarithm of wide over near light, (N, C)."""
    middle = ratio.shape[1] // 2
    against = ratio - ratio[:, [middle]]
    center = np.median(against, axis=0)
    scatter = MAD_TO_SIGMA * np.median(np.abs(against - center), axis=0)
    # Widths of Moffat stars by the growth from one window to the other, which is a rising function of them.
    widths = np.geomspace(0.3, 4.0, 200) * sigma * GAUSSIAN_FWHM
    ring = float(np.mean(_RING)) * sigma
    shares = [
        WindowTable(TYPICAL_ALPHA, window * sigma, ring).share_of(widths)
        for window in (COLOR_WINDOW, _WIDER * COLOR_WINDOW)
    ]
    rising = np.maximum.accumulate(np.log(shares[1] / shares[0]))
    found = np.interp(np.median(ratio[:, middle]) + center, rising, widths)
    beyond = -np.log(np.interp(found, widths, shares[1]))
    rest = beyond - beyond[middle]
    error = np.hypot(MEDIAN_PRICE * scatter / np.sqrt(len(ratio)), _BELIEVED * rest)
    return np.exp(center + rest), np.asarray(error)


def _sums(
    planes: NDArray[np.float32],
    coverage: NDArray[np.uint8],
    x: Floats,
    y: Floats,
    sigma: float,
    windows: tuple[float, ...],
) -> Floats:
    """Light under Gaussian windows (in ``sigma``) above the sky of a ring: (windows, N, C); 0 where no sky is seen."""
    count, height, width = planes.shape
    reach = int(np.ceil(_RING[1] * sigma)) + 1
    out = np.zeros((len(windows), len(x), count))
    for k, (cx, cy) in enumerate(zip(x, y, strict=True)):
        x0, y0 = max(int(cx) - reach, 0), max(int(cy) - reach, 0)
        part = np.s_[y0 : min(int(cy) + reach + 2, height), x0 : min(int(cx) + reach + 2, width)]
        cut = planes[(slice(None), *part)].astype(np.float64)
        rows, columns = np.arange(cut.shape[1]) + y0 - cy, np.arange(cut.shape[2]) + x0 - cx
        squared = (rows[:, None] ** 2 + columns[None, :] ** 2) / sigma**2
        seen = coverage[part] > 0 if coverage.size else np.ones(squared.shape, np.bool_)
        ring = (squared >= _RING[0] ** 2) & (squared <= _RING[1] ** 2) & seen
        if not ring.any():
            continue
        around = cut[:, ring]
        gray = around.mean(axis=0)
        low, high = np.quantile(gray, _SKY)
        sky = around[:, (gray >= low) & (gray <= high)].mean(axis=1)
        above = np.where(seen, cut - sky[:, None, None], 0.0)
        for w, window in enumerate(windows):
            inside = squared <= (3 * window) ** 2
            weight = np.where(inside, np.exp(-0.5 * squared / window**2), 0.0)
            out[w, k] = np.tensordot(above, weight, axes=2)
    return out
