"""Robust statistics of some values: ranks, spread by the median deviation, where values crowd."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["MAD_TO_SIGMA", "mad_sigma", "median_and_spread", "median_deviation", "ranked", "shortest_interval"]

Values = NDArray[np.float32]

#: Standard deviation of a normal distribution over its median absolute deviation, 1 / Phi^-1(3/4).
MAD_TO_SIGMA = 1.482602218505602
#: From so many values on every third tells their spread to two per cent.
_THINNED = 3000


@kernel
def ranked(values: NDArray[np.float32], n: int, rank: int) -> np.float32:
    """The ``rank``-th smallest of the first ``n`` values, which are reordered (Hoare 1961, CACM 4, 321)."""
    lo, hi = 0, n - 1
    while lo < hi:
        pivot = values[(lo + hi) // 2]
        i, j = lo, hi
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if rank <= j:
            hi = j
        elif rank >= i:
            lo = i
        else:
            break
    found: np.float32 = values[rank]
    return found


@kernel
def median_deviation(values: NDArray[np.float32], step: int) -> float:
    """Median absolute deviation of every ``step``-th value (of an even number of them: the upper of the two)."""
    picked = values[::step].copy()
    n = picked.size
    middle = ranked(picked, n, n // 2)
    for i in range(n):
        picked[i] = abs(picked[i] - middle)
    deviation: float = np.float64(ranked(picked, n, n // 2))
    return deviation


@kernel
def median_and_spread(values: NDArray[np.float32], n: int, scratch: NDArray[np.float32]) -> tuple[float, float]:
    """Median of the first ``n`` values, and standard deviation from the median absolute deviation."""
    scratch[:n] = values[:n]
    level = ranked(scratch, n, n // 2)
    for i in range(n):
        scratch[i] = abs(values[i] - level)
    return np.float64(level), MAD_TO_SIGMA * np.float64(ranked(scratch, n, n // 2))


def mad_sigma(values: Values) -> float:
    """Standard deviation from the median absolute deviation; of many values every third is looked at."""
    return MAD_TO_SIGMA * median_deviation(values.ravel(), 1 if values.size < _THINNED else 3)


def shortest_interval(values: NDArray[np.floating], share: float) -> tuple[float, float]:
    """Shortest interval (low, high) that holds ``share`` of the values: where they crowd most."""
    v = np.sort(np.asarray(values, np.float64).ravel())
    n = int(np.clip(np.ceil(share * v.size), 1, v.size))
    first = int(np.argmin(v[n - 1 :] - v[: v.size - n + 1]))
    return float(v[first]), float(v[first + n - 1])
