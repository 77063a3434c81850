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

from workbench.measure.statistics import MAD_TO_SIGMA

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
Weights = NDArray[np.float32]

_PATCH = 192
_ROWS, _COLUMNS = 5, 8
_CELL = 8  # pixels averaged for the surroundings of stars
_ENOUGH = 7001  # values that give a median to some per cent; patches are many
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


def middle(values: Values, weights: Values | None = None) -> float:
    """Mean of the tenth of the values (n,) around the middle one, each as many values as its weight, 0 to 1.

    A median would jump from value to value as weights change, and change its mind when two values change places.
    """
    n = values.size
    if n == 0:
        return 0.0
    if weights is None:
        low, high = (n * (0.5 + side * _MIDDLE / 2) for side in (-1, 1))
        first, last = int(low), int(np.ceil(high)) - 1
        few = np.partition(values, (first, last))[first : last + 1].astype(np.float64)
        return float((few.sum() - (low - first) * few[0] - (last + 1 - high) * few[-1]) / (high - low))
    total = float(weights.sum(dtype=np.float64))
    # Weights are at most 1: these ranks enclose what is wanted, and only what lies between them need be sorted.
    first = max(int((0.5 - _MIDDLE / 2) * total) - 1, 0)
    last = min(int((0.5 + _MIDDLE / 2) * total + n - total) + 1, n - 1)
    parts = np.argpartition(values, (first, last))
    inner = parts[first : last + 1]
    inner = inner[np.argsort(values[inner])]
    below = weights[parts[:first]].sum(dtype=np.float64)
    return _mean_around(values[inner], below + np.cumsum(weights[inner], dtype=np.float64), 0.5, total)


def middles(values: Values, weights: Values, at: Values) -> NDArray[np.float64]:
    """`middle` of many: around quantiles ``at`` (m,), by a row of ``weights`` (m, n) for each or (1, n) for all."""
    order = np.argsort(values)
    ordered = values[order]
    ends = [np.cumsum(row[order], dtype=np.float64) for row in weights]
    total = [float(row[-1]) if row.size else 0.0 for row in ends]
    rows = [min(k, len(ends) - 1) for k in range(len(at))]
    return np.array([_mean_around(ordered, ends[k], q, total[k]) for k, q in zip(rows, at, strict=True)])


def _mean_around(ordered: Values, ends: Values, quantile: float, total: float) -> float:
    """Mean of the tenth of ordered values around a quantile, given the weight up to and including each; 0 of none."""
    low, high = (total * min(max(quantile + side * _MIDDLE / 2, 0), 1) for side in (-1, 1))
    if not high > low:
        return 0.0
    first, last = np.searchsorted(ends, (low, high))
    parts = np.diff(np.clip(ends[first : last + 1], low, high), prepend=low)
    return float(parts @ ordered[first : last + 1].astype(np.float64)) / float(parts.sum())


def spread(values: Values, weights: Weights | None = None) -> float:
    """Standard deviation of a patch's values about zero, from the middle one of their sizes; 0 where there are none."""
    return MAD_TO_SIGMA * middle(np.abs(thinned(values)), None if weights is None else thinned(weights))


def tamed(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """A patch with stars cut down, or their wings would ring through the coarse scales."""
    height, width = plane.shape
    if min(height, width) < 6 * _CELL:
        base = np.full_like(plane, middle(thinned(plane)))
    else:
        rows, columns = height // _CELL, width // _CELL
        cells = plane[: rows * _CELL, : columns * _CELL].reshape(rows, _CELL, columns, _CELL)
        cells = cells.mean(axis=(1, 3), dtype=np.float64).astype(np.float32)
        base = _enlarged(_enlarged(cv2.medianBlur(cells, 5), height).T, width).T
    rest = plane - base
    room = np.float32(4 * spread(rest))
    return np.asarray(base + np.clip(rest, -room, room))


def _enlarged(cells: NDArray[np.float32], size: int) -> NDArray[np.float32]:
    """Rows of cells brought to ``size`` rows by straight lines between their middles."""
    at = np.clip((np.arange(size) + 0.5) / _CELL - 0.5, 0, len(cells) - 1)
    first = np.minimum(at.astype(int), len(cells) - 2)
    return np.asarray(cells[first] + (at - first).astype(np.float32)[:, None] * (cells[first + 1] - cells[first]))


def plain(waves: list[NDArray[np.float32]]) -> Weights:
    """How surely (0 to 1) the pixels of a patch show no star and no edge."""
    waist = waves[1] + waves[2]
    bright = between(np.abs(waist) / max(spread(waist), 1e-30), *_STRUCTURE).astype(np.float32)
    flat = 1 - np.asarray(cv2.dilate(bright, np.ones((7, 7), np.uint8)))
    enough = np.float32(between(flat.mean(dtype=np.float64), *_FEWEST))
    return np.asarray(1 - enough + enough * flat, np.float32)


def pixel_noise(waves: list[NDArray[np.float32]], flat: Weights) -> float:
    """Spread of a pixel: three scales hold all but a few per cent of noise, and structure when they hold much more."""
    two = waves[0] + waves[1]
    return min(spread(two + waves[2], flat), 1.2 * spread(two, flat)) * 1.03
