"""Weights around many strokes or edges at once: each a line with a radius, soft at the rim.

A weight is the largest that any of the lines gives, so their order does not matter. A tile is cut into blocks and those
again: where one line covers a block it is full, and only lines near a block are looked at for its pixels. That leaves
out nothing: the weights are those of `line_weights_reference`, to rounding.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["brush_lines", "even_odd", "line_weights", "line_weights_reference"]

Plane = NDArray[np.float32]
Lines = NDArray[np.float64]

#: How far a stroke may be from the places it goes through, in pixels of the frame: a tenth of what could be seen.
_STRAIGHT = 0.05
#: Sides of blocks and of the blocks inside them, in pixels.
_BLOCK, _INNER = 64, 8


def brush_lines(ways: Sequence[Lines], radii: Sequence[float]) -> Lines:
    """Strokes of a brush as lines for `line_weights`.

    Parameters
    ----------
    ways : sequence of ndarray, shape (N, 2), float64
        The places (x, y) that each stroke goes through, at least one.
    radii : sequence of float
        Of each stroke, in the same pixels.

    Returns
    -------
    ndarray, shape (M, 5), float64
    """
    if not ways:
        return np.empty((0, 5))
    kept = [_straightened(way) for way in ways]
    at, count = np.concatenate(kept), np.array([len(way) for way in kept])
    # From each place to the next one; the last of a stroke leads to itself, which a longer stroke has covered.
    following = np.minimum(np.arange(1, len(at) + 1), np.repeat(np.cumsum(count) - 1, count))
    return np.column_stack([at, at[following], np.repeat(radii, count)])


def _straightened(way: Lines) -> Lines:
    """A way (N, 2) without the places that lie on the line between others (Douglas & Peucker 1973)."""
    if len(way) < 3:
        return way
    kept = cv2.approxPolyDP(way.astype(np.float32)[:, None], _STRAIGHT, closed=False)
    return np.asarray(kept[:, 0], np.float64)


@kernel
def _outside(lines: Lines, k: int, y: float, x: float) -> float:
    """Distance of a place from the rim of line ``k``; negative inside."""
    ax, ay = lines[k, 0], lines[k, 1]
    dx, dy = lines[k, 2] - ax, lines[k, 3] - ay
    square = dx * dx + dy * dy
    t = 0.0
    if square > 0:
        t = min(max(((x - ax) * dx + (y - ay) * dy) / square, 0.0), 1.0)
    rx, ry = x - ax - t * dx, y - ay - t * dy
    return float(np.sqrt(rx * rx + ry * ry) - lines[k, 4])


@kernel
def _near(
    lines: Lines, listed: NDArray[np.int64], count: int, box: tuple[int, int, int, int], half: float, near: Any
) -> int:
    """Write to ``near`` which of the listed lines can weigh on a block; how many, or -1 where one covers all of it."""
    y0, x0, y1, x1 = box
    y, x = 0.5 * (y0 + y1 - 1), 0.5 * (x0 + x1 - 1)
    corner = np.hypot(y1 - 1 - y, x1 - 1 - x) + 1e-6
    found = 0
    for i in range(count):
        k = listed[i]
        d = _outside(lines, k, y, x)
        if d + corner < -half:
            return -1
        if d - corner <= half:
            near[found] = k
            found += 1
    return found


@kernel
def _pixels(
    lines: Lines,
    near: NDArray[np.int64],
    count: int,
    box: tuple[int, int, int, int],
    feather: float,
    y0: int,
    x0: int,
    out: Plane,
) -> None:
    for y in range(box[0], box[2]):
        for x in range(box[1], box[3]):
            best = np.inf
            for i in range(count):
                best = min(best, _outside(lines, near[i], float(y), float(x)))
                if best <= -0.5 * feather and best <= 0:
                    break
            if feather > 0:
                out[y - y0, x - x0] = min(max(0.5 - best / feather, 0.0), 1.0)
            else:
                out[y - y0, x - x0] = 1.0 if best <= 0 else 0.0


@kernel
def line_weights(lines: Lines, feather: float, y0: int, x0: int, out: Plane) -> None:
    """Weights 0..1 of the pixels from row ``y0`` and column ``x0`` on.

    Parameters
    ----------
    lines : ndarray, shape (N, 5), float64
        x and y of one end and of the other, and the radius; pixels.
    feather : float
        Width of the soft rim, half of it inside the radius.
    y0, x0 : int
    out : ndarray, shape (h, w), float32
    """
    height, width = out.shape
    half = 0.5 * feather
    everything = np.arange(len(lines))
    tile, block, inner = np.empty(len(lines), np.int64), np.empty(len(lines), np.int64), np.empty(len(lines), np.int64)
    if len(lines) == 0:
        out[:] = 0.0
        return
    in_tile = _near(lines, everything, len(lines), (y0, x0, y0 + height, x0 + width), half, tile)
    if in_tile <= 0:
        out[:] = 1.0 if in_tile < 0 else 0.0
        return
    for by in range(y0, y0 + height, _BLOCK):
        for bx in range(x0, x0 + width, _BLOCK):
            ey, ex = min(by + _BLOCK, y0 + height), min(bx + _BLOCK, x0 + width)
            in_block = _near(lines, tile, in_tile, (by, bx, ey, ex), half, block)
            if in_block <= 0:
                out[by - y0 : ey - y0, bx - x0 : ex - x0] = 1.0 if in_block < 0 else 0.0
                continue
            for iy in range(by, ey, _INNER):
                for ix in range(bx, ex, _INNER):
                    fy, fx = min(iy + _INNER, ey), min(ix + _INNER, ex)
                    count = _near(lines, block, in_block, (iy, ix, fy, fx), half, inner)
                    if count <= 0:
                        out[iy - y0 : fy - y0, ix - x0 : fx - x0] = 1.0 if count < 0 else 0.0
                    else:
                        _pixels(lines, inner, count, (iy, ix, fy, fx), feather, y0, x0, out)


def line_weights_reference(lines: Lines, feather: float, y0: int, x0: int, shape: tuple[int, int]) -> Plane:
    """What `line_weights` writes, in plain numpy: every line for every pixel.

    Parameters
    ----------
    lines : ndarray, shape (N, 5), float64
    feather : float
    y0, x0 : int
    shape : tuple of (int, int)

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    y, x = np.arange(y0, y0 + shape[0])[:, None], np.arange(x0, x0 + shape[1])[None, :]
    best = np.full(shape, np.inf)
    for ax, ay, bx, by, radius in lines:
        dx, dy = bx - ax, by - ay
        square = dx * dx + dy * dy
        t = np.clip(((x - ax) * dx + (y - ay) * dy) / square, 0, 1) if square > 0 else 0.0
        best = np.minimum(best, np.hypot(x - ax - t * dx, y - ay - t * dy) - radius)
    if feather > 0:
        return np.clip(0.5 - best / feather, 0, 1).astype(np.float32)
    return (best <= 0).astype(np.float32)


@kernel
def even_odd(corners: Lines, y0: int, x0: int, out: NDArray[np.bool_]) -> None:
    """Which pixels lie inside a polygon: where a line from them to the left crosses its edges an odd number of times.

    Parameters
    ----------
    corners : ndarray, shape (N, 2), float64
        x and y; the last joins the first.
    y0, x0 : int
        First row and column.
    out : ndarray, shape (h, w), bool
    """
    height, width = out.shape
    for row in range(height):
        y = float(y0 + row)
        out[row, :] = False
        inside = False
        for i in range(len(corners)):
            ax, ay = corners[i - 1, 0], corners[i - 1, 1]
            bx, by = corners[i, 0], corners[i, 1]
            if (ay <= y) != (by <= y):
                first = np.ceil(ax + (y - ay) / (by - ay) * (bx - ax) - x0)
                if first <= 0:
                    inside = not inside
                elif first < width:
                    out[row, int(first)] = not out[row, int(first)]
        for column in range(width):
            inside = inside != out[row, column]
            out[row, column] = inside
