"""Order statistics of large planes by compiled histograms: exact, about one pass over memory a step.

A float32 is turned into an integer that sorts the same way. A first pass counts the upper 16 bits, a second one
the lower 16 bits of the few bins that hold the wanted ranks: any set of quantiles, exact, in two passes, with no
range to guess and no sorted copy.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.errors import WorkbenchError
from workbench.measure.blocks import Coverage, Plane, as_plane, checked_coverage, in_order, strips

__all__ = ["count", "histogram", "median_mad", "quantiles"]

_BINS = 1 << 16  #: as many as a 16-bit file has levels


@kernel
def _key(value: np.float32, scratch: Plane, bits: NDArray[np.uint32]) -> np.uint32:  # pragma: no cover - compiled
    scratch[0] = value
    b = bits[0]
    if b & np.uint32(0x80000000):
        return np.uint32(~b)
    return np.uint32(b | np.uint32(0x80000000))


@kernel
def _count_upper(strip: Plane, coverage: Coverage, center: float, folded: bool, counts: NDArray[np.int64]) -> None:
    scratch = np.empty(1, np.float32)
    bits = scratch.view(np.uint32)
    masked = coverage.size > 0
    c = np.float32(center)
    for y in range(strip.shape[0]):
        for x in range(strip.shape[1]):
            if masked and coverage[y, x] == 0:
                continue
            v = strip[y, x]
            if not np.isfinite(v):
                continue
            if folded:
                v = abs(v - c)
            counts[_key(v, scratch, bits) >> np.uint32(16)] += 1


@kernel
def _count_lower(
    strip: Plane,
    coverage: Coverage,
    center: float,
    folded: bool,
    slot_of: NDArray[np.int16],
    counts: NDArray[np.int64],
) -> None:
    scratch = np.empty(1, np.float32)
    bits = scratch.view(np.uint32)
    masked = coverage.size > 0
    c = np.float32(center)
    for y in range(strip.shape[0]):
        for x in range(strip.shape[1]):
            if masked and coverage[y, x] == 0:
                continue
            v = strip[y, x]
            if not np.isfinite(v):
                continue
            if folded:
                v = abs(v - c)
            key = _key(v, scratch, bits)
            slot = slot_of[key >> np.uint32(16)]
            if slot >= 0:
                counts[slot, key & np.uint32(0xFFFF)] += 1


@kernel
def _count_linear(strip: Plane, coverage: Coverage, low: float, per_unit: float, counts: NDArray[np.int64]) -> None:
    masked = coverage.size > 0
    n = counts.size
    for y in range(strip.shape[0]):
        for x in range(strip.shape[1]):
            if masked and coverage[y, x] == 0:
                continue
            t = (strip[y, x] - low) * per_unit
            if 0 <= t < n:
                counts[int(t)] += 1


def _values(keys: NDArray[np.uint32]) -> NDArray[np.float64]:
    """Floats back from their sortable keys."""
    high = np.uint32(0x80000000)
    bits = np.where(keys & high, keys ^ high, ~keys)
    return bits.astype(np.uint32).view(np.float32).astype(np.float64)


def _order_statistics(
    plane: Plane, coverage: Coverage, ranks_of: list[float] | None, about: float | None
) -> tuple[int, NDArray[np.float64]]:
    rows = strips(plane.shape[0])
    center, folded = (0.0, False) if about is None else (float(about), True)

    def upper(span: tuple[int, int]) -> NDArray[np.int64]:
        counts = np.zeros(_BINS, np.int64)
        strip = np.ascontiguousarray(plane[span[0] : span[1]])
        _count_upper(strip, coverage[span[0] : span[1]], center, folded, counts)
        return counts

    total = sum(in_order(upper, rows), np.zeros(_BINS, np.int64))
    n = int(total.sum())
    if n == 0 or not ranks_of:
        return n, np.full(2 * len(ranks_of or []), np.nan)
    below = np.concatenate([[0], np.cumsum(total)])
    position = np.asarray(ranks_of, np.float64) * (n - 1)
    ranks = np.stack([np.floor(position), np.ceil(position)], axis=1).astype(np.int64).ravel()
    bins = np.searchsorted(below, ranks, side="right") - 1
    wanted, slots = np.unique(bins, return_inverse=True)
    slot_of = np.full(_BINS, -1, np.int16)
    slot_of[wanted] = np.arange(wanted.size, dtype=np.int16)

    def lower(span: tuple[int, int]) -> NDArray[np.int64]:
        counts = np.zeros((wanted.size, _BINS), np.int64)
        strip = np.ascontiguousarray(plane[span[0] : span[1]])
        _count_lower(strip, coverage[span[0] : span[1]], center, folded, slot_of, counts)
        return counts

    fine = np.cumsum(sum(in_order(lower, rows), np.zeros((wanted.size, _BINS), np.int64)), axis=1)
    low = np.array(
        [np.searchsorted(fine[s], r - below[b], side="right") for s, r, b in zip(slots, ranks, bins, strict=True)]
    )
    return n, _values(((bins << 16) | low).astype(np.uint32))


def quantiles(
    plane: NDArray[np.float32],
    probabilities: Sequence[float],
    coverage: NDArray[np.uint8] | None = None,
    *,
    about: float | None = None,
) -> NDArray[np.float64]:
    """Exact quantiles of a plane's covered, finite pixels, as ``numpy.quantile`` with linear interpolation.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    probabilities : sequence of float
        Each in 0..1.
    coverage : ndarray, shape (H, W), uint8, optional
        Pixels with 0 are left out.
    about : float, optional
        When given, quantiles of ``abs(plane - about)`` (float32 arithmetic) instead.

    Returns
    -------
    ndarray, shape (len(probabilities),), float64

    Raises
    ------
    WorkbenchError
        When no pixel is covered.

    Notes
    -----
    Two passes; about 0.05 s for 24 million pixels on two cores, no copy of the plane.
    """
    plane = as_plane(plane)
    if any(not 0 <= p <= 1 for p in probabilities):
        raise WorkbenchError(f"quantile probabilities lie in 0..1, not {list(probabilities)}")
    cov = checked_coverage(coverage, *plane.shape)
    n, found = _order_statistics(plane, cov, list(probabilities), about)
    if n == 0:
        raise WorkbenchError("the frame has no covered pixel to measure")
    position = np.asarray(probabilities, np.float64) * (n - 1)
    low, high = found[0::2], found[1::2]
    result: NDArray[np.float64] = low + (high - low) * (position - np.floor(position))
    return result


def median_mad(plane: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> tuple[float, float]:
    """Exact median and median absolute deviation (not scaled) of a plane's covered pixels.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    tuple of (float, float)
        In units of the plane.
    """
    median = float(quantiles(plane, [0.5], coverage)[0])
    return median, float(quantiles(plane, [0.5], coverage, about=median)[0])


def count(plane: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> int:
    """How many pixels are covered and finite.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    int
    """
    plane = as_plane(plane)
    return _order_statistics(plane, checked_coverage(coverage, *plane.shape), None, None)[0]


def histogram(
    plane: NDArray[np.float32],
    low: float,
    high: float,
    bins: int,
    coverage: NDArray[np.uint8] | None = None,
) -> NDArray[np.int64]:
    """Counts of covered pixels in ``bins`` equal bins from ``low`` to ``high`` (values outside are left out).

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    low, high : float
        Ends of the range, in units of the plane.
    bins : int
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    ndarray, shape (bins,), int64
    """
    plane = as_plane(plane)
    cov = checked_coverage(coverage, *plane.shape)

    def part(span: tuple[int, int]) -> NDArray[np.int64]:
        counts = np.zeros(bins, np.int64)
        strip = np.ascontiguousarray(plane[span[0] : span[1]])
        _count_linear(strip, cov[span[0] : span[1]], low, bins / (high - low), counts)
        return counts

    return sum(in_order(part, strips(plane.shape[0])), np.zeros(bins, np.int64))
