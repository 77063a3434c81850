"""Local maxima: which pixel counts as the highest of its surroundings, and where those of a plane lie.

Whoever seeks maxima asks `is_highest`; they differ in what else they ask of a pixel while they pass over it: more than
a threshold that changes over the frame (`stars.detect`), than the scatter of a mixture chosen cell by cell
(`stars.two_band_filter`), or a height over the ring around it (`defect_shapes`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Plane

__all__ = ["is_highest", "local_maxima"]

Places = NDArray[np.int64]


@kernel
def is_highest(plane: Plane, y: int, x: int, reach: int) -> bool:
    """Whether no pixel within ``reach`` rows and columns is higher; of equal ones the first in reading order counts.

    All of these pixels must lie in the plane.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    y, x : int
        Row and column.
    reach : int
        In pixels.

    Returns
    -------
    bool
    """
    p = plane[y, x]
    for i in range(y - reach, y + reach + 1):
        for j in range(x - reach, x + reach + 1):
            q = plane[i, j]
            if q > p or (q == p and (i < y or (i == y and j < x))):
                return False
    return True


@kernel
def _find(plane: Plane, bound: np.float32, reach: int, margin: int, found: Places) -> int:
    h, w = plane.shape
    n = 0
    for y in range(margin, h - margin):
        for x in range(margin, w - margin):
            if plane[y, x] > bound and is_highest(plane, y, x, reach):
                if n < found.shape[1]:
                    found[0, n], found[1, n] = y, x
                n += 1
    return n


def local_maxima(plane: Plane, bound: float, *, reach: int, margin: int) -> Places:
    """Rows and columns of pixels above ``bound`` that are the highest of their surroundings, in reading order.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
        Without NaN.
    bound : float
        Least value, in the unit of the plane.
    reach : int
        Rows and columns around a pixel that are its surroundings.
    margin : int
        Rows and columns at each side in which no maximum is sought; at least ``reach``.

    Returns
    -------
    ndarray, shape (2, N), int64
    """
    found = np.empty((2, 1024), np.int64)
    while (n := _find(plane, np.float32(bound), reach, margin, found)) > found.shape[1]:
        found = np.empty((2, n), np.int64)
    return found[:, :n]
