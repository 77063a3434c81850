"""Ragged borders of a stack: where fewer frames overlap, or none."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage
from workbench.measure.borders.noise_edges import noise_depths

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
def _largest(mask: NDArray[np.uint8], tall: NDArray[np.int64], edge: NDArray[np.int64]) -> tuple[int, int, int, int]:
    """Largest rectangle (y0, x0, y1, x1) of nonzero cells, by growing columns and a stack of open rectangles.

    Row ``i`` of the mask stands for ``tall[i]`` rows of pixels, column ``j`` for the pixels from ``edge[j]`` to
    ``edge[j + 1]``.
    """
    rows, columns = mask.shape
    height = np.zeros(columns + 1, np.int64)
    stack = np.empty(columns + 2, np.int64)
    best = y1 = 0
    found = (0, 0, 0, 0)
    for i in range(rows):
        top = 0
        y1 += tall[i]
        for j in range(columns + 1):
            if j < columns:
                height[j] = height[j] + tall[i] if mask[i, j] else 0
            while top > 0 and height[stack[top - 1]] >= height[j]:
                rise = height[stack[top - 1]]
                top -= 1
                left = edge[stack[top - 1] + 1] if top > 0 else 0
                if rise * (edge[j] - left) > best:
                    best = rise * (edge[j] - left)
                    found = (y1 - rise, left, y1, edge[j])
            stack[top] = j
            top += 1
    return found


def _changes(mask: NDArray[np.uint8]) -> NDArray[np.int64]:
    """First rows of runs of equal rows, and the end."""
    return np.concatenate([[0], np.flatnonzero((mask[1:] != mask[:-1]).any(axis=1)) + 1, [len(mask)]])


def largest_rectangle(mask: NDArray[Any]) -> tuple[int, int, int, int]:
    """Largest rectangle of true pixels as (y0, x0, y1, x1), end exclusive; all zero when there is none.

    Equal rows, then equal columns, are taken as one: the plain inside of a frame costs next to nothing.
    """
    mask = np.asarray(mask, np.uint8)
    y = _changes(mask)
    mask = mask[y[:-1]]
    x = _changes(mask.T)
    y0, x0, y1, x1 = _largest(np.ascontiguousarray(mask[:, x[:-1]]), np.diff(y), x)
    return int(y0), int(x0), int(y1), int(x1)


@kernel
def _same_as_neighbors(planes: Planes, out: NDArray[np.uint8]) -> None:
    """1 where a pixel equals its 3 x 3 neighbors in every channel, to the last bit."""
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
    lines = _constant_lines(planes)
    if not _flat_at_edge(planes):
        return lines
    flat = np.empty(planes.shape[1:], np.uint8)
    _same_as_neighbors(planes, flat)
    # The outermost ring of a constant area has other neighbors: grow it back.
    return np.asarray(cv2.dilate(_reaching_edge(flat), np.ones((3, 3), np.uint8)), np.uint8) | lines


def _flat_at_edge(planes: Planes) -> bool:
    """Whether a pixel on the frame's edge equals its neighbors: without one, no constant area reaches the edge."""
    for turned in (planes, planes[:, ::-1], planes.transpose(0, 2, 1), planes[:, :, ::-1].transpose(0, 2, 1)):
        edge = np.ascontiguousarray(turned[:, :2])
        flat = np.empty(edge.shape[1:], np.uint8)
        _same_as_neighbors(edge, flat)
        if flat[0].any():
            return True
    return False


def _constant_lines(planes: Planes) -> NDArray[np.uint8]:
    """1 in whole rows and columns of one value at the frame's edge, which may be too thin to have such neighbors."""
    out = np.zeros(planes.shape[1:], np.uint8)
    for turned, mask in ((planes, out), (planes.transpose(0, 2, 1), out.T)):
        for step in (1, -1):
            rows, marked = turned[:, ::step], mask[::step]
            for y in range(rows.shape[1]):
                if not (rows[:, y] == rows[:, y, :1]).all():
                    break
                marked[y] = 1
    return out


def _reaching_edge(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The areas of a mask that reach the frame's edge: a hole inside the frame is no border."""
    out = np.zeros_like(mask)
    # An area lies within one run of rows that hold any of it: most runs are small and far from the edge.
    busy = np.concatenate([[False], mask.any(axis=1), [False]])
    for y0, y1 in np.flatnonzero(busy[1:] != busy[:-1]).reshape(-1, 2).tolist():
        part = mask[y0:y1]
        first, last = part[: int(y0 == 0)], part[len(part) - int(y1 == len(mask)) :]
        if not (part[:, 0].any() or part[:, -1].any() or first.any() or last.any()):
            continue
        _, labels = cv2.connectedComponents(part, connectivity=8)
        touching = np.zeros(int(labels.max()) + 1, np.uint8)
        touching[labels[:, 0]] = touching[labels[:, -1]] = 1
        touching[labels[: len(first)]] = touching[labels[len(part) - len(last) :]] = 1
        touching[0] = 0
        out[y0:y1] = touching[labels]
    return out


def _full_coverage(coverage: Coverage) -> NDArray[np.uint8]:
    seen = coverage[coverage > 0]
    if seen.size == 0:
        return np.zeros(coverage.shape, np.uint8)
    full = np.percentile(seen, 90)
    return np.asarray(coverage >= 0.9 * full, np.uint8)


def _alike(depths: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Ranges along a last axis in which nothing changes."""
    ends = np.flatnonzero((np.diff(depths, axis=1) != 0).any(axis=0)) + 1
    return list(pairwise([0, *ends.tolist(), depths.shape[1]]))


def _within(good: NDArray[np.uint8], planes: Planes) -> NDArray[np.uint8]:
    """``good`` without the borders that noise tells."""
    _, h, w = planes.shape
    top, right, bottom, left = noise_depths(planes, (1 - good).astype(np.uint8))
    if not any(side.any() for side in (top, right, bottom, left)):
        return good
    for x0, x1 in _alike(np.stack([top, bottom])):
        good[: top[x0], x0:x1] = 0
        good[h - bottom[x0] :, x0:x1] = 0
    for y0, y1 in _alike(np.stack([left, right])):
        good[y0:y1, : left[y0]] = 0
        good[y0:y1, w - right[y0] :] = 0
    return good


def find_borders(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> Borders:
    """Borders to crop so that what is left was recorded by (nearly) all frames.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W) or (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        Share of the frames that recorded a pixel, 255 = all. When it is graded it is believed; when it only tells
        covered from uncovered, the noise is asked too.

    Returns
    -------
    Borders
        Around the largest upright rectangle; zeros when there is no border, or no such rectangle.

    Notes
    -----
    Three signs: coverage below nine tenths; areas of one constant value that reach the edge; higher noise outside of
    straight, slightly tilted lines near a side (see `fit_edges`). From noise alone 95 of 100 sides of simulated
    stacks come within 2 px of those that nine tenths of the frames recorded. About 0.3 s for 24 million
    pixels in three channels on two cores.
    """
    planes = as_planes(planes)
    _, h, w = planes.shape
    cov = checked_coverage(coverage, h, w)
    good = (_outer_constant(planes) == 0).astype(np.uint8)
    graded = False
    if cov.size:
        good &= 1 - _reaching_edge(1 - _full_coverage(cov))
        graded = bool(((cov > 0) & (cov < cov.max())).any())
    if not good.any():
        return Borders(0, 0, 0, 0)
    if not graded:
        good = _within(good, planes)
    if good.all():
        return Borders(0, 0, 0, 0)
    y0, x0, y1, x1 = largest_rectangle(good)
    return Borders(y0, w - x1, h - y1, x0)
