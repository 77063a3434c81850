"""A coarse mesh of robust local statistics: where the sky lies and how noisy it is, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes, in_order

__all__ = ["BackgroundMesh", "background_mesh"]

#: Fewest samples a cell needs to speak for itself.
_ENOUGH = 16
#: Quartile of a normal sample clipped at 2.5 standard deviations (0.6745 unclipped).
_CLIPPED_QUARTILE = 0.6633
#: Pixels between the terms of a second difference: beyond what demosaicing shares.
_LAG = 4
#: Noise from the 0.4 quantile of absolute second differences (fewer stars reach it than the median).
_STEP_TO_SIGMA = 1 / (0.524401 * 1.5**0.5)


@dataclass(frozen=True, slots=True)
class BackgroundMesh:
    """Cell statistics; cell (i, j) covers rows ``i * size ...`` and columns ``j * size ...``.

    Attributes
    ----------
    size : int
        Cell size in pixels.
    level, sigma : ndarray, shape (rows, columns), float32
        Local sky level and noise of a pixel around it; NaN where too little is covered.
    """

    size: int
    level: NDArray[np.float32]
    sigma: NDArray[np.float32]

    @property
    def known(self) -> NDArray[np.bool_]:
        """Cells that were measured."""
        return np.isfinite(self.level)

    def filled(self) -> BackgroundMesh:
        """The mesh with 3 x 3 medians over known cells; unknown cells take the nearest known values."""
        known = self.known
        if not known.any():
            zero = np.zeros_like(self.level)
            return BackgroundMesh(self.size, zero, zero + np.float32(1))
        level, sigma = (_nearest(v, known) for v in (self.level, self.sigma))
        if min(level.shape) >= 2:
            level, sigma = (
                np.asarray(cv2.medianBlur(cv2.copyMakeBorder(v, 1, 1, 1, 1, cv2.BORDER_REPLICATE), 3), np.float32)[
                    1:-1, 1:-1
                ].copy()
                for v in (level, sigma)
            )
        return BackgroundMesh(self.size, level, sigma)


def _nearest(values: NDArray[np.float32], known: NDArray[np.bool_]) -> NDArray[np.float32]:
    if known.all():
        return values
    _, labels = cv2.distanceTransformWithLabels(
        (~known).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(int(labels.max()) + 1, np.float32)
    table[labels[known]] = values[known]
    return np.asarray(table[labels])


@kernel
def _mean_at(planes: Planes, y: int, x: int) -> np.float32:
    value = planes[0, y, x]
    for c in range(1, planes.shape[0]):
        value += planes[c, y, x]
    mean: np.float32 = value / np.float32(planes.shape[0])
    return mean


@kernel
def _clipped_level(s: NDArray[np.float32]) -> float:
    """Level of a sorted sample: clipped at 2.5 sigma about its median, then 2.5 median - 1.5 mean."""
    lo, hi = 0, s.size
    median: float = np.float64(s[hi // 2])
    mean = median
    spread = 0.0
    for _ in range(6):
        m = hi - lo
        median = np.float64(s[lo + m // 2]) if m % 2 else 0.5 * (s[lo + m // 2 - 1] + s[lo + m // 2])
        total = 0.0
        for i in range(lo, hi):
            total += s[i]
        mean = total / m
        spread = (s[lo + (3 * m) // 4] - s[lo + m // 4]) / (2 * _CLIPPED_QUARTILE)
        a, b = lo, hi
        while lo < hi - 1 and s[lo] < median - 2.5 * spread:
            lo += 1
        while hi > lo + 1 and s[hi - 1] > median + 2.5 * spread:
            hi -= 1
        if a == lo and b == hi:
            break
    if spread > 0 and abs(mean - median) < 0.3 * spread:
        return 2.5 * median - 1.5 * mean
    return median


@kernel
def _look(
    planes: Planes,
    coverage: Coverage,
    top: int,
    size: int,
    step: int,
    sigmas: bool,
    counts: NDArray[np.int64],
    samples: NDArray[np.float32],
    steps: NDArray[np.float32],
) -> None:
    """Samples and second differences of the cells from row ``top`` on, on a lattice (each row shifted by one).

    ``counts`` (cells, 3) says how many of each there are, and how many pixels of the lattice; infinities follow them.
    """
    _, h, w = planes.shape
    masked = coverage.size > 0
    for j in range(counts.shape[0]):
        n = k = seen = 0
        x1 = min((j + 1) * size, w)
        for y in range(top + (step - 1) // 2, min(top + size, h), step):
            for x in range(j * size + ((y - top) // step) % step, x1, step):
                seen += 1
                if masked and coverage[y, x] == 0:
                    continue
                v = _mean_at(planes, y, x)
                samples[j, n] = v
                n += 1
                # Second differences: neither a slope nor wide structure counts as noise.
                if not sigmas or x < _LAG or x + _LAG >= w:
                    continue
                if masked and (coverage[y, x - _LAG] == 0 or coverage[y, x + _LAG] == 0):
                    continue
                beside = _mean_at(planes, y, x - _LAG) + _mean_at(planes, y, x + _LAG)
                steps[j, k] = abs(v - np.float32(0.5) * beside)
                k += 1
        samples[j, n:] = np.inf
        steps[j, k:] = np.inf
        counts[j, 0], counts[j, 1], counts[j, 2] = n, k, seen


@kernel
def _clipped_levels(
    samples: NDArray[np.float32], counts: NDArray[np.int64], known: NDArray[np.bool_], level: NDArray[np.float32]
) -> None:
    for j in range(level.size):
        if known[j]:
            level[j] = _clipped_level(samples[j, : counts[j, 0]])


def _cells(
    planes: Planes, coverage: Coverage, top: int, size: int, step: int, *, levels: bool, sigmas: bool
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Level and noise (cells,) of the cells from row ``top`` on; NaN where too little is covered."""
    cells, most = -(-planes.shape[2] // size), (size // step + 1) ** 2
    counts = np.empty((cells, 3), np.int64)
    samples, steps = np.empty((2, cells, most), np.float32)
    _look(planes, coverage, top, size, step, sigmas, counts, samples, steps)
    n, k, seen = counts.T
    known = n >= np.minimum(_ENOUGH, seen)
    level = np.where(known, np.float32(0), np.float32(np.nan))
    sigma = level.copy()
    # numpy sorts float32 eight to sixteen at a time.
    if levels:
        samples.sort(axis=1)
        _clipped_levels(samples, counts, known, level)
    if sigmas:
        steps.sort(axis=1)
        at = np.flatnonzero(known & (k > 0))
        sigma[at] = steps[at, 2 * k[at] // 5].astype(np.float64) * _STEP_TO_SIGMA
    return level, sigma


def background_mesh(
    planes: Planes, coverage: Coverage, size: int = 64, step: int = 2, *, levels: bool = True, sigmas: bool = True
) -> BackgroundMesh:
    """Statistics of every cell of ``size`` pixels from a lattice of every ``step``-th pixel, on all cores.

    Parameters
    ----------
    size : int
        Side of a cell, in pixels.
    step : int
        In pixels.
    planes : ndarray, shape (C, H, W), float32
        The mean over channels is measured.
    coverage : ndarray, shape (H, W) or (0, 0), uint8
        Empty stands for all covered.
    levels, sigmas : bool
        False leaves the levels or the noise at 0 and saves about half the time.

    Returns
    -------
    BackgroundMesh

    Notes
    -----
    Cell noise: second differences over 4 pixels. Cell level: after clipping, the mode estimate of Bertin & Arnouts
    1996 (A&AS 117, 393).
    """
    rows = -(-planes.shape[1] // size)

    def row(i: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        return _cells(planes, coverage, i * size, size, step, levels=levels, sigmas=sigmas)

    found = in_order(row, list(range(rows)))
    return BackgroundMesh(size, np.stack([f[0] for f in found]), np.stack([f[1] for f in found]))
