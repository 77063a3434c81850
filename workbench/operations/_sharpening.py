"""Sharpening a plane by what stands out of the noise, layer by layer, without halos."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.measure import starlet

__all__ = ["reach", "sharpened"]

Plane = NDArray[np.float32]

_B3 = np.array([1, 4, 6, 4, 1], np.float32) / np.float32(16)
#: Pixels on each side within which no pixel becomes lighter or darker than what was there, but for a slack.
_WINDOW = 2
#: The slack, as a share of the contrast in the window.
_SLACK = np.float32(0.02)
#: Local strength of a scale (display value) at which half as much is added: stronger edges are crisp as they are, and
#: stars would become discs.
_CRISP = np.float32(0.03)


def reach(scales: int) -> int:
    """Pixels around a point that `sharpened` looks at."""
    return starlet.reach(scales) + _WINDOW


def sharpened(plane: Plane, noise: NDArray[np.floating], amount: float, level: float) -> Plane:
    """A plane with its finest starlet scales strengthened where they are structure.

    Parameters
    ----------
    plane : ndarray, shape (h, w), float32
    noise : ndarray, shape (scales,)
        Standard deviation of the noise in each scale, finest first.
    amount : float
        How much of each scale is added.
    level : float
        Noise units up to which a scale's local strength is taken for noise.

    Notes
    -----
    Of a scale w the share ``1 - min(1, level^2 noise^2 / P)^2`` is structure, P the mean of w^2 over 5 x 5 pixels with
    B3 weights. The sum d of what is added stays within the lightest and darkest pixel of 5 x 5, two hundredths of their
    difference beyond: what would be a halo is not made. It comes near them as ``d room / (room + |d|)``, room being how
    far they are away; cut off there, 6 to 27 % of a smooth nebula's pixels came to lie on them, as patches with edges.
    Correct but for `reach` pixels at the edges.
    """
    waves, _ = starlet.scales(plane, len(noise))
    added = np.zeros_like(plane)
    for wave, sigma in zip(waves, noise, strict=True):
        power = cv2.sepFilter2D(wave * wave, cv2.CV_32F, _B3, _B3, borderType=cv2.BORDER_REFLECT_101)
        ratio = np.minimum(np.float32((level * float(sigma)) ** 2) / np.maximum(power, np.float32(1e-20)), 1)
        share = (1 - ratio * ratio) * (_CRISP**2 / (_CRISP**2 + power))
        added += np.float32(amount) * share * wave
    window = np.ones((2 * _WINDOW + 1, 2 * _WINDOW + 1), np.uint8)
    low, high = cv2.erode(plane, window), cv2.dilate(plane, window)
    slack = _SLACK * (high - low)
    room = np.where(added > 0, high + slack - plane, plane - low + slack)
    # Where all around is one value, nothing is added.
    return np.asarray(plane + added * (room / np.maximum(room + np.abs(added), np.float32(1e-20))), np.float32)
