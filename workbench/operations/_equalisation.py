"""Contrast-limited adaptive equalisation: mappings of cells from their histograms, and the kernel that mixes them.

Zuiderveld, K. (1994), "Contrast limited adaptive histogram equalization", Graphics Gems IV, 474.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["LEVELS", "equalised", "equalised_reference", "limited_mapping"]

Plane = NDArray[np.float32]
Doubles = NDArray[np.float64]
f32 = np.float32
_ZERO, _ONE = f32(0), f32(1)

#: Bins of a cell's histogram; its mapping has a node at each edge.
LEVELS = 128
#: Share of a cell's pixels that an even histogram is given beside the measured one: a cell with little in it stays as
#: it is.
_EVEN = 0.02


def limited_mapping(counts: NDArray[Any], start: float, limit: float, even: float = _EVEN) -> Doubles:
    """Rising mapping of values 0..1 at `LEVELS` + 1 even nodes: the diagonal up to ``start``, equalised above.

    Parameters
    ----------
    counts : ndarray, shape (LEVELS,)
        Pixels of a cell by value, in even bins of 0..1.
    start : float
        Value up to which nothing changes.
    limit : float
        Steepest slope: what a histogram asks beyond is shared out evenly among all other bins above ``start``.
    even : float
        Share of the cell's pixels that an even histogram weighs.
    """
    nodes = np.linspace(0, 1, LEVELS + 1)
    room = np.clip(np.diff(np.maximum(nodes, start)), 0, None)  # of each bin above the start
    if room.sum() <= 0:
        return nodes
    total = float(np.sum(counts))
    inside = np.asarray(counts, np.float64) * room * LEVELS
    weight = inside + even * max(total, 1.0) * room / room.sum()
    mass = weight / max(weight.sum(), 1e-300)
    most = limit * room / room.sum()
    for _ in range(LEVELS):
        excess = float(np.clip(mass - most, 0, None).sum())
        mass = np.minimum(mass, most)
        free = (room > 0) & (mass < most * (1 - 1e-12))
        if excess <= 1e-12 or not free.any():
            break
        mass = mass + np.where(free, room, 0) * excess / room[free].sum()
    mapped = np.concatenate([[0], np.cumsum(mass)]) / max(mass.sum(), 1e-300)
    return np.where(nodes <= start, nodes, start + (1 - start) * mapped)


@kernel
def equalised(values: Plane, y0: int, x0: int, maps: Plane, rows: Any, columns: Any, amount: Any, out: Plane) -> None:
    """Values through the mappings of the four cells around each pixel, mixed by its place between their middles.

    Parameters
    ----------
    values, out : ndarray, shape (h, w), float32
        ``out`` may be ``values``.
    y0, x0 : int
        Place in the frame of the first pixel.
    maps : ndarray, shape (R, C, LEVELS + 1), float32
    rows, columns : float32
        Cells a pixel, down and across.
    amount : float32
        Share of the change that is made.
    """
    last = maps.shape[2] - 1
    most_y, most_x = maps.shape[0] - 1, maps.shape[1] - 1
    for y in range(values.shape[0]):
        v = min(max((f32(y0 + y) + f32(0.5)) * rows - f32(0.5), _ZERO), f32(most_y))
        i = min(int(v), max(most_y - 1, 0))
        below = min(i + 1, most_y)
        p = v - f32(i)
        for x in range(values.shape[1]):
            u = min(max((f32(x0 + x) + f32(0.5)) * columns - f32(0.5), _ZERO), f32(most_x))
            j = min(int(u), max(most_x - 1, 0))
            right = min(j + 1, most_x)
            q = u - f32(j)
            value = values[y, x]
            place = min(max(value, _ZERO), _ONE) * f32(last)
            k = min(int(place), last - 1)
            t = place - f32(k)
            # What each mapping adds to the diagonal: where all are the diagonal, nothing is added at all.
            a = (maps[i, j, k] + t * (maps[i, j, k + 1] - maps[i, j, k])) * (_ONE - q)
            a += (maps[i, right, k] + t * (maps[i, right, k + 1] - maps[i, right, k])) * q
            b = (maps[below, j, k] + t * (maps[below, j, k + 1] - maps[below, j, k])) * (_ONE - q)
            b += (maps[below, right, k] + t * (maps[below, right, k + 1] - maps[below, right, k])) * q
            out[y, x] = value + amount * (a * (_ONE - p) + b * p)


def equalised_reference(
    values: NDArray[Any], y0: int, x0: int, maps: NDArray[Any], rows: float, columns: float, amount: float
) -> Doubles:
    """What `equalised` computes, in double precision; ``maps`` hold what is added to the diagonal."""
    height, width = values.shape
    v = np.clip((y0 + np.arange(height) + 0.5) * rows - 0.5, 0, maps.shape[0] - 1)[:, None]
    u = np.clip((x0 + np.arange(width) + 0.5) * columns - 0.5, 0, maps.shape[1] - 1)[None, :]
    out = np.asarray(values, np.float64).copy()
    nodes = np.linspace(0, 1, maps.shape[2])
    for i, j in np.ndindex(maps.shape[:2]):
        weight = np.maximum(1 - np.abs(v - i), 0) * np.maximum(1 - np.abs(u - j), 0)
        out += amount * weight * np.interp(values, nodes, maps[i, j])
    return out
