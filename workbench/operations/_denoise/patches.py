"""Patches of a frame, and how much the values in one spread once stars and structure are set aside."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["patches", "pixel_noise", "plain", "spread", "tamed", "thinned"]

_PATCH = 192
_ROWS, _COLUMNS = 5, 8
_CELL = 8  # pixels averaged for the surroundings of stars
_ENOUGH = 7001  # values that give a median to some per cent; patches are many


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


def thinned(values: NDArray[Any], where: NDArray[np.bool_] | None = None) -> NDArray[Any]:
    """Every n-th value of a patch, flat, as far as it lies ``where``: enough for a median.

    Places are chosen before ``where`` is asked. Chosen among what is left, all of them would be others once a single
    pixel more is left out, and last bits of another processor would become a per cent of noise.
    """
    every = max(1, values.size // _ENOUGH)
    chosen = values.ravel()[::every]
    return chosen if where is None else chosen[where.ravel()[::every]]


def spread(values: NDArray[Any], where: NDArray[np.bool_] | None = None) -> float:
    """Standard deviation of a patch's values about zero, from the median of their sizes; 0 where there are none."""
    few = thinned(values, where)
    return MAD_TO_SIGMA * float(np.median(np.abs(few))) if few.size else 0.0


def tamed(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """A patch with stars cut down, or their wings would ring through the coarse scales."""
    height, width = plane.shape
    base: NDArray[np.float32] = np.full_like(plane, np.median(thinned(plane)))
    if min(height, width) >= 6 * _CELL:
        small = cv2.resize(plane, (width // _CELL, height // _CELL), interpolation=cv2.INTER_AREA)
        base = np.asarray(cv2.resize(cv2.medianBlur(small, 5), (width, height), interpolation=cv2.INTER_LINEAR))
    rest = plane - base
    room = np.float32(4 * spread(rest))
    return np.asarray(base + np.clip(rest, -room, room))


def plain(waves: list[NDArray[np.float32]]) -> NDArray[np.bool_]:
    """Where a patch shows no star and no edge."""
    middle = waves[1] + waves[2]
    bright = (np.abs(middle) > 3.5 * spread(middle)).astype(np.uint8)
    flat = cv2.dilate(bright, np.ones((7, 7), np.uint8)) == 0
    return flat if np.count_nonzero(flat) >= flat.size // 8 else np.ones_like(flat)


def pixel_noise(waves: list[NDArray[np.float32]], flat: NDArray[np.bool_]) -> float:
    """Spread of a pixel: three scales hold all but a few per cent of noise, and structure when they hold much more."""
    two = waves[0] + waves[1]
    return min(spread(two + waves[2], flat), 1.2 * spread(two, flat)) * 1.03
