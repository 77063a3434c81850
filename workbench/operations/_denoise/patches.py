"""Patches of a frame, and how much the values in one spread once stars and structure are set aside.

Nothing here jumps: what is set aside fades out, and middles are means of the values around the middle one. So what
another processor did to the last bit of a pixel does no more to what is measured; and nothing here is left to a library
whose last bits depend on the processor.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.statistics import MAD_TO_SIGMA, parted

__all__ = [
    "between",
    "middle",
    "middles",
    "patches",
    "pixel_noise",
    "plain",
    "spread",
    "tamed",
    "thinned",
]

Values = NDArray[Any]
Floats = NDArray[np.float64]
Plane = NDArray[np.float32]
Weights = NDArray[np.float32]

_PATCH = 192  #: px of a side of what is measured at a time
_ROWS, _COLUMNS = 5, 8  #: patches over the frame
_CELL = 8  # pixels averaged for the surroundings of stars
_ENOUGH = 7001  # values that give a median to some per cent; patches are many
_SHORT = 24  # values from which on they are parted before they are sorted
_MIDDLE = 0.1  # share of the values, around the middle one, whose mean stands for it
_STRUCTURE = (3.0, 4.0)  # times the spread of the middle scales over which a pixel comes to count as star or edge
_FEWEST = (1 / 16, 1 / 8)  # share of a patch over which what shows no structure comes to speak for all of it


def patches(height: int, width: int, covered: NDArray[np.bool_] | None) -> list[tuple[slice, slice]]:
    """Patches spread evenly over the frame and wholly covered; smaller ones where none of the first size is."""
    size = _PATCH
    while size >= 16:
        h, w = min(size, height), min(size, width)
        rows = np.unique(np.linspace(0, height - h, min(_ROWS, max(1, height // h))).round().astype(int))
        columns = np.unique(np.linspace(0, width - w, min(_COLUMNS, max(1, width // w))).round().astype(int))
        boxes = [np.s_[int(y) : int(y) + h, int(x) : int(x) + w] for y in rows for x in columns]
        if covered is not None:
            boxes = [box for box in boxes if covered[box].all()]
        if boxes:
            return boxes
        size //= 2
    return []


def thinned(values: Values) -> Values:
    """Every n-th value of a patch, flat: enough for a median."""
    return values.ravel()[:: max(1, values.size // _ENOUGH)]


def between(values: Values, low: float, high: float) -> NDArray[np.float64]:
    """How far values have come from ``low`` (0) to ``high`` (1)."""
    return np.clip((np.asarray(values, np.float64) - low) / (high - low), 0, 1)


@kernel
def _inserted(values: Floats, weights: Floats, lo: int, hi: int) -> None:
    """Sort values ``lo`` to ``hi``, few of them."""
    for i in range(lo + 1, hi + 1):
        value, weight = values[i], weights[i]
        k = i
        while k > lo and values[k - 1] > value:
            values[k], weights[k] = values[k - 1], weights[k - 1]
            k -= 1
        values[k], weights[k] = value, weight


@kernel
def _arrange(values: Floats, weights: Floats, first: int, last: int) -> None:
    """Reorder values, and weights with them, so that places ``first`` to ``last`` hold what sorting would put there."""
    ends = np.empty((64, 2), np.int64)  # the shorter part goes first, so that 64 last for any number
    ends[0, 0], ends[0, 1] = 0, values.size - 1
    left = 1
    while left > 0:
        left -= 1
        lo, hi = ends[left, 0], ends[left, 1]
        while hi - lo >= _SHORT and hi >= first and lo <= last:
            j, i = parted(values, weights, lo, hi)
            if j - lo < hi - i:
                ends[left, 0], ends[left, 1] = i, hi
                hi = j
            else:
                ends[left, 0], ends[left, 1] = lo, j
                lo = i
            left += 1
        if hi - lo < _SHORT:
            _inserted(values, weights, lo, hi)


@kernel
def _mean_around(ordered: Floats, weights: Floats, first: int, below: float, quantile: float, total: float) -> float:
    """Mean of the tenth of ordered values around a quantile, from place ``first`` on, ``below`` lying before it."""
    low = total * min(max(quantile - 0.5 * _MIDDLE, 0.0), 1.0)
    high = total * min(max(quantile + 0.5 * _MIDDLE, 0.0), 1.0)
    end, weight, sum_ = below, 0.0, 0.0
    for k in range(first, ordered.size):
        start = max(end, low)
        end += weights[k]
        part = min(end, high) - start
        if part > 0.0:
            weight += part
            sum_ += part * ordered[k]
        if end >= high:
            break
    return sum_ / weight if weight > 0.0 else 0.0


@kernel
def _middle(values: Floats, weights: Floats) -> float:
    """`middle` of values, which are reordered, and their weights with them."""
    total = 0.0
    for weight in weights:
        total += weight
    # Weights are at most 1: these places enclose what is wanted, and only what lies between them need be sorted.
    first = max(int((0.5 - 0.5 * _MIDDLE) * total) - 1, 0)
    last = min(int((0.5 + 0.5 * _MIDDLE) * total + values.size - total) + 1, values.size - 1)
    _arrange(values, weights, first, last)
    below = 0.0
    for k in range(first):
        below += weights[k]
    return _mean_around(values, weights, first, below, 0.5, total)


@kernel
def _middles(ordered: Floats, weights: Floats, at: Floats, out: Floats) -> None:
    for k in range(at.size):
        row = weights[min(k, weights.shape[0] - 1)]
        total = 0.0
        for weight in row:
            total += weight
        out[k] = _mean_around(ordered, row, 0, 0.0, at[k], total)


def middle(values: Values, weights: Values | None = None) -> float:
    """Mean of the tenth of the values (n,) around the middle one, each as many values as its weight, 0 to 1.

    A median would jump from value to value as weights change, and change its mind when two values change places.
    """
    if values.size == 0:
        return 0.0
    counted = np.ones(values.size) if weights is None else np.array(weights, np.float64)
    return float(_middle(np.array(values, np.float64), counted))


def middles(values: Values, weights: Values, at: Floats) -> Floats:
    """`middle` of many: around quantiles ``at`` (m,), by a row of ``weights`` (m, n) for each or (1, n) for all."""
    order, out = np.argsort(values), np.empty(at.size)
    ordered = values[order].astype(np.float64)
    _middles(ordered, np.ascontiguousarray(weights[:, order], np.float64), at, out)
    return out


def spread(values: Values, weights: Weights | None = None) -> float:
    """Standard deviation of a patch's values about zero, from the middle one of their sizes; 0 where there are none."""
    return MAD_TO_SIGMA * middle(np.abs(thinned(values)), None if weights is None else thinned(weights))


