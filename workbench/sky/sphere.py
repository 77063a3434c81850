"""Places on the sky and the unit vectors that lead to them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["angle_between", "directions", "in_circle", "places"]

Floats = NDArray[np.float64]


def directions(ra: Floats, dec: Floats) -> Floats:
    """Unit vectors of places on the sky.

    Parameters
    ----------
    ra, dec : ndarray, shape (N,)
        In degrees.

    Returns
    -------
    ndarray, shape (N, 3)
    """
    a, d = np.deg2rad(ra), np.deg2rad(dec)
    return np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], axis=-1)


def places(x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats]:
    """Places on the sky that vectors of any length point at.

    Parameters
    ----------
    x, y, z : ndarray, shape (N,)

    Returns
    -------
    ra, dec : ndarray, shape (N,)
        In degrees, 0 <= ra < 360.
    """
    return np.rad2deg(np.arctan2(y, x)) % 360, np.rad2deg(np.arctan2(z, np.hypot(x, y)))


def in_circle(rays: Floats, ra: float, dec: float, radius: float) -> NDArray[np.bool_]:
    """Which unit vectors point into a circle on the sky.

    Parameters
    ----------
    rays : ndarray, shape (N, 3)
    ra, dec, radius : float
        In degrees.

    Returns
    -------
    ndarray, shape (N,), bool
    """
    middle = directions(np.array(ra), np.array(dec))
    return np.asarray(rays @ middle >= np.cos(np.deg2rad(min(radius, 180.0))))


def angle_between(ra: Floats, dec: Floats) -> float:
    """Angle between two places on the sky, exact for near ones too (haversine).

    Parameters
    ----------
    ra, dec : ndarray, shape (2,)
        In degrees.

    Returns
    -------
    float
        In degrees.
    """
    (a, b), (d, e) = np.deg2rad(ra), np.deg2rad(dec)
    half = np.sin((d - e) / 2) ** 2 + np.cos(d) * np.cos(e) * np.sin((a - b) / 2) ** 2
    return float(np.rad2deg(2 * np.arcsin(np.sqrt(half))))
