"""How much of a star's light the one window of all channels misses in each of them, by a second, wider window."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import as_planes, checked_coverage, in_order
from workbench.measure.stars.detect import MatchedFilter, ring
from workbench.measure.stars.moffat import GAUSSIAN_FWHM, WindowTable
from workbench.measure.stars.photometry import COLOR_WINDOW, window_sums
from workbench.measure.stars.sizes import TYPICAL_ALPHA
from workbench.measure.stars.table import Stars
from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["ChannelGrowth", "channel_growth"]

Floats = NDArray[np.float64]

#: The wider window over that of `star_colors`, and how far the model of what lies beyond even that is believed.
_WIDER, _BELIEVED = 2.0, 0.1
#: Signal over noise of stars that tell, how many of the brightest (faint stars in the ring take as much from all, which
#: is a percent of faint ones), and fewest.
_LEAST_SNR, _MOST, _FEWEST = 40.0, 60, 8
#: Standard error of a median over that of a mean, for a normal distribution: sqrt(pi / 2).
_MEDIAN_PRICE = float(np.sqrt(np.pi / 2))


class ChannelGrowth(NamedTuple):
    """All light of a star over the light under the window of `star_colors`, against the middle channel's, (C,) each."""

    growth: Floats
    error: Floats


def channel_growth(
    planes: NDArray[np.float32], stars: Stars, coverage: NDArray[np.uint8] | None = None
) -> ChannelGrowth | None:
    """How much a channel that is more or less sharp than the middle one loses or gains under the common window.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The linear frame.
    stars : Stars
        Not saturated and apart from each other, brightest first.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    ChannelGrowth or None
        None where too few stars are bright enough.

    Notes
    -----
    For each star the light under a window twice as wide over that under the common one, a channel against the middle
    one: what lies beside the star is in both. The median over the stars is the growth as far as the wider window; the
    widths that the two windows tell of Moffat stars give the rest, a tenth of which counts as its error.
    """
    planes = as_planes(planes)
    good = np.flatnonzero((stars.snr >= _LEAST_SNR) & ~stars.saturated)[:_MOST]
    if good.size < _FEWEST:
        return None
    cov = checked_coverage(coverage, *planes.shape[1:])
    chosen = stars.select(good)
    sigma = float(np.median(chosen.fwhm)) / GAUSSIAN_FWHM
    x, y = np.ascontiguousarray(chosen.x), np.ascontiguousarray(chosen.y)
    near, far = MatchedFilter(sigma), MatchedFilter(_WIDER * sigma)
    tables = [WindowTable(TYPICAL_ALPHA, COLOR_WINDOW * by.sigma, by.ring_radii[0]) for by in (near, far)]
    sums = np.empty((2, len(planes), good.size))

    def measure(task: tuple[int, int]) -> None:
        k, c = task
        by = (near, far)[k]
        window_sums(planes[c], cov, x, y, COLOR_WINDOW * by.sigma, ring(by.ring_radii), sums[k, c])

    in_order(measure, [(k, c) for k in (0, 1) for c in range(len(planes))])
    lit = (sums > 0).all(axis=(0, 1))
    if lit.sum() < _FEWEST:
        return None
    ratio = np.log(sums[1][:, lit] / sums[0][:, lit])
    middle = len(planes) // 2
    against = ratio - ratio[middle]
    center = np.median(against, axis=1)
    scatter = MAD_TO_SIGMA * np.median(np.abs(against - center[:, None]), axis=1)
    # Widths of Moffat stars by the growth from one window to the other, which is a rising function of them.
    widths = np.geomspace(0.3, 4.0, 200) * sigma * GAUSSIAN_FWHM
    shares = [table.share_of(widths) for table in tables]
    found = np.interp(np.median(ratio[middle]) + center, np.maximum.accumulate(np.log(shares[1] / shares[0])), widths)
    beyond = -np.log(np.interp(found, widths, shares[1]))
    rest = beyond - beyond[middle]
    error = np.hypot(_MEDIAN_PRICE * scatter / np.sqrt(lit.sum()), _BELIEVED * rest)
    return ChannelGrowth(np.exp(center + rest), np.asarray(error))
