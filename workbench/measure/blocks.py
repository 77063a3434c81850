"""Walking over a frame: checked input, rows in strips, all cores, results in a fixed order."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.threads import in_order

__all__ = ["Coverage", "Plane", "Planes", "as_plane", "as_planes", "checked_coverage", "in_order", "strips", "together"]

Plane = NDArray[np.float32]
Planes = NDArray[np.float32]
Coverage = NDArray[np.uint8]

#: Rows in a strip: about 6 MB of float32 at a width of 6000, so a strip and its blur stay near the cache.
STRIP = 256


def as_planes(planes: NDArray[Any]) -> Planes:
    """``planes`` as (C, H, W) float32; a single plane (H, W) gets C = 1. No copy when it is float32 already.

    Parameters
    ----------
    planes : ndarray, shape (H, W) or (C, H, W), of any real dtype

    Returns
    -------
    ndarray, shape (C, H, W), float32

    Raises
    ------
    WorkbenchError
        When it is not a plane or planes with at least one pixel.
    """
    array = np.asarray(planes)
    if array.ndim == 2:
        array = array[None]
    if array.ndim != 3 or 0 in array.shape:
        raise WorkbenchError(
            f"a measurement needs one plane (H, W) or planes (C, H, W) of at least one pixel, not {np.shape(planes)}"
        )
    return np.asarray(array, dtype=np.float32)


def as_plane(plane: NDArray[Any]) -> Plane:
    """``plane`` as (H, W) float32; planes with C = 1 are accepted.

    Parameters
    ----------
    plane : ndarray, shape (H, W) or (1, H, W), of any real dtype

    Returns
    -------
    ndarray, shape (H, W), float32

    Raises
    ------
    WorkbenchError
        When it is not one plane with at least one pixel.
    """
    planes = as_planes(plane)
    if planes.shape[0] != 1:
        raise WorkbenchError(f"this measurement takes one plane (H, W), not {planes.shape}")
    only: Plane = planes[0]
    return only


def checked_coverage(coverage: NDArray[Any] | None, height: int, width: int) -> Coverage:
    """``coverage`` as (H, W) uint8, or an empty (0, 0) array that stands for 'all covered' in kernels.

    Parameters
    ----------
    coverage : ndarray, shape (H, W), or None
        Above 0 where a pixel counts.
    height, width : int
        Of the frame.

    Returns
    -------
    ndarray, shape (H, W) or (0, 0), uint8

    Raises
    ------
    WorkbenchError
        When it has another shape than the frame.
    """
    if coverage is None:
        return np.empty((0, 0), np.uint8)
    if coverage.shape != (height, width):
        raise WorkbenchError(f"the coverage is {coverage.shape}, but the frame is {(height, width)}")
    if coverage.dtype != np.uint8:
        return np.asarray(coverage > 0, np.uint8)
    return np.ascontiguousarray(coverage)


def strips(height: int, rows: int = STRIP) -> list[tuple[int, int]]:
    """Row ranges ``(y0, y1)`` that part the frame, anchored at its first row.

    Parameters
    ----------
    height : int
        Rows of the frame.
    rows : int
        Rows of a strip; the last one may have fewer.

    Returns
    -------
    list of (int, int)
    """
    return [(y, min(y + rows, height)) for y in range(0, height, rows)]


def together(*parts: Callable[[], Any]) -> list[Any]:
    """``[part() for part in parts]`` side by side: for parts that each leave a core idle now and then.

    Parameters
    ----------
    *parts : callable
        Called without arguments.

    Returns
    -------
    list
        What each gave, in their order.
    """
    return in_order(lambda part: part(), list(parts))
