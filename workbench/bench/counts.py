"""Counting a view's pixels by value, for the histogram."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["histogram", "histogram_reference"]

#: Bins of a histogram.
_BINS = 256


@kernel
def _count(plane: NDArray[np.float32], per_unit: np.float32, counts: NDArray[np.int64]) -> None:
    last = np.float32(counts.size - 1)
    for y in range(plane.shape[0]):
        for x in range(plane.shape[1]):
            place = min(max(plane[y, x] * per_unit, np.float32(0)), last)
            counts[np.uint32(place)] += 1


def histogram(planes: NDArray[np.float32], top: float) -> list[list[int]]:
    """Counts of each channel in 256 equal bins of 0..``top``; values outside go to the end bins.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    top : float
    """
    counts = np.zeros((len(planes), _BINS), np.int64)
    for plane, row in zip(planes, counts, strict=True):
        _count(plane, np.float32(_BINS / top), row)
    told: list[list[int]] = counts.tolist()
    return told


def histogram_reference(planes: NDArray[np.float32], top: float) -> list[list[int]]:
    """What `histogram` counts, in plain numpy."""
    codes = np.clip(planes * np.float32(_BINS / top), 0, _BINS - 1).astype(np.uint8)
    return [np.bincount(plane.ravel(), minlength=_BINS).tolist() for plane in codes]
