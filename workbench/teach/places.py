"""Where in a picture to look at single pixels."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.operations.base import Geometry, Rect

__all__ = ["around", "places_of_interest"]

#: A pixel belongs to a star where it is so much brighter than its surroundings, in 8-bit steps.
_STAR = 30


def places_of_interest(picture: NDArray[np.uint8], full: Geometry, size: tuple[int, int]) -> dict[str, Rect]:
    """The brightest part, faint light beside it, and where stars are dense.

    Parameters
    ----------
    picture : ndarray, shape (h, w, 3), uint8
        The finished picture, reduced.
    full : Geometry
        The finished frame.
    size : (int, int)
        Height and width of the places in pixels of the full frame.

    Returns
    -------
    dict of str to Rect
        ``bright``, ``faint`` and ``stars``, in pixels of the full frame and inside it.
    """
    height, width = (min(c, n) for c, n in zip(size, (full.height, full.width), strict=True))
    scale = full.width / picture.shape[1]
    window = (max(1, round(width / scale)), max(1, round(height / scale)))
    gray = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
    smooth = cv2.medianBlur(gray, 9)
    soft = np.asarray(cv2.blur(smooth.astype(np.float32), window))
    stars = np.asarray(cv2.blur((cv2.subtract(gray, smooth) > _STAR).astype(np.float32), window))
    sky, top = float(np.median(soft)), float(soft.max())
    faint = -np.abs(soft - (sky + 0.25 * (top - sky)))
    maps = {"bright": soft, "faint": faint, "stars": stars}
    peaks = {name: _peak(score, window) for name, score in maps.items()}
    return {name: around((y * scale, x * scale), full, size) for name, (y, x) in peaks.items()}


def _peak(score: NDArray[np.float32], window: tuple[int, int]) -> tuple[int, int]:
    """Row and column of the best place whose window lies inside the frame."""
    my, mx = window[1] // 2, window[0] // 2
    h, w = score.shape
    inner = score[my : max(my + 1, h - my), mx : max(mx + 1, w - mx)]
    y, x = np.unravel_index(int(inner.argmax()), inner.shape)
    return int(y) + my, int(x) + mx


def around(at: tuple[float, float], full: Geometry, size: tuple[int, int]) -> Rect:
    """A rectangle of ``size`` around a row and column, moved and cut so that it lies in the frame.

    Parameters
    ----------
    at : tuple of (float, float)
        Row and column, in pixels.
    full : Geometry
        The frame.
    size : tuple of (int, int)
        Height and width, in pixels.

    Returns
    -------
    Rect
    """
    height, width = (min(c, n) for c, n in zip(size, (full.height, full.width), strict=True))
    y0 = int(np.clip(round(at[0] - height / 2), 0, full.height - height))
    x0 = int(np.clip(round(at[1] - width / 2), 0, full.width - width))
    return Rect(y0, x0, y0 + height, x0 + width)
