"""The fixed tile grid, and cutting tiles with mirrored margins.

The grid is anchored at the frame's origin, so a region is always made of the tiles that make the whole picture.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from workbench.operations.base import Planes, Rect

__all__ = ["POINTWISE_TILE", "WIDE_REACH", "WIDE_TILE", "cover", "cut", "folded", "mirrored", "tile_rects", "tile_size"]

#: Tile side for pointwise steps and small reaches: three float32 planes of it stay in a core's cache.
POINTWISE_TILE = 512
#: Tile side when the margin would otherwise be a large share of the tile.
WIDE_TILE = 1024
#: Reach above which the wide tile is used.
WIDE_REACH = 30


def tile_size(reach: int) -> int:
    """Side of the grid's tiles for a step with this reach.

    Parameters
    ----------
    reach : int
        Pixels around a tile that the step looks at.

    Returns
    -------
    int
        Pixels.
    """
    return WIDE_TILE if reach > WIDE_REACH else POINTWISE_TILE


def tile_rects(height: int, width: int, size: int) -> list[Rect]:
    """All tiles of a frame, row by row.

    Parameters
    ----------
    height, width : int
        Of the frame, in pixels.
    size : int
        Side of a tile.

    Returns
    -------
    list of Rect
        Those at the right and bottom may be smaller.
    """
    return [
        Rect(y, x, min(y + size, height), min(x + size, width))
        for y in range(0, height, size)
        for x in range(0, width, size)
    ]


def even_rects(height: int, width: int, count: int) -> list[Rect]:
    """A frame in ``count`` parts or a few more, alike in size and as square as can be, row by row.

    Parameters
    ----------
    height, width : int
        Of the frame, in pixels.
    count : int

    Returns
    -------
    list of Rect
    """
    rows = min(max(round(math.sqrt(count * height / width)), 1), count)
    columns = -(-count // rows)
    down, across = ([length * k // n for k in range(n + 1)] for length, n in ((height, rows), (width, columns)))
    return [Rect(y0, x0, y1, x1) for y0, y1 in pairwise(down) for x0, x1 in pairwise(across)]


def cover(rect: Rect, height: int, width: int, size: int) -> list[Rect]:
    """The grid tiles that touch ``rect``, row by row.

    Parameters
    ----------
    rect : Rect
        May leave the frame.
    height, width : int
        Of the frame, in pixels.
    size : int
        Side of a tile.

    Returns
    -------
    list of Rect
    """
    r = rect.clipped(height, width)
    return [
        Rect(y, x, min(y + size, height), min(x + size, width))
        for y in range(r.y0 // size * size, r.y1, size)
        for x in range(r.x0 // size * size, r.x1, size)
    ]


def mirrored(start: int, stop: int, n: int) -> NDArray[np.intp]:
    """Indices ``start .. stop - 1`` folded into ``0 .. n - 1`` by mirroring without repeating the edge.

    Parameters
    ----------
    start, stop : int
        Range of rows or columns, which may lie outside the frame.
    n : int
        Rows or columns of the frame.

    Returns
    -------
    ndarray, shape (stop - start,), intp
    """
    index = np.arange(start, stop)
    if n == 1:
        return np.zeros_like(index)
    period = 2 * (n - 1)
    index = np.abs(index) % period
    return np.where(index < n, index, period - index)


def folded(rect: Rect, height: int, width: int) -> Rect:
    """The smallest rectangle inside the frame that holds every pixel ``rect`` shows when mirrored.

    Parameters
    ----------
    rect : Rect
        May leave the frame.
    height, width : int
        Of the frame, in pixels.

    Returns
    -------
    Rect
    """
    rows, cols = mirrored(rect.y0, rect.y1, height), mirrored(rect.x0, rect.x1, width)
    return Rect(int(rows.min()), int(cols.min()), int(rows.max()) + 1, int(cols.max()) + 1)


def cut(planes: Planes, rect: Rect, out: Planes) -> None:
    """Copy ``rect`` of (C, H, W) planes to ``out`` (C, h, w); what lies outside the frame is mirrored.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The frame; linear or display.
    rect : Rect
        May leave the frame.
    out : ndarray, shape (C, h, w), float32
        Overwritten; of the size of ``rect``.
    """
    _, height, width = planes.shape
    inner = rect.clipped(height, width)
    a, b = inner.y0 - rect.y0, inner.y1 - rect.y0
    c, d = inner.x0 - rect.x0, inner.x1 - rect.x0
    if (a, c, b, d) == (0, 0, rect.height, rect.width):
        out[...] = planes[:, rect.y0 : rect.y1, rect.x0 : rect.x1]
        return
    rows, cols = mirrored(rect.y0, rect.y1, height), mirrored(rect.x0, rect.x1, width)
    inside = inner.y0 <= rows.min() and rows.max() < inner.y1 and inner.x0 <= cols.min() and cols.max() < inner.x1
    if not inside:  # a frame smaller than the margin, folded more than once
        out[...] = planes[:, rows[:, None], cols]
        return
    out[:, a:b, c:d] = planes[:, inner.y0 : inner.y1, inner.x0 : inner.x1]
    out[:, a:b, :c] = out[:, a:b, cols[:c] - rect.x0]
    out[:, a:b, d:] = out[:, a:b, cols[d:] - rect.x0]
    out[:, :a] = out[:, rows[:a] - rect.y0]
    out[:, b:] = out[:, rows[b:] - rect.y0]