@kernel
def _cell_means(plane: Plane, cells: Plane) -> None:
    for row in range(cells.shape[0]):
        for column in range(cells.shape[1]):
            total = 0.0
            for y in range(row * _CELL, (row + 1) * _CELL):
                for x in range(column * _CELL, (column + 1) * _CELL):
                    total += plane[y, x]
            cells[row, column] = total / _CELL**2


@kernel
def _enlarged(cells: Plane, out: Plane) -> None:
    """Cells brought to the size of ``out`` by straight lines between their middles."""
    rows, columns = cells.shape
    line = np.empty(columns, np.float32)
    for y in range(out.shape[0]):
        at = min(max((y + 0.5) / _CELL - 0.5, 0.0), rows - 1.0)
        row = min(int(at), rows - 2)
        share = np.float32(at - row)
        for column in range(columns):
            line[column] = cells[row, column] + share * (cells[row + 1, column] - cells[row, column])
        for x in range(out.shape[1]):
            at = min(max((x + 0.5) / _CELL - 0.5, 0.0), columns - 1.0)
            column = min(int(at), columns - 2)
            out[y, x] = line[column] + np.float32(at - column) * (line[column + 1] - line[column])


def tamed(plane: Plane) -> Plane:
    """A patch with stars cut down, or their wings would ring through the coarse scales."""
    height, width = plane.shape
    base = np.empty((height, width), np.float32)
    if min(height, width) < 6 * _CELL:
        base.fill(middle(thinned(plane)))
    else:
        cells = np.empty((height // _CELL, width // _CELL), np.float32)
        _cell_means(np.ascontiguousarray(plane), cells)
        _enlarged(np.asarray(cv2.medianBlur(cells, 5), np.float32), base)
    rest = plane - base
    room = np.float32(4 * spread(rest))
    base += np.clip(rest, -room, room, out=rest)
    return base


def plain(waves: list[Plane]) -> Weights:
    """How surely (0 to 1) the pixels of a patch show no star and no edge."""
    waist = waves[1] + waves[2]
    low, high = _STRUCTURE
    bright = np.abs(waist)
    bright *= np.float32(1 / (max(spread(waist), 1e-30) * (high - low)))
    bright -= np.float32(low / (high - low))
    np.clip(bright, 0, 1, out=bright)
    flat = 1 - np.asarray(cv2.dilate(bright, np.ones((7, 7), np.uint8)))
    enough = np.float32(between(flat.mean(dtype=np.float64), *_FEWEST))
    return np.asarray(1 - enough + enough * flat, np.float32)


def pixel_noise(waves: list[Plane], flat: Weights) -> float:
    """Spread of a pixel: three scales hold all but a few per cent of noise, and structure when they hold much more."""
    two = waves[0] + waves[1]
    return min(spread(two + waves[2], flat), 1.2 * spread(two, flat)) * 1.03
