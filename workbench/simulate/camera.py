"""The camera: saturation, photon and read noise, and what demosaicing and aligning do to the noise.

One frame records at a pixel with expected light ``m`` (white-level units) a number with variance

    s^2 = m / full_well + (read_noise / full_well)^2,

clipped at the white level. An average of n frames has the clipped mean and 1/n of the clipped variance.

Correlation. In a frame each channel has noise only at its own sites of the color mosaic: i.i.d. noise on a mask of
density d (1/4 for red and blue, 1/2 for green), spread by the bilinear kernel K. Frames of a stack are dithered and
turned against each other, so mosaic phase and sub-pixel shift are different in each; the mean of many such fields is
a normal field (central limit) whose covariance is the average over phases and shifts: ``d (K * K)`` for the mosaic,
and the mean of ``I * I`` over shifts for interpolation kernel I (cubic convolution, Keys 1981, IEEE TASSP 29, 1153).
That is exactly the covariance of white noise filtered with ``sqrt(d) K * g``, g the symmetric root of the mean of
``I * I``. So one filtered field stands for the loop over frames; a test runs that loop and compares.
Light itself is not smeared again: star sizes are given as they are in the stack.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from workbench.simulate.scene import Camera

__all__ = ["REACH", "Kernels", "clipped", "correlate", "correlated_share", "cubic", "noise_kernels"]

Planes = NDArray[np.float32]

#: Pixels that the noise kernels reach to each side.
REACH = 6
_TAPS = 5


def cubic(t: NDArray[np.float64], a: float = -0.5) -> NDArray[np.float64]:
    """Return the cubic convolution kernel at distances ``t`` in pixels (Keys 1981).

    Parameters
    ----------
    t : ndarray, shape (...), float64
    a : float
        The kernel's parameter.

    Returns
    -------
    ndarray, shape (...), float64
    """
    t = np.abs(t)
    near = (a + 2) * t**3 - (a + 3) * t**2 + 1
    far = a * (t**3 - 5 * t**2 + 8 * t - 4)
    return np.where(t <= 1, near, np.where(t < 2, far, 0.0))


class Kernels(NamedTuple):
    """Noise kernels: the mosaic's per channel (3 x 3), and the aligning one (one row, used along both axes)."""

    mosaic: tuple[NDArray[np.float32], ...]
    aligning: NDArray[np.float32]


@cache
def noise_kernels() -> Kernels:
    """Return the kernels that turn white noise into the noise of an aligned, demosaiced stack."""
    tent = np.array([0.5, 1.0, 0.5])
    red = np.sqrt(0.25) * np.outer(tent, tent)
    green = np.sqrt(0.5) * np.array([[0.0, 0.25, 0.0], [0.25, 1.0, 0.25], [0.0, 0.25, 0.0]])
    taps = np.arange(-32, 32)
    shifts = (np.arange(256) + 0.5) / 256
    power = np.mean([np.abs(np.fft.fft(cubic(taps - s))) ** 2 for s in shifts], axis=0)
    root = np.fft.fftshift(np.fft.ifft(np.sqrt(power)).real)[32 - _TAPS : 33 + _TAPS]
    root *= np.sqrt(power.mean() / np.sum(root**2))  # the variance is kept when the far taps are cut
    m = [k.astype(np.float32) for k in (red, green, red)]
    return Kernels(tuple(m), root.astype(np.float32))


@cache
def correlated_share() -> NDArray[np.float64]:
    """Variance of each channel's noise after demosaicing and aligning, for white noise of variance 1 before: (3,)."""
    kernels = noise_kernels()
    shares = []
    for mosaic in kernels.mosaic:
        line = np.zeros((2 * REACH + 1, 2 * REACH + 1))
        line[REACH - _TAPS : REACH + _TAPS + 1, REACH - _TAPS : REACH + _TAPS + 1] = np.outer(
            kernels.aligning, kernels.aligning
        )
        full = cv2.filter2D(line, -1, mosaic.astype(np.float64), borderType=cv2.BORDER_CONSTANT)
        shares.append(float(np.sum(full**2)))
    return np.array(shares)


def correlate(white: NDArray[np.float32], channel: int) -> NDArray[np.float32]:
    """Filter white noise into a channel's noise; values within `REACH` of the edges are incomplete.

    Parameters
    ----------
    white : ndarray, shape (h, w), float32
    channel : int
        From 0.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    kernels = noise_kernels()
    spread = cv2.filter2D(white, -1, kernels.mosaic[channel], borderType=cv2.BORDER_CONSTANT)
    aligned = cv2.sepFilter2D(spread, -1, kernels.aligning, kernels.aligning, borderType=cv2.BORDER_CONSTANT)
    return np.asarray(aligned, np.float32)


def clipped(light: Planes, camera: Camera) -> tuple[Planes, Planes]:
    """Mean and variance of one frame's record of ``light``, clipped at the white level.

    For a normal X of mean m and deviation s, with z = (1 - m) / s, phi and Phi the normal density and distribution:
    ``E[min(X, 1)] = m Phi - s phi + (1 - Phi)`` and ``E[min(X, 1)^2] = (m^2 + s^2) Phi - s (m + 1) phi + (1 - Phi)``
    (moments of the censored normal; Greene, Econometric Analysis, on censoring [from memory]; a test draws them).

    Parameters
    ----------
    light : ndarray, shape (3, h, w), float32
        In white levels.
    camera : Camera

    Returns
    -------
    tuple of two ndarray, each of shape (3, h, w), float32
    """
    variance = np.asarray(np.maximum(light, np.float32(0)) / np.float32(camera.full_well_e), np.float32)
    variance += np.float32((camera.read_noise_e / camera.full_well_e) ** 2)
    mean = light.copy()
    near = light > 1.0 - 6.0 * np.sqrt((1.0 + camera.read_noise_e**2 / camera.full_well_e) / camera.full_well_e)
    if near.any():
        m, s = light[near].astype(np.float64), np.sqrt(variance[near].astype(np.float64))
        z = (1.0 - m) / s
        below, density = ndtr(z), np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi)
        first = m * below - s * density + (1.0 - below)
        second = (m * m + s * s) * below - s * (m + 1.0) * density + (1.0 - below)
        mean[near] = first
        variance[near] = np.maximum(second - first * first, 0.0)
    return mean, variance
