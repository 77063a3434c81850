"""Robust statistics of some values: ranks, spread by the median deviation, where values crowd."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = [
    "BIWEIGHT_REACH",
    "MAD_TO_SIGMA",
    "MEDIAN_PRICE",
    "RAYLEIGH_MEDIAN",
    "closest",
    "count_below",
    "mad_sigma",
    "median_and_spread",
    "median_deviation",
    "parted",
    "ranked",
    "row_medians",
    "shortest_interval",
    "sort",
    "weighted_median",
]

Values = NDArray[np.float32]
R = TypeVar("R", np.float32, np.float64)

#: Standard deviation of a normal distribution over its median absolute deviation, 1 / Phi^-1(3/4).
MAD_TO_SIGMA = 1.482602218505602
#: Standard error of a median over that of a mean, for a normal distribution: sqrt(pi / 2).
MEDIAN_PRICE = float(np.sqrt(np.pi / 2))
#: The median distance of normal errors in the plane, in their standard deviations: sqrt(2 ln 2) (Rayleigh).
RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))
#: Standard deviations from which Tukey's biweight counts nothing: 95 % of the precision of least squares where errors
#: are normal (Beaton & Tukey 1974, Technometrics 16, 147).
BIWEIGHT_REACH = 4.685
#: From so many values on every third tells their spread to two per cent.
_THINNED = 3000
#: Parts shorter than this are sorted by insertion.
_SHORT = 24


@kernel
def _gathered(values: NDArray[Any], weights: Any, bound: Any, or_equal: bool) -> int:
    """Bring the values below ``bound``, or equal to it, to the front; how many there are.

    Each value changes places whether it is one of them or not (Lomuto; Bentley 1986, Programming Pearls): a processor
    guesses half of the comparisons of noise wrong, which takes four times as long as all that moving.
    """
    n = np.uint64(0)  # unsigned, for then no place can mean one counted from the end, which need not be looked for
    for i in range(values.size):
        value = values[i]
        values[i] = values[n]
        values[n] = value
        if weights is not None:
            weight = weights[i]
            weights[i] = weights[n]
            weights[n] = weight
        n += np.uint64(value <= bound if or_equal else value < bound)
    return np.int64(n)  # type: ignore[return-value]


@kernel
def parted(values: NDArray[Any], weights: Any, lo: int, hi: int) -> tuple[int, int]:
    """Part values ``lo`` to ``hi`` by the middle one (Hoare 1961, CACM 4, 321).

    Parameters
    ----------
    values : ndarray, shape (N,)
        Reordered.
    weights : ndarray, shape (N,), or None
        Reordered with them.
    lo, hi : int

    Returns
    -------
    tuple of (int, int)
        The last place of the lower part, and the first of the upper one.
    """
    middle = (lo + hi) // 2
    pivot = values[middle]
    values[middle], values[hi] = values[hi], values[middle]
    if weights is not None:
        weights[middle], weights[hi] = weights[hi], weights[middle]
    k = lo + _gathered(values[lo:hi], None if weights is None else weights[lo:hi], pivot, False)
    values[hi], values[k] = values[k], pivot
    if weights is not None:
        weights[hi], weights[k] = weights[k], weights[hi]
    if k > lo:
        return k - 1, k + 1
    # It is the least: put aside all that equal it, or many equal values would take long.
    rest = None if weights is None else weights[lo + 1 : hi + 1]
    return lo - 1, lo + 1 + _gathered(values[lo + 1 : hi + 1], rest, pivot, True)


@kernel
def ranked(values: NDArray[R], n: int, rank: int) -> R:
    """The ``rank``-th smallest of the first ``n`` values, which are reordered (Hoare 1961, CACM 4, 321).

    Parameters
    ----------
    values : ndarray, shape (N,), float32
        Reordered.
    n : int
        How many of them count.
    rank : int
        From 0.

    Returns
    -------
    float32
    """
    lo, hi = 0, n - 1
    while lo < hi:
        j, i = parted(values, None, lo, hi)
        if rank <= j:
            hi = j
        elif rank >= i:
            lo = i
        else:
            break
    found: R = values[rank]
    return found


@kernel
def sort(values: NDArray[np.float32], n: int) -> None:
    """Sort the first ``n`` values in place (Sedgewick 1978, CACM 21, 847); `numpy.sort` takes longer to compile.

    Parameters
    ----------
    values : ndarray, shape (N,), float32
    n : int
    """
    ends = np.empty((64, 2), np.int64)  # the shorter part goes first, so that 64 last for any n
    ends[0, 0], ends[0, 1] = 0, n - 1
    left = 1
    while left > 0:
        left -= 1
        lo, hi = ends[left, 0], ends[left, 1]
        while hi - lo >= _SHORT:
            j, i = parted(values, None, lo, hi)
            if j - lo < hi - i:
                ends[left, 0], ends[left, 1] = i, hi
                hi = j
            else:
                ends[left, 0], ends[left, 1] = lo, j
                lo = i
            left += 1
    for i in range(1, n):
        value = values[i]
        k = i
        while k > 0 and values[k - 1] > value:
            values[k] = values[k - 1]
            k -= 1
        values[k] = value


@kernel
def count_below(ordered: NDArray[Any], n: int, bound: Any, or_equal: bool) -> int:
    """How many of the first ``n`` values, which are sorted, are below ``bound``, or equal to it.

    Parameters
    ----------
    ordered : ndarray, shape (>= n,)
    n : int
    bound : float
    or_equal : bool
        Whether equal values count.

    Returns
    -------
    int
    """
    lo, hi = 0, n
    while lo < hi:
        middle = (lo + hi) // 2
        if ordered[middle] < bound or (or_equal and ordered[middle] == bound):
            lo = middle + 1
        else:
            hi = middle
    return lo


@kernel
def median_deviation(values: NDArray[np.float32], step: int) -> float:
    """Median absolute deviation of every ``step``-th value (of an even number of them: the upper of the two).

    Parameters
    ----------
    values : ndarray, shape (N,), float32
    step : int
        At least 1.

    Returns
    -------
    float
        Not scaled to a standard deviation.
    """
    picked = values[::step].copy()
    n = picked.size
    middle = ranked(picked, n, n // 2)
    for i in range(n):
        picked[i] = abs(picked[i] - middle)
    deviation: float = np.float64(ranked(picked, n, n // 2))
    return deviation


@kernel
def median_and_spread(values: NDArray[np.float32], n: int, scratch: NDArray[np.float32]) -> tuple[float, float]:
    """Median of the first ``n`` values, and standard deviation from the median absolute deviation.

    Parameters
    ----------
    values : ndarray, shape (N,), float32
    n : int
        How many of them count.
    scratch : ndarray, shape (N,), float32
        Memory of the call; overwritten.

    Returns
    -------
    tuple of (float, float)
    """
    for i in range(n):
        scratch[i] = values[i]
    level = ranked(scratch, n, n // 2)
    for i in range(n):
        scratch[i] = abs(values[i] - level)
    return np.float64(level), MAD_TO_SIGMA * np.float64(ranked(scratch, n, n // 2))


def mad_sigma(values: Values) -> float:
    """Standard deviation from the median absolute deviation; of many values every third is looked at.

    Parameters
    ----------
    values : ndarray, shape (N,)

    Returns
    -------
    float
        In units of the values.
    """
    return MAD_TO_SIGMA * median_deviation(values.ravel(), 1 if values.size < _THINNED else 3)


def row_medians(rows: NDArray[np.float64], count: NDArray[np.int64]) -> NDArray[np.float64]:
    """Median of the numbers in each row: ten times as fast as `numpy.nanmedian` on short rows.

    Parameters
    ----------
    rows : ndarray, shape (N, M), float64
        NaN, or infinite, where there is no number.
    count : ndarray, shape (N,), int64
        How many numbers are in each row, 1 at least.

    Returns
    -------
    ndarray, shape (N,), float64
    """
    ordered, which = np.sort(rows, axis=1), np.arange(len(rows))  # what is no number comes last
    return np.asarray(0.5 * (ordered[which, (count - 1) // 2] + ordered[which, count // 2]))


def weighted_median(values: NDArray[np.float64], weight: NDArray[np.float64]) -> float:
    """The value below which half of the weight lies.

    Parameters
    ----------
    values, weight : ndarray, shape (N,)

    Returns
    -------
    float
        One of the values.
    """
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def shortest_interval(values: NDArray[np.floating], share: float) -> tuple[float, float]:
    """Shortest interval (low, high) that holds ``share`` of the values: where they crowd most.

    Parameters
    ----------
    values : ndarray, shape (N,)
        Finite.
    share : float
        0..1.

    Returns
    -------
    tuple of (float, float)
        In units of the values.
    """
    v = np.sort(np.asarray(values, np.float64).ravel())
    n = int(np.clip(np.ceil(share * v.size), 1, v.size))
    first = closest(v, n)
    return float(v[first]), float(v[first + n - 1])


def closest(ordered: NDArray[np.floating], count: int) -> int:
    """Where the ``count`` values begin that lie closest together; where several are as close, the smallest.

    Parameters
    ----------
    ordered : ndarray, shape (N,)
        Finite, sorted.
    count : int
        1..N.

    Returns
    -------
    int
        Place of the smallest of them.
    """
    return int(np.argmin(ordered[count - 1 :] - ordered[: ordered.size - count + 1]))
