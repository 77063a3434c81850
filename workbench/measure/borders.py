"""Ragged borders of a stack: where fewer frames overlap, or none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage

__all__ = ["Borders", "find_borders", "largest_rectangle"]


@dataclass(frozen=True, slots=True)
class Borders:
    """Rows and columns to take off on each side, in pixels."""

    top: int
    right: int
    bottom: int
    left: int

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {"top": self.top, "right": self.right, "bottom": self.bottom, "left": self.left}


@kernel
def _largest(mask: NDArray[np.uint8]) -> tuple[int, int, int, int]:
    """Largest rectangle (y0, x0, y1, x1) of nonzero pixels: growing columns and a stack of open rectangles."""
    h, w = mask.shape
    height = np.zeros(w + 1, np.int64)
    stack = np.empty(w + 2, np.int64)
    best = 0
    y0 = x0 = y1 = x1 = 0
    for y in range(h):
        top = 0
        for x in range(w + 1):
            if x < w:
                height[x] = height[x] + 1 if mask[y, x] else 0
            while top > 0 and height[stack[top - 1]] >= height[x]:
                tall = height[stack[top - 1]]
                top -= 1
                left = stack[top - 1] + 1 if top > 0 else 0
                area = tall * (x - left)
                if area > best:
                    best = area
                    y0, x0, y1, x1 = y + 1 - tall, left, y + 1, x
            stack[top] = x
            top += 1
    return y0, x0, y1, x1


def largest_rectangle(mask: NDArray[Any]) -> tuple[int, int, int, int]:
    """Largest rectangle of true pixels as (y0, x0, y1, x1), end exclusive; all zero when there is none."""
    y0, x0, y1, x1 = _largest(np.ascontiguousarray(mask).astype(np.uint8))
    return int(y0), int(x0), int(y1), int(x1)


@kernel
def _same_as_neighbours(planes: Planes, out: NDArray[np.uint8]) -> None:
    """1 where a pixel equals its 3 x 3 neighbours in every channel, to the last bit."""
    c, h, w = planes.shape
    for y in range(h):
        for x in range(w):
            same = True
            for k in range(c):
                v = planes[k, y, x]
                for i in range(max(y - 1, 0), min(y + 2, h)):
                    for j in range(max(x - 1, 0), min(x + 2, w)):
                        if planes[k, i, j] != v:
                            same = False
                            break
                    if not same:
                        break
                if not same:
                    break
            out[y, x] = 1 if same else 0


def _outer_constant(planes: Planes) -> NDArray[np.uint8]:
    """1 in areas of one constant value that reach the frame's edge (margins that no frame covers)."""
    _, h, w = planes.shape
    flat = np.empty((h, w), np.uint8)
    _same_as_neighbours(planes, flat)
    if not flat.any():
        return flat
    _, labels = cv2.connectedComponents(flat, connectivity=8)
    edge = np.unique(np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]]))
    touching = np.zeros(int(labels.max()) + 1, np.uint8)
    touching[edge[edge > 0]] = 1
    # The outermost ring of a constant area has other neighbours: grow it back.
    return cv2.dilate(touching[labels], np.ones((3, 3), np.uint8)).astype(np.uint8)


def _full_coverage(coverage: Coverage) -> NDArray[np.uint8]:
    seen = coverage[coverage > 0]
    if seen.size == 0:
        return np.zeros(coverage.shape, np.uint8)
    full = np.percentile(seen, 90)
    return (coverage >= 0.9 * full).astype(np.uint8)


def find_borders(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> Borders:
    """Borders to crop so that every pixel left is covered by all frames."""
    planes = as_planes(planes)
    _, h, w = planes.shape
    cov = checked_coverage(coverage, h, w)
    good = _outer_constant(planes) == 0
    if cov.size:
        good &= _full_coverage(cov) > 0
    if good.all() or not good.any():
        return Borders(0, 0, 0, 0)
    y0, x0, y1, x1 = largest_rectangle(good)
    return Borders(y0, w - x1, h - y1, x0)
