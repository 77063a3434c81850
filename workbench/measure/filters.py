"""Smoothing by rows and columns, to the same last bit on every processor.

OpenCV adds and rounds in another order with each set of vector instructions. That is nothing to a picture, but where a
limit decides what a star or a grain is, a last bit becomes another list of stars, and that another picture. What is
measured by limits is smoothed by this; it is as fast.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["box", "gaussian", "separable"]

Plane = NDArray[np.float32]

_ZERO = np.float32(0)


@kernel
def _mirrored(at: int, size: int) -> int:
    """Place within 0..size - 1 that a place beyond an edge is mirrored to; the edge itself is not repeated."""
    if size == 1:
        return 0
    while at < 0 or at >= size:
        at = -at if at < 0 else 2 * size - 2 - at
    return at


@kernel
def _along_column(image: Plane, y: int, taps: NDArray[np.float32], out: NDArray[np.float32]) -> None:
    """Row ``y`` filtered along columns, to the first pixels of ``out``."""
    h, w = image.shape
    middle = taps.size // 2
    row, tap = image[y], taps[middle]
    for x in range(w):
        out[x] = tap * row[x]
    for k in range(1, middle + 1):
        tap = taps[middle + k]
        if tap == _ZERO:
            continue
        above, below = image[_mirrored(y - k, h)], image[_mirrored(y + k, h)]
        for x in range(w):
            out[x] += tap * (above[x] + below[x])


@kernel
def _filter(image: Plane, taps: NDArray[np.float32], out: Plane) -> None:
    h, w = image.shape
    reach = taps.size // 2
    line = np.empty(w + 2 * reach, np.float32)
    middle = line[reach:]
    for y in range(h):
        _along_column(image, y, taps, middle)
        for k in range(1, reach + 1):
            line[reach - k] = middle[_mirrored(-k, w)]
            middle[w - 1 + k] = middle[_mirrored(w - 1 + k, w)]
        to, tap = out[y], taps[reach]
        for x in range(w):
            to[x] = tap * middle[x]
        for k in range(1, reach + 1):
            tap = taps[reach + k]
            if tap == _ZERO:
                continue
            left, right = line[reach - k :], line[reach + k :]
            for x in range(w):
                to[x] += tap * (left[x] + right[x])


def separable(image: Plane, taps: NDArray[np.floating]) -> Plane:
    """An image filtered along columns and along rows, mirrored at its edges without repeating them.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
    taps : ndarray, shape (n,), float
        An odd number, the same from both ends.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    image = np.ascontiguousarray(image, np.float32)
    out = np.empty_like(image)
    _filter(image, np.ascontiguousarray(taps, np.float32), out)
    return out


def gaussian(image: Plane, sigma: float, reach: int | None = None) -> Plane:
    """An image blurred by a Gaussian.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
    sigma : float
        Standard deviation in pixels.
    reach : int, optional
        Pixels on each side that are looked at; by default four standard deviations.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    reach = max(round(4 * sigma), 1) if reach is None else reach
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return separable(image, taps / taps.sum())


def box(image: Plane, side: int) -> Plane:
    """Means of squares around each pixel.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
    side : int
        Odd, in pixels.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    return separable(image, np.full(side, 1 / side))
