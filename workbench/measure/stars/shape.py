"""Shapes of stars: ellipses from windowed moments, and the mean of many."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["mean_shape", "shape_of"]

Floats = NDArray[np.float64]


def shape_of(table: NDArray[Any], window: float) -> tuple[Floats, Floats, Floats]:
    """(major, minor, angle in degrees): standard deviations from windowed moments, corrected for the window.

    Parameters
    ----------
    table : structured ndarray, shape (N,)
        With the windowed moments.
    window : float
        Standard deviation of the window, in pixels.

    Returns
    -------
    tuple of three ndarray, each of shape (N,)
        In pixels and degrees.
    """
    xx, yy, xy = table["xx"], table["yy"], table["xy"]
    mean, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    w2 = window * window
    eigen = np.clip(np.stack([mean + half, mean - half]), 1e-3 * w2, 0.985 * w2)
    major, minor = 1 / np.sqrt(1 / eigen - 1 / w2)
    return major, minor, np.rad2deg(0.5 * np.arctan2(2 * xy, xx - yy))


def mean_shape(elongation: Floats, angle_deg: Floats) -> tuple[float, float]:
    """Elongation and angle of the median ellipse: noise makes single stars longer, but in all directions.

    Parameters
    ----------
    elongation : ndarray, shape (N,)
        Longer over shorter axis.
    angle_deg : ndarray, shape (N,)

    Returns
    -------
    tuple of (float, float)
    """
    angle = np.deg2rad(angle_deg)
    difference = 0.5 * (elongation - 1 / elongation)
    half, cross = np.median(difference * np.cos(2 * angle)), np.median(difference * np.sin(2 * angle))
    mean = np.median(0.5 * (elongation + 1 / elongation))
    unit = np.hypot(half, cross) / np.sqrt(max(mean**2 - half**2 - cross**2, 1e-12))
    # A matrix of unit determinant has eigenvalues k and 1 / k with (k - 1 / k) / 2 = unit.
    k = float(unit + np.sqrt(1 + unit**2))
    return k, float(np.rad2deg(0.5 * np.arctan2(cross, half)))
