"""Grain given back where stars were taken off: noise that hangs on a pixel's place and on nothing else.

What is rebuilt under a star is smoother than the sky around it, and the stretch shows that as a polished spot. Noise of
the sky's own strength and correlation is added there, as much as is missing. Each pixel's share of it is a hash of its
place, so tiles agree and every run makes the same.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["detail_of_grain", "grain", "grain_width", "white_grain", "white_grain_numpy"]

Planes = NDArray[np.float32]
U64 = NDArray[np.uint64]

#: Steps of SplitMix64 (Steele, Lea & Flood 2014, Fast splittable pseudorandom number generators).
_GAMMA, _MIX_1, _MIX_2 = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
#: Standard deviation of a sum of four 16-bit numbers, and its mean.
_SPREAD, _MEAN = np.float64(np.sqrt(4 * (65536.0**2 - 1) / 12)), 2.0 * 65535.0
#: Widest blur (px, standard deviation) that stands for a correlation, and steps to look through.
_WIDEST, _STEPS = 2.0, 81


@kernel
def _white(seed: int, y0: int, x0: int, out: NDArray[np.float32]) -> None:
    h, w = out.shape
    for r in range(h):
        for c in range(w):
            # Places left of or above the frame wrap to large numbers, which are as good as any.
            z = np.uint64(seed) * _MIX_2 ^ (np.uint64(y0 + r) << np.uint64(32)) ^ np.uint64((x0 + c) & 0xFFFFFFFF)
            z = z * _GAMMA + _GAMMA
            z = (z ^ (z >> np.uint64(30))) * _MIX_1
            z = (z ^ (z >> np.uint64(27))) * _MIX_2
            z = z ^ (z >> np.uint64(31))
            # The sum of four numbers is near enough to normal (kurtosis -0.3, and less once blurred), and exact.
            total = np.float64(z & np.uint64(0xFFFF)) + np.float64((z >> np.uint64(16)) & np.uint64(0xFFFF))
            total += np.float64((z >> np.uint64(32)) & np.uint64(0xFFFF)) + np.float64(z >> np.uint64(48))
            out[r, c] = np.float32((total - _MEAN) / _SPREAD)


def white_grain(seed: int, y0: int, x0: int, height: int, width: int) -> NDArray[np.float32]:
    """White noise (height, width) float32 of unit variance for the pixels from row ``y0``, column ``x0`` on."""
    out = np.empty((height, width), np.float32)
    _white(seed, y0, x0, out)
    return out


def white_grain_numpy(seed: int, y0: int, x0: int, height: int, width: int) -> NDArray[np.float32]:
    """`white_grain` in plain numpy."""
    y = np.arange(y0, y0 + height).astype(np.uint64)[:, None]
    x = (np.arange(x0, x0 + width) & 0xFFFFFFFF).astype(np.uint64)[None, :]
    with np.errstate(over="ignore"):
        z = (np.uint64(seed) * _MIX_2) ^ (y << np.uint64(32)) ^ x
        z = z * _GAMMA + _GAMMA
        z = (z ^ (z >> np.uint64(30))) * _MIX_1
        z = (z ^ (z >> np.uint64(27))) * _MIX_2
        z = z ^ (z >> np.uint64(31))
    parts = [((z >> np.uint64(16 * k)) & np.uint64(0xFFFF)).astype(np.float64) for k in range(4)]
    return np.asarray((np.sum(parts, axis=0) - _MEAN) / _SPREAD, np.float32)


def _blur_taps(width: float) -> NDArray[np.float64]:
    """Taps of a Gaussian of this standard deviation, of unit noise: their squares sum to 1."""
    reach = int(np.ceil(3.5 * width)) if width > 0 else 0
    taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / max(width, 1e-9)) ** 2)
    return np.asarray(taps / np.sqrt((taps**2).sum()))


@cache
def _finest_scale() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Widths, and what the finest starlet scale keeps of noise blurred so far, relative to white noise."""
    spline = np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16
    detail = -np.outer(spline, spline)
    detail[2, 2] += 1
    widths = np.linspace(0, _WIDEST, _STEPS)
    kept = []
    for width in widths:
        taps = _blur_taps(float(width))
        size = len(taps) + 8
        response = np.abs(np.fft.fft2(detail, (size, size)) * np.fft.fft2(np.outer(taps, taps), (size, size)))
        kept.append(np.sqrt((response**2).mean()))
    return widths, np.asarray(kept) / kept[0]


def grain_width(correlation: float) -> float:
    """Blur (px, standard deviation) that gives white noise this `workbench.measure.noise.Noise.correlation`."""
    widths, kept = _finest_scale()
    return float(np.interp(1 / max(correlation, 1.0), kept[::-1], widths[::-1]))


@cache
def detail_of_grain(blur: float, width: float) -> float:
    """Standard deviation of what `grain` of this blur has over itself blurred by ``width`` px."""
    taps, wide = _blur_taps(blur), _blur_taps(width)
    wide = wide / wide.sum()
    detail = -np.outer(wide, wide)
    detail[len(wide) // 2, len(wide) // 2] += 1
    size = len(taps) + len(wide)
    response = np.fft.fft2(detail, (size, size)) * np.fft.fft2(np.outer(taps, taps), (size, size))
    return float(np.sqrt((np.abs(response) ** 2).mean()))


def grain(seed: int, y0: int, x0: int, height: int, width: int, blur: float) -> NDArray[np.float32]:
    """Noise of unit variance, correlated as a blur of this many pixels makes it.

    Parameters
    ----------
    seed : int
        One for each channel.
    y0, x0 : int
        The first pixel; may lie outside the frame.
    height, width : int
    blur : float
        Standard deviation in pixels, see `grain_width`.

    Returns
    -------
    ndarray, shape (height, width), float32
    """
    taps = _blur_taps(blur)
    reach = len(taps) // 2
    white = white_grain(seed, y0 - reach, x0 - reach, height + 2 * reach, width + 2 * reach)
    if reach == 0:
        return white
    blurred = cv2.sepFilter2D(white, cv2.CV_32F, taps, taps, borderType=cv2.BORDER_CONSTANT)
    return np.ascontiguousarray(blurred[reach:-reach, reach:-reach], np.float32)
