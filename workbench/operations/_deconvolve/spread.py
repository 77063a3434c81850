"""Point spreads as arrays, the kernel that leads from a narrow one to a wide one, and its separable parts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.measure.stars.moffat import moffat_gamma

__all__ = ["bridge", "moffat_kernel", "separable"]

Floats = NDArray[np.float64]

#: Where the narrow spread holds less than this share of a frequency's light, the kernel is not asked for it.
_FAINT = 1e-3


def moffat_kernel(fwhm: float, alpha: float, elongation: float, angle_deg: float, radius: int) -> Floats:
    """A Moffat profile (Moffat 1969, A&A 3, 455) at pixel centres, (2 radius + 1, 2 radius + 1), of sum 1."""
    y, x = np.mgrid[-radius : radius + 1, -radius : radius + 1].astype(np.float64)
    c, s, root = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg)), np.sqrt(elongation)
    u, v = (x * c + y * s) / root, (y * c - x * s) * root
    light = (1 + (u * u + v * v) / moffat_gamma(fwhm, alpha) ** 2) ** -alpha
    return np.asarray(light / light.sum())


def bridge(wide: Floats, narrow: Floats, radius: int) -> Floats:
    """Kernel with which the narrow spread becomes the wide one, (2 radius + 1, 2 radius + 1): positive, of sum 1.

    The quotient of the transforms, held where ``narrow`` has no light left. Magain, P., Courbin, F. & Sohy, S.
    (1998), ApJ 494, 472: a picture deconvolved not to points but to a narrower spread is still sampled well enough by
    its pixels, and need not ring.
    """
    a, b = (np.fft.rfft2(np.fft.ifftshift(k)) for k in (wide, narrow))
    quotient = a * np.conj(b) / (np.abs(b) ** 2 + _FAINT**2)
    whole = np.fft.fftshift(np.fft.irfft2(quotient, wide.shape))
    middle = wide.shape[0] // 2
    part = np.maximum(whole[middle - radius : middle + radius + 1, middle - radius : middle + radius + 1], 0)
    return np.asarray(part / part.sum())


def separable(kernel: Floats, error: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Columns and rows (k, n) whose products add up to the kernel within ``error`` of its peak, as few as suffice.

    The radius is odd, and a zero stands after the taps: their count is a multiple of four. By singular
    values (Eckart & Young 1936, Psychometrika 1, 211); the sum of the kernel is kept.
    """
    u, d, v = np.linalg.svd(kernel)
    for count in range(1, len(d) + 1):
        columns, rows = (u[:, :count] * np.sqrt(d[:count])).T, v[:count] * np.sqrt(d[:count])[:, None]
        near = columns.T @ rows
        if np.abs(near - kernel).max() <= error * kernel.max():
            break
    scale = np.sqrt(kernel.sum() / near.sum())
    even = 1 - len(kernel) // 2 % 2
    filled = [(0, 0), (even, even + 1)]
    return np.pad(columns * scale, filled).astype(np.float32), np.pad(rows * scale, filled).astype(np.float32)
