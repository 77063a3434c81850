"""Peaks on structured ground: two band-passes of the image, mixed cell by cell so that the ground vanishes.

Structure has a spectrum of its own, so a band-pass a little narrower than a star and one a little wider answer to it
in a proportion that a small cell of the frame tells. The mixture that holds least of it and shows a star with its full
height is the two-channel Hotelling observer (Barrett & Myers 2004, Foundations of Image Science, ch. 13 [from memory]).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Plane
from workbench.measure.filters import gaussian
from workbench.measure.local_maxima import is_highest
from workbench.measure.stars.moffat import GAUSSIAN_FWHM
from workbench.measure.stars.point_fit import PointSpread, fit_at, is_whole
from workbench.measure.statistics import median_and_spread

__all__ = ["AROUND", "band_peaks", "band_weights", "bands", "response_of"]

Floats = NDArray[np.float64]

#: Widths of three Gaussians over a star's; a band-pass is one less the next.
_WIDTHS = (0.4, 0.9, 1.4)
#: Pixels around a cell that tell its mixture with it; every so many pixels along each axis is a sample.
AROUND = 16
_STEP = 3
#: Samples farther than so many times the scatter are stars and have no say, round by round.
_CLIP = 3.0
_ROUNDS = 4
_FEWEST = 32


def bands(image: Plane, fwhm: float) -> tuple[Plane, Plane]:
    """The image through both band-passes for stars of this FWHM in pixels.

    Parameters
    ----------
    image : ndarray, shape (H, W), float32
    fwhm : float

    Returns
    -------
    tuple of two ndarray, each of shape (H, W), float32
    """
    sigma = fwhm / GAUSSIAN_FWHM
    narrow, middle, wide = (gaussian(image, width * sigma, reach=int(np.ceil(3 * width * sigma))) for width in _WIDTHS)
    narrow -= middle
    middle -= wide
    return narrow, middle


def response_of(spread: PointSpread, fwhm: float) -> Floats:
    """What both band-passes make of a star of height 1, averaged over places in a pixel: (2,).

    Parameters
    ----------
    spread : PointSpread
    fwhm : float
        In pixels.

    Returns
    -------
    ndarray, shape (2,)
    """
    reach = int(np.ceil(5 * fwhm))
    y, x = (a.astype(np.float64) for a in np.mgrid[-reach : reach + 1, -reach : reach + 1])
    offsets = (-0.25, 0.25)
    star = np.mean([spread.over(y - dy, x - dx, fwhm) for dy in offsets for dx in offsets], axis=0)
    return np.array([band[reach, reach] for band in bands(star.astype(np.float32), fwhm)], np.float64)


@kernel
def band_weights(  # noqa: C901 - one robust fit
    first: Plane, second: Plane, coverage: Coverage, box: tuple[int, int, int, int], answer: Floats
) -> tuple[float, float, float, float]:
    """Weights of both bands in a box (y0, y1, x0, x1), and level and scatter of what they leave; all 0 where unknown.

    Weights: inverse covariance of the bands times ``answer``, so scaled that a star keeps its height.

    Parameters
    ----------
    first, second : ndarray, shape (H, W), float32
        As `bands` gives them.
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    box : tuple of (int, int, int, int)
    answer : ndarray, shape (2,)
        As `response_of` gives it.

    Returns
    -------
    tuple of (float, float, float, float)
    """
    y0, y1, x0, x1 = box
    most = ((y1 - y0) // _STEP + 1) * ((x1 - x0) // _STEP + 1)
    u, v = np.empty(most, np.float32), np.empty(most, np.float32)
    mixed, scratch = np.empty(most, np.float32), np.empty(most, np.float32)
    n = 0
    for y in range(y0, y1, _STEP):
        for x in range(x0, x1, _STEP):
            if coverage.size > 0 and coverage[y, x] == 0:
                continue
            u[n], v[n] = first[y, x], second[y, x]
            n += 1
    if n < 2 * _FEWEST:
        return 0.0, 0.0, 0.0, 0.0
    a, b = 1 / answer[0], 0.0
    level = scatter = 0.0
    for round_ in range(_ROUNDS + 1):
        for i in range(n):
            mixed[i] = a * u[i] + b * v[i]
        level, scatter = median_and_spread(mixed, n, scratch)
        if round_ == _ROUNDS:
            break
        m = 0
        su = sv = suu = svv = suv = 0.0
        for i in range(n):
            if abs(mixed[i] - level) <= _CLIP * scatter:
                m += 1
                su += u[i]
                sv += v[i]
                suu += np.float64(u[i]) * u[i]
                svv += np.float64(v[i]) * v[i]
                suv += np.float64(u[i]) * v[i]
        if m < _FEWEST:
            break
        uu, vv, uv = suu / m - (su / m) ** 2, svv / m - (sv / m) ** 2, suv / m - su * sv / (m * m)
        wa, wb = vv * answer[0] - uv * answer[1], uu * answer[1] - uv * answer[0]
        kept = wa * answer[0] + wb * answer[1]
        if not kept > 0:
            break
        a, b = wa / kept, wb / kept
    return a, b, level, scatter


@kernel
def band_peaks(
    image: Plane,
    first: Plane,
    second: Plane,
    coverage: Coverage,
    cells: NDArray[np.int64],
    answer: Floats,
    threshold: float,
    half: int,
    basis: Floats,
    solve: Floats,
    rows: NDArray[Any],
) -> int:
    """Fit the local maxima of each cell's own mixture; writes rows (N,) of `FITTED` and returns how many.

    Parameters
    ----------
    image : ndarray, shape (H, W), float32
    first, second : ndarray, shape (H, W), float32
        As `bands` gives them.
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    answer : ndarray, shape (2,)
        As `response_of` gives it.
    half : int
        Half the side of the square, in pixels.
    basis, solve : ndarray, (phases, phases, ...)
        Of the template.
    rows : ndarray, shape (N,), of dtype `FITTED`
        To be written.
    cells : ndarray, shape (K, 4), int64
        y0, y1, x0, x1 of each cell in the block.
    threshold : float
        A maximum exceeds so many times the scatter of its cell's mixture; of equal neighbors the first counts.

    Returns
    -------
    int
    """
    h, w = image.shape
    n = 0
    for k in range(cells.shape[0]):
        y0, y1, x0, x1 = cells[k, 0], cells[k, 1], cells[k, 2], cells[k, 3]
        box = (max(y0 - AROUND, 0), min(y1 + AROUND, h), max(x0 - AROUND, 0), min(x1 + AROUND, w))
        weight, other, level, scatter = band_weights(first, second, coverage, box, answer)
        if not scatter > 0:
            continue
        a, b = np.float32(weight), np.float32(other)
        least = np.float32(level + threshold * scatter)
        top, left, bottom, right = max(y0 - 1, 0), max(x0 - 1, 0), min(y1 + 1, h), min(x1 + 1, w)
        mixed = a * first[top:bottom, left:right] + b * second[top:bottom, left:right]
        for y in range(top + 1, bottom - 1):
            for x in range(left + 1, right - 1):
                p = mixed[y - top, x - left]
                if p <= least or n >= rows.shape[0] or not is_highest(mixed, y - top, x - left, 1):
                    continue
                if not is_whole(coverage, image.shape, y, x, half):
                    continue
                if fit_at(image, y, x, half, basis, solve, rows[n]):
                    rows[n].snr = (p - level) / scatter
                    n += 1
    return n
