"""Margins that saw no light: areas of one constant value that reach the frame's edge, and overscan.

Programs that align frames fill what none of them covers with zeros or another constant, and all-sky cameras have a
black mask around their circle. Real pixels carry noise, so two rows of one exact value at the edge are none of them.
Columns that a CCD reads beyond its pixels do carry noise, but only that of reading: their level and noise are those of
another world, the same all along the side and out to the rim.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import Planes, strips
from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["constant_margins", "reaching_edge", "unlit_margins"]

#: Smallest side of a frame in which margins are looked for (px).
_SMALLEST = 16
#: Values that margins may have; more than so many different ones at the edge are structure of a clean picture.
_MOST_VALUES = 8
#: At least this share of the frame is left, or it is the picture itself that has no noise.
_LEFT = 0.1
#: At most this share of what is left may hold the same value: more is sky that was cut off at black.
_SAME_INSIDE = 0.002
#: Margins that take up more than this share of the frame hold squares of 3 x 3 pixels in more than the other share.
_THIN, _SOLID = 0.03, 0.8
#: Overscan is looked for in this share of a side, in at most so many lines, of which so many pixels are read.
_DEEPEST, _MOST_LINES, _READ = 0.125, 256, 2048
#: It is darker than the first lines beside it by this many deviations of their pixels, which are noisier by this much.
_DARKER, _QUIETER = 5.0, 0.8
#: Its lines and the blocks along it differ, and those next to it inside, by no more than this share of that step.
_EVEN, _BLOCKS, _BESIDE = 0.15, 16, 8
#: White is clipped light, not a margin.
_WHITE = 0.98


def constant_margins(planes: Planes) -> NDArray[np.bool_] | None:
    """Where no frame covers a stack: (H, W), or None where it has no such margin.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        May be a view of interleaved pixels.

    Returns
    -------
    ndarray, shape (H, W), bool, or None
        True in areas of one exact value in every channel that reach the edge and are two pixels deep there, or hold a
        whole row or column. Holes inside the frame do not count, nor does clipped white, nor a sky of which part was
        cut off at black (its value is met inside too).

    Notes
    -----
    Only the outermost two rows and columns are read where there is no margin. Where there is one: about 0.5 s for 24
    million pixels in three channels.
    """
    _, height, width = planes.shape
    if min(height, width) < _SMALLEST:
        return None
    values = _edge_values(planes)
    if not 0 < len(values) <= _MOST_VALUES:
        return None
    same = np.zeros((height, width), np.bool_)
    for y0, y1 in strips(height):
        for value in values:
            same[y0:y1] |= (planes[:, y0:y1] == value[:, None, None]).all(axis=0)
    alike = np.count_nonzero(same)
    outside = _flooded(same)
    left = outside.size - np.count_nonzero(outside)
    inside = alike - np.count_nonzero(outside)
    if left < _LEFT * outside.size or inside > _SAME_INSIDE * left or _is_sponge(outside):
        return None
    return outside


def unlit_margins(planes: Planes) -> tuple[int, int, int, int]:
    """Lines at the top, right, bottom and left that were read out but saw no light, as a CCD's overscan.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        May be a view of interleaved pixels.

    Returns
    -------
    tuple of (int, int, int, int)
        Zero where a side has none.

    Notes
    -----
    At the innermost such line the level steps up at once by far more than it varies along and across the lines
    outside, and the noise steps up with it, in every channel. Glow, falloff and galaxies are no steps; where fewer
    frames overlap noise is higher, not lower.
    """
    turned = planes.transpose(0, 2, 1)
    top, bottom = _unlit_lines(planes), _unlit_lines(planes[:, ::-1])
    left, right = _unlit_lines(turned), _unlit_lines(turned[:, ::-1])
    return top, right, bottom, left


def _unlit_lines(side: Planes) -> int:
    """First lines of ``side`` (C, H, W) that saw no light."""
    _, height, width = side.shape
    deepest = min(int(_DEEPEST * height), _MOST_LINES)
    if min(height, width) < 4 * _SMALLEST or deepest < 1:
        return 0
    step = -(-width // _READ)
    lines = np.ascontiguousarray(side[:, : deepest + _BESIDE, ::step])
    level = np.median(lines, axis=2)
    rise = (level[:, 1:] - level[:, :-1])[:, :deepest].min(axis=0)
    depth = int(rise.argmax()) + 1
    if not rise[depth - 1] > 0:
        return 0
    for values, middle in zip(lines, level, strict=True):
        dark, lit = values[:depth], values[depth : depth + _BESIDE]
        black, sky = np.median(middle[:depth]), np.median(middle[depth : depth + _BESIDE])
        # By neighbors' differences: what objects in the lit lines differ by is no noise.
        quiet, noise = (MAD_TO_SIGMA * np.sqrt(0.5) * np.median(np.abs(np.diff(v, axis=1))) for v in (dark, lit))
        blocks = [np.median(b) for b in np.array_split(dark, _BLOCKS, axis=1)]
        uneven = _EVEN * (sky - black)
        if (
            sky - black < _DARKER * noise
            or quiet > _QUIETER * noise
            or np.quantile(np.abs(middle[:depth] - black), 0.9) > uneven
            or np.ptp(blocks) > 2 * uneven
            or np.abs(middle[depth : depth + _BESIDE] - sky).max() > 2 * uneven
        ):
            return 0
    return depth


def _is_sponge(outside: NDArray[np.bool_]) -> bool:
    """Whether an area is full of holes, as a sky that was cut off at black."""
    size = np.count_nonzero(outside)
    if size < _THIN * outside.size:
        return False
    return bool(_solid(outside) < _SOLID * size)


def _solid(mask: NDArray[np.bool_]) -> int:
    """How many pixels of a mask lie in squares of 3 x 3 pixels of it, counted strip by strip."""
    count, square = 0, np.ones((3, 3), np.uint8)
    for y0, y1 in strips(len(mask)):
        above = max(0, y0 - 2)
        part = cv2.morphologyEx(mask[above : y1 + 2].astype(np.uint8), cv2.MORPH_OPEN, square)
        count += int(np.count_nonzero(part[y0 - above : y1 - above]))
    return count


def _edge_values(planes: Planes) -> NDArray[np.float32]:
    """Different values (N, C) of pixels at the frame's edge that lie in an area or a whole line of that one value."""
    found = []
    for side in (planes, planes[:, ::-1], planes.transpose(0, 2, 1), planes[:, :, ::-1].transpose(0, 2, 1)):
        edge = side[:, :2]
        beside = (edge[:, 0, 1:] == edge[:, 0, :-1]) & (edge[:, 1, 1:] == edge[:, 1, :-1])
        deep = (edge[:, 0] == edge[:, 1]).all(axis=0)
        alike = beside.all(axis=0)
        # A pixel, both its neighbors along the edge, and the three behind them.
        flat = np.flatnonzero(deep[1:-1] & alike[1:] & alike[:-1]) + 1
        found.append(np.unique(edge[:, 0, flat], axis=1).T)
        if (edge[:, 0] == edge[:, 0, :1]).all():
            found.append(edge[:, 0, :1].T)
    values = np.unique(np.concatenate(found), axis=0)
    return np.asarray(values[(values < _WHITE).any(axis=1)], np.float32)


def reaching_edge(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The areas of a mask (8-connected) that reach the frame's edge: a hole inside the frame is no border.

    Parameters
    ----------
    mask : ndarray, shape (H, W), bool

    Returns
    -------
    ndarray, shape (H, W), bool
    """
    return _flooded(mask.copy())


def _flooded(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """`reaching_edge` in the memory of the mask: labels of all areas would take four times as much."""
    flooded = mask.view(np.uint8)
    height, width = flooded.shape
    seen = np.zeros((height + 2, width + 2), np.uint8)  # else each call makes one of its own
    for y, row in ((0, flooded[0]), (height - 1, flooded[-1])):
        for x in np.flatnonzero(row == 1).tolist():
            if row[x] == 1:
                cv2.floodFill(flooded, seen, (x, y), 2, flags=8)
    for x, column in ((0, flooded[:, 0]), (width - 1, flooded[:, -1])):
        for y in np.flatnonzero(column == 1).tolist():
            if column[y] == 1:
                cv2.floodFill(flooded, seen, (x, y), 2, flags=8)
    return np.equal(flooded, 2, out=flooded.view(np.bool_))
