"""Light of stars in each channel, and how much of it the one window misses where a channel is less sharp.

The sky around a star is read from the same pixels in all channels: those of a ring that are neither dark nor bright in
the mean of the channels. A median taken in each channel by itself passes over faint stars where they stand out of the
noise, and takes them for sky where they do not, so that weak channels lost up to two percent to strong ones.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage
from workbench.measure.stars.moffat import GAUSSIAN_FWHM, WindowTable
from workbench.measure.stars.photometry import COLOR_WINDOW
from workbench.measure.stars.sizes import TYPICAL_ALPHA
from workbench.measure.stars.table import Stars
from workbench.measure.statistics import MAD_TO_SIGMA, MEDIAN_PRICE, ranked

__all__ = ["ChannelLight", "channel_light", "window_light"]

Floats = NDArray[np.float64]

#: The wider window over that of `star_colors`, and how far the model of what lies beyond even that is believed.
_WIDER, _BELIEVED = 2.0, 0.1
#: Share of neighbors' light in the wider window over the scatter of the judges: with 1 the worst of twelve crowded
#: scenes is 1.6 % off, with 3 it is 1.3 %; uncrowded ones hardly hear it.
_NEIGHBORS = 3.0
#: The narrower window likewise, and how far the model of all that lies beyond the common one is believed.
_NARROWER, _BELIEVED_NARROW = 0.6, 0.2
#: Radii of the ring of sky, in standard deviations of a star, and the middle part of its pixels that is sky: as much is
#: left out below as above, or noise would lower the sky of all channels alike, and so brighten the weak ones.
_RING, _SKY = (9.0, 12.0), (0.2, 0.8)
#: Signal over noise of stars that tell how sharp channels are, how many of the brightest, and fewest.
_LEAST_SNR, _MOST, _FEWEST = 40.0, 100, 8
#: Of those in crowded fields, whose noise is that of fainter stars.
_LEAST_SNR_CROWDED = 15.0


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
    planes: NDArray[np.float32],
    stars: Stars,
    judges: Stars,
    crowded: Stars,
    coverage: NDArray[np.uint8] | None = None,
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
    crowded : Stars
        Likewise, but less apart: they are asked where the judges are too few.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    ChannelLight

    Notes
    -----
    Growth is what a channel has outside of the window, against the middle one. It is measured in two ways, whose mean
    goes by their errors:

    * by a window twice as wide, the median over the judges; widths of Moffat stars that have the same growth tell what
      is beyond. Little is left to the model, but neighbors' light, which is in all channels, makes growth too small:
      three times the scatter of the judges, in the middle channel, is taken for its share.
    * by a window 0.6 times as wide, where hardly any light but a star's own is; all that lies outside of the common one
      comes from the model, of which a fifth counts as error. In crowded fields this is all there is.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    fwhm = float(np.median((judges if len(judges) else stars).fwhm)) if len(judges) or len(stars) else 1.0
    sigma = fwhm / GAUSSIAN_FWHM
    light = window_light(planes, cov, stars, sigma, (COLOR_WINDOW,))[0]
    lone = _growth(planes, cov, judges, _LEAST_SNR, sigma)
    if lone is not None:
        (wide, wide_error), (narrow, narrow_error) = lone
        weight = narrow_error**2 / np.maximum(wide_error**2 + narrow_error**2, 1e-30)
        growth = weight * wide + (1 - weight) * narrow
        error = np.hypot(weight * wide_error, (1 - weight) * narrow_error)
        return ChannelLight(light * np.exp(growth), error)
    beside = _growth(planes, cov, crowded, _LEAST_SNR_CROWDED, sigma)
    if beside is None:
        return ChannelLight(light, np.full(len(planes), np.nan))
    _, (growth, error) = beside
    return ChannelLight(light * np.exp(growth), error)


def _growth(
    planes: Planes, coverage: Coverage, judges: Stars, least_snr: float, sigma: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]] | None:
    """Logarithm of the growth of each channel against the middle one, and its error, by wide and by narrow windows.

    (C,) each; None where there are too few stars.
    """
    good = np.flatnonzero((judges.snr >= least_snr) & ~judges.saturated)[:_MOST]
    chosen = judges.select(good)
    windows = (COLOR_WINDOW, _WIDER * COLOR_WINDOW, _NARROWER * COLOR_WINDOW)
    sums = window_light(planes, coverage, chosen, sigma, windows)
    lit = (sums > 0).all(axis=(0, 2))
    if lit.sum() < _FEWEST:
        return None
    common, wide, narrow = np.log(sums[:, lit])
    # Light of Moffat stars of many widths under each window.
    widths = np.geomspace(0.3, 4.0, 200) * sigma * GAUSSIAN_FWHM
    ring = float(np.mean(_RING)) * sigma
    of_common, of_wide, of_narrow = (
        np.log(WindowTable(TYPICAL_ALPHA, window * sigma, ring).share_of(widths)) for window in windows
    )
    middle = len(planes) // 2

    grown, center, error = _against_middle(wide - common)
    rest = -_at(of_wide - of_common, of_wide, grown)
    rest -= rest[middle]
    crowd = _NEIGHBORS * _scatter((wide - common)[:, middle])
    by_wide = center + rest, np.sqrt(error**2 + (_BELIEVED * rest) ** 2 + (crowd * (center + rest)) ** 2)

    grown, _, error = _against_middle(common - narrow)
    rising = of_common - of_narrow
    rest = -_at(rising, of_common, grown)
    error = np.abs(_at(rising, of_common, grown + error) - _at(rising, of_common, grown - error)) / 2
    rest -= rest[middle]
    return by_wide, (rest, np.hypot(error, _BELIEVED_NARROW * rest))


def _against_middle(ratio: Floats) -> tuple[Floats, Floats, Floats]:
    """Medians over stars of ratios (N, C): of each, of each less the middle channel's, and their standard errors."""
    middle = ratio.shape[1] // 2
    against = ratio - ratio[:, [middle]]
    center = np.median(against, axis=0)
    error = MEDIAN_PRICE * _scatter(against) / np.sqrt(len(ratio))
    return np.median(ratio[:, middle]) + center, center, error


