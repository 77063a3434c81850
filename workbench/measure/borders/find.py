"""Ragged borders of a stack: where fewer frames overlap, or none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage, strips
from workbench.measure.borders.noise_edges import CONTOUR, noise_borders
from workbench.measure.uncovered import constant_margins, reaching_edge

__all__ = ["Borders", "find_borders", "largest_rectangle"]

_SIDES = ("top", "right", "bottom", "left")


@dataclass(frozen=True, slots=True)
class Borders:
    """Rows and columns to take off on each side, in pixels.

    Attributes
    ----------
    top, right, bottom, left : int
    doubtful : tuple of str
        Sides along which noise is higher, but not so evenly that it must be a border: nothing is taken off there.
    """

    top: int
    right: int
    bottom: int
    left: int
    doubtful: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain data: rows and columns by side."""
        return {side: getattr(self, side) for side in _SIDES}


_NONE = np.zeros(256, np.int64)


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

    Parameters
    ----------
    mask : ndarray, shape (H, W), bool

    Returns
    -------
    tuple of (int, int, int, int)
    """
    mask = np.asarray(mask, np.uint8)
    y = _changes(mask)
    mask = mask[y[:-1]]
    x = _changes(mask.T)
    y0, x0, y1, x1 = _largest(np.ascontiguousarray(mask[:, x[:-1]]), np.diff(y), x)
    return int(y0), int(x0), int(y1), int(x1)


def _full_coverage(coverage: Coverage) -> NDArray[np.uint8]:
    counts = sum((np.bincount(coverage[y0:y1].ravel(), minlength=256) for y0, y1 in strips(len(coverage))), _NONE)
    counts[0] = 0
    if not counts.any():
        return np.zeros(coverage.shape, np.uint8)
    # The 90th percentile of what is covered, as numpy.percentile gives it.
    below, rank = np.cumsum(counts), 0.9 * (counts.sum() - 1)
    low, high = np.searchsorted(below, [np.floor(rank), np.ceil(rank)], side="right")
    full = low + (high - low) * (rank - np.floor(rank))
    return np.asarray(coverage >= 0.9 * full).view(np.uint8)


def _within(good: NDArray[np.uint8], planes: Planes) -> tuple[NDArray[np.uint8], tuple[str, ...]]:
    """``good`` where nine tenths of the frames lie, as noise tells, and the sides on which it is not sure."""
    found = noise_borders(planes, (1 - good).astype(np.uint8))
    doubtful = tuple(side for side, doubt in zip(_SIDES, found.doubtful, strict=True) if doubt)
    if all(share is None for share in found.share):
        return good, doubtful
    height = len(good)
    top, right, bottom, left = (
        np.ones((0, length), np.float32) if share is None else share
        for share, length in zip(found.share, 2 * good.shape[::-1], strict=True)
    )
    seen = np.empty_like(good)
    for y0, y1 in strips(height):
        # A corner counts as the worse of its sides: what both take off together is small, and costs rows everywhere.
        share = np.ones((y1 - y0, good.shape[1]), np.float32)
        for part, seen_by in (
            (share[: max(0, len(top) - y0)], top[y0:y1]),
            (share.T[::-1][: len(right)], right[:, y0:y1]),
            (share[::-1][: max(0, len(bottom) - (height - y1))], bottom[height - y1 : height - y0]),
            (share.T[: len(left)], left[:, y0:y1]),
        ):
            np.minimum(part, seen_by, out=part)
        seen[y0:y1] = good[y0:y1] & (share >= CONTOUR)
    return seen, doubtful


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
    straight, slightly tilted lines near a side (see `noise_edges`). About 0.5 s of processor time for 24 million
    pixels in three channels.
    """
    planes = as_planes(planes)
    _, h, w = planes.shape
    cov = checked_coverage(coverage, h, w)
    outside = constant_margins(planes)
    good = np.ones((h, w), np.uint8) if outside is None else (~outside).astype(np.uint8)
    graded = False
    if cov.size:
        good &= ~reaching_edge(_full_coverage(cov) == 0)
        graded = bool(((cov > 0) & (cov < cov.max())).any())
    if not good.any():
        return Borders(0, 0, 0, 0)
    doubtful: tuple[str, ...] = ()
    if not graded:
        good, doubtful = _within(good, planes)
    if good.all():
        return Borders(0, 0, 0, 0, doubtful)
    y0, x0, y1, x1 = largest_rectangle(good)
    return Borders(y0, w - x1, h - y1, x0, doubtful)
