"""Halos of bright objects: light that lies over the sky samples yet is not sky.

A bright object fades outward far beyond where it stands out, and a smooth surface would take that for sky. Its own
light, spread widely, has the shape of the fading, in its own color: one strength for each width, never negative, shared
by the channels.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.operations._gradient.fit import Samples

if TYPE_CHECKING:
    from scipy import optimize
else:
    optimize = on_first_use("scipy.optimize")

__all__ = ["halo_strengths", "spread_light"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Widths of halos as shares of the mean side of the frame.
HALO_WIDTHS = (0.04, 0.08, 0.16)
#: How far above the sky, in deviations of the samples, an object must rise to be given a halo.
HALO_FROM = 30.0
#: Halos that hold this many times the light of their objects, and more, are none: the "objects" are glow that a surface
#: missed. Up to the first number they are believed.
_HALO_MOST = (2.0, 4.0)


def spread_light(samples: Samples, residual: F64, sigma: F64, used: Mask) -> F64:
    """Light of bright objects above the sky, spread to each width: (N, C, widths). No width where none is bright.

    Parameters
    ----------
    samples : Samples
    residual : ndarray, shape (N, C)
        Samples above the glow.
    sigma : ndarray, shape (C,)
        Deviation of the samples.
    used : ndarray, shape (N,), bool
        Samples taken as sky: no objects.
    """
    n, channels = samples.cells, residual.shape[1]
    bright = ~used[:n] & samples.open[:n] & ((residual[:n] / sigma).mean(axis=1) > HALO_FROM)
    if not bright.any():
        return np.empty((len(residual), channels, 0))
    side = float(np.sqrt(n))
    out = np.zeros((len(residual), channels, len(HALO_WIDTHS)))
    for c in range(channels):
        light = np.where(bright, np.maximum(residual[:n, c], 0.0), 0.0).reshape(samples.grid)
        for k, width in enumerate(HALO_WIDTHS):
            out[:n, c, k] = _blurred(light, max(1.0, width * side)).ravel()
    return out


def halo_strengths(rows: list[F64], value: list[F64], light: list[F64]) -> F64:
    """Strength of each width beside a surface that is fitted with them, none negative: (widths,).

    Parameters
    ----------
    rows : list of ndarray, shape (M, size)
        Basis of the surface at the used samples for each channel, in units of their error; what is known of the
        coefficients beforehand stands in further rows.
    value : list of ndarray, shape (M,)
    light : list of ndarray, shape (M, widths)
        Spread light, 0 in the further rows.
    """
    beyond = []
    for basis, y, wide in zip(rows, value, light, strict=True):
        q, both = np.linalg.qr(basis)[0], np.column_stack([wide, y])
        beyond.append(both - q @ (q.T @ both))
    left = np.concatenate(beyond)
    scale = np.linalg.norm(left[:, :-1], axis=0)
    if not (scale > 0).all():
        return np.zeros(len(scale))
    strength = optimize.nnls(left[:, :-1] / scale, left[:, -1])[0] / scale
    return np.asarray(strength * np.interp(strength.sum(), _HALO_MOST, (1.0, 0.0)))


def _blurred(plane: F64, sigma: float) -> F64:
    """Gaussian blur with zero outside, cut at three sigma."""
    size = 2 * int(3 * sigma + 0.5) + 1
    return np.asarray(cv2.GaussianBlur(plane, (size, size), sigma, borderType=cv2.BORDER_CONSTANT))
