"""A coarse mesh of robust local statistics: where the sky lies and how noisy it is, cell by cell."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes, in_order

__all__ = ["Mesh", "measure_mesh"]

#: Fewest samples a cell needs to speak for itself.
_ENOUGH = 16


@dataclass(frozen=True, slots=True)
class Mesh:
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

    def filled(self) -> Mesh:
        """The mesh with 3 x 3 medians over known cells; unknown cells take the nearest known values."""
        known = self.known
        if not known.any():
            zero = np.zeros_like(self.level)
            return Mesh(self.size, zero, zero + np.float32(1))
        level, sigma = (_nearest(v, known) for v in (self.level, self.sigma))
        if min(level.shape) >= 2:
            level, sigma = (
                cv2.medianBlur(cv2.copyMakeBorder(v, 1, 1, 1, 1, cv2.BORDER_REPLICATE), 3)[1:-1, 1:-1].copy()
                for v in (level, sigma)
            )
        return Mesh(self.size, level, sigma)


def _nearest(values: NDArray[np.float32], known: NDArray[np.bool_]) -> NDArray[np.float32]:
    if known.all():
        return values
    _, labels = cv2.distanceTransformWithLabels(
        (~known).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
    )
    table = np.zeros(int(labels.max()) + 1, np.float32)
    table[labels[known]] = values[known]
    return table[labels]


@kernel
def _cells(
    strip: Planes,
    coverage: Coverage,
    size: int,
    step: int,
    level: NDArray[np.float32],
    sigma: NDArray[np.float32],
) -> None:
    """Level and noise of the cells in one row of cells: clip at 2.5 sigma about the median, then 2.5 med - 1.5 mean."""
    channels, h, w = strip.shape
    masked = coverage.size > 0
    samples = np.empty((size // step + 1) ** 2, np.float32)
    for j in range(level.size):
        n = 0
        x1 = min((j + 1) * size, w)
        for y in range((step - 1) // 2, h, step):
            for x in range(j * size + (y // step) % step, x1, step):
                if masked and coverage[y, x] == 0:
                    continue
                value = strip[0, y, x]
                for c in range(1, channels):
                    value += strip[c, y, x]
                samples[n] = value / channels
                n += 1
        if n < _ENOUGH and n < ((h + step - 1) // step) * ((x1 - j * size) // step):
            level[j] = np.nan
            sigma[j] = np.nan
            continue
        s = np.sort(samples[:n])
        lo, hi = 0, n
        median = s[n // 2]
        spread = np.float32(0)
        mean = median
        for _ in range(6):
            m = hi - lo
            median = s[lo + m // 2] if m % 2 else np.float32(0.5) * (s[lo + m // 2 - 1] + s[lo + m // 2])
            total = 0.0
            for i in range(lo, hi):
                total += s[i]
            mean = total / m
            # Quartile distance of what is left, corrected for the clipping at 2.5 sigma (0.6745 becomes 0.6633).
            spread = (s[lo + (3 * m) // 4] - s[lo + m // 4]) / (2 * 0.6633)
            a, b = lo, hi
            while lo < hi - 1 and s[lo] < median - 2.5 * spread:
                lo += 1
            while hi > lo + 1 and s[hi - 1] > median + 2.5 * spread:
                hi -= 1
            if a == lo and b == hi:
                break
        sigma[j] = spread
        level[j] = median
        if spread > 0 and abs(mean - median) < 0.3 * spread:
            level[j] = 2.5 * median - 1.5 * mean


def measure_mesh(planes: Planes, coverage: Coverage, size: int = 64, step: int = 2) -> Mesh:
    """Statistics of every cell of ``size`` pixels from a lattice of every ``step``-th pixel, on all cores.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The mean over channels is measured.
    coverage : ndarray, shape (H, W) or (0, 0), uint8
        Empty stands for all covered.

    Notes
    -----
    Cell level: mode estimate of Bertin & Arnouts 1996 (A&AS 117, 393) after clipping.
    """
    _, h, w = planes.shape
    rows, columns = -(-h // size), -(-w // size)

    def row(i: int) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        level = np.empty(columns, np.float32)
        sigma = np.empty(columns, np.float32)
        span = slice(i * size, min((i + 1) * size, h))
        _cells(planes[:, span], coverage[span], size, step, level, sigma)
        return level, sigma

    found = in_order(row, list(range(rows)))
    return Mesh(size, np.stack([f[0] for f in found]), np.stack([f[1] for f in found]))
