"""Pixels at the ends of the range: cut off at white, or at black."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import as_planes, checked_coverage, in_order, strips

__all__ = ["black_fraction", "clipped_fraction"]


def clipped_fraction(
    planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None, *, level: float = 0.995
) -> float:
    """Share of covered pixels in which a channel reaches ``level`` (1.0 = white level); 0 when none is covered.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear or display; 1.0 is the white level.
    coverage : ndarray, shape (H, W), uint8, or None
        0 where a pixel means nothing.
    level : float
        Value from which on a channel counts as clipped.

    Returns
    -------
    float
        0 to 1.
    """
    planes = as_planes(planes)
    _, h, w = planes.shape
    cov = checked_coverage(coverage, h, w)

    def clipped(span: tuple[int, int]) -> tuple[int, int]:
        rows = slice(*span)
        over = (planes[:, rows] >= level).any(axis=0)
        if not cov.size:
            return int(np.count_nonzero(over)), over.size
        seen = cov[rows] > 0
        return int(np.count_nonzero(over & seen)), int(np.count_nonzero(seen))

    over, seen = np.sum(in_order(clipped, strips(h)), axis=0)
    return float(over / seen) if seen else 0.0


def black_fraction(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> float:
    """Share of covered pixels that lie on the lowest value of their channel: near 0 unless blacks were cut.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear or display.
    coverage : ndarray, shape (H, W), uint8, or None
        0 where a pixel means nothing.

    Returns
    -------
    float
        0 to 1, of the channel that has most of them.
    """
    worst = 0.0
    for plane in planes:
        seen = plane if coverage is None else plane[coverage > 0]
        if seen.size == 0:
            continue
        lowest = seen.min()
        if lowest < seen.max():
            worst = max(worst, float(np.count_nonzero(seen == lowest) / seen.size))
    return worst