def _scatter(values: Floats) -> Floats:
    """Standard deviation over stars, (N, ...), by the median distance from the median."""
    return np.asarray(MAD_TO_SIGMA * np.median(np.abs(values - np.median(values, axis=0)), axis=0))


def _at(rising: Floats, values: Floats, place: Floats) -> Floats:
    """``values`` where ``rising``, which may stand still at its ends, has a value."""
    order = np.argsort(rising, kind="stable")
    return np.interp(place, rising[order], values[order])


@kernel
def _write_light(  # noqa: C901, PLR0912 - one pass over a star's pixels
    planes: Planes,
    coverage: Coverage,
    xs: Floats,
    ys: Floats,
    sigma: float,
    windows: Floats,
    out: NDArray[np.float64],
) -> None:
    """Write `window_light` of places; ``out`` holds zeros."""
    count, height, width = planes.shape
    masked = coverage.size > 0
    inner, outer = _RING[0] * sigma, _RING[1] * sigma
    reach = int(np.ceil(outer)) + 1
    side = 2 * reach + 2
    gray, ordered = np.empty(side * side), np.empty(side * side)
    sky = np.empty(count)
    for k in range(xs.size):
        x, y = xs[k], ys[k]
        x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 2, width)
        y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 2, height)
        n = 0
        for i in range(y0, y1):
            for j in range(x0, x1):
                squared = (i - y) ** 2 + (j - x) ** 2
                if squared < inner**2 or squared > outer**2 or (masked and coverage[i, j] == 0):
                    continue
                total = 0.0
                for c in range(count):
                    total += planes[c, i, j]
                gray[n] = ordered[n] = total / count
                n += 1
        if n == 0:
            continue
        low = ranked(ordered, n, int(np.ceil(_SKY[0] * (n - 1))))
        high = ranked(ordered, n, int(_SKY[1] * (n - 1)))
        sky[:] = 0.0
        at = among = 0
        for i in range(y0, y1):
            for j in range(x0, x1):
                squared = (i - y) ** 2 + (j - x) ** 2
                if squared < inner**2 or squared > outer**2 or (masked and coverage[i, j] == 0):
                    continue
                if low <= gray[at] <= high:
                    among += 1
                    for c in range(count):
                        sky[c] += planes[c, i, j]
                at += 1
        sky /= among
        for w in range(windows.size):
            window = windows[w] * sigma
            for i in range(y0, y1):
                for j in range(x0, x1):
                    squared = (i - y) ** 2 + (j - x) ** 2
                    if squared > (3 * window) ** 2 or (masked and coverage[i, j] == 0):
                        continue
                    weight = np.exp(-0.5 * squared / window**2)
                    for c in range(count):
                        out[w, k, c] += weight * (planes[c, i, j] - sky[c])


def window_light(planes: Planes, coverage: Coverage, stars: Stars, sigma: float, windows: tuple[float, ...]) -> Floats:
    """Light of stars under Gaussian windows, above the sky of a ring that is the same pixels in all channels.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W) or (0, 0), uint8
        0 where a pixel means nothing; empty stands for all covered.
    stars : Stars
    sigma : float
        Standard deviation of a star, px.
    windows : tuple of float
        Those of the windows, in ``sigma``.

    Returns
    -------
    ndarray, shape (windows, N, C)
        In pixel values x pixels; 0 where no sky is seen.
    """
    out = np.zeros((len(windows), len(stars), len(planes)))
    _write_light(planes, coverage, stars.x, stars.y, sigma, np.array(windows), out)
    return out
