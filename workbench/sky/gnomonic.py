"""The tangent plane: what a rectilinear lens draws of the sky.

After Calabretta & Greisen 2002, A&A 395, 1077, section 5.1.3.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["from_plane", "to_plane"]

Floats = NDArray[np.float64]


def to_plane(ra: Floats, dec: Floats, ra0: float, dec0: float) -> tuple[Floats, Floats]:
    """Places on the sky projected onto the plane that touches it at (ra0, dec0).

    Parameters
    ----------
    ra, dec : ndarray, shape (N,)
        In degrees.
    ra0, dec0 : float
        In degrees.

    Returns
    -------
    xi, eta : ndarray, shape (N,)
        In degrees, to the east and to the north; NaN for what lies 90 degrees away or more.
    """
    a, d, d0 = np.deg2rad(ra - ra0), np.deg2rad(dec), np.deg2rad(dec0)
    depth = np.sin(d) * np.sin(d0) + np.cos(d) * np.cos(d0) * np.cos(a)
    depth = np.where(depth > 0, depth, np.nan)
    xi = np.cos(d) * np.sin(a) / depth
    eta = (np.sin(d) * np.cos(d0) - np.cos(d) * np.sin(d0) * np.cos(a)) / depth
    return np.rad2deg(xi), np.rad2deg(eta)


def from_plane(xi: Floats, eta: Floats, ra0: float, dec0: float) -> tuple[Floats, Floats]:
    """Places on the sky of points of the tangent plane.

    Parameters
    ----------
    xi, eta : ndarray, shape (N,)
        In degrees, to the east and to the north of (ra0, dec0).
    ra0, dec0 : float
        In degrees.

    Returns
    -------
    ra, dec : ndarray, shape (N,)
        In degrees, 0 <= ra < 360.
    """
    x, y, d0 = np.deg2rad(xi), np.deg2rad(eta), np.deg2rad(dec0)
    depth = np.cos(d0) - y * np.sin(d0)
    ra = (ra0 + np.rad2deg(np.arctan2(x, depth))) % 360
    dec = np.rad2deg(np.arctan2(np.sin(d0) + y * np.cos(d0), np.hypot(x, depth)))
    return ra, dec
