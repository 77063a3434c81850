"""Moving pixels between layouts and sample types: planar (C, h, w) inside, interleaved (h, w, C) at the edges.

All work on blocks of a frame as well as on whole frames, write to memory given by the caller, and release the
interpreter lock. The blocks may be views: the tests on ``strides`` tell the compiler which loops run over
neighboring memory, which makes a view as fast as an array of its own (three times slower without).
Cost: about one memory copy of the block.
"""
# ruff: noqa: FURB136 - the spelled-out comparisons send NaN to zero, which min and max leave open

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["deinterleave", "interleave", "quantise8", "quantise8_planes", "quantise16"]

Float = NDArray[np.float32]
Quantiser = Callable[[Float, NDArray[Any]], None]

_RGB = 3  # channels
_F32 = 4  # bytes of a float32
_HALF = np.float32(0.5)
_ZERO = np.float32(0)


@kernel
def deinterleave(src: Float, out: Float) -> None:
    """Copy interleaved pixels (h, w, C) into planes (C, h, w).

    Parameters
    ----------
    src : ndarray, shape (h, w, C), float32
        May be a view of a larger frame.
    out : ndarray, shape (C, h, w), float32
    """
    h, w, channels = src.shape
    if channels == _RGB and src.strides[2] == _F32 and src.strides[1] == _RGB * _F32 and out.strides[2] == _F32:
        for y in range(h):
            for x in range(w):
                out[0, y, x] = src[y, x, 0]
                out[1, y, x] = src[y, x, 1]
                out[2, y, x] = src[y, x, 2]
    else:
        for c in range(channels):
            for y in range(h):
                for x in range(w):
                    out[c, y, x] = src[y, x, c]


@kernel
def interleave(src: Float, out: Float) -> None:
    """Copy planes (C, h, w) into interleaved pixels (h, w, C).

    Parameters
    ----------
    src : ndarray, shape (C, h, w), float32
    out : ndarray, shape (h, w, C), float32
        May be a view of a larger frame.
    """
    h, w, channels = out.shape
    if channels == _RGB and out.strides[2] == _F32 and out.strides[1] == _RGB * _F32 and src.strides[2] == _F32:
        for y in range(h):
            for x in range(w):
                out[y, x, 0] = src[0, y, x]
                out[y, x, 1] = src[1, y, x]
                out[y, x, 2] = src[2, y, x]
    else:
        for y in range(h):
            for x in range(w):
                for c in range(channels):
                    out[y, x, c] = src[c, y, x]


@kernel
def _code(value: Any, top: Any) -> Any:
    """The nearest whole number of ``value * top`` within 0..top, halves upward; NaN gives 0."""
    v = value * top + _HALF
    v = v if v > _ZERO else _ZERO
    v = v if v < top else top
    return np.int32(v)


def _interleaved_quantiser(size: int) -> Quantiser:
    """Kernel from interleaved float pixels to interleaved samples of ``size`` bytes."""
    top = np.float32(256**size - 1)

    @kernel
    def interleaved(src: Float, out: NDArray[Any]) -> None:
        h, w, channels = out.shape
        plain = src.shape[2] == _RGB and src.strides[2] == _F32 and src.strides[1] == _RGB * _F32
        if channels == _RGB and plain and out.strides[2] == size and out.strides[1] == _RGB * size:
            for y in range(h):
                for x in range(w):
                    out[y, x, 0] = _code(src[y, x, 0], top)
                    out[y, x, 1] = _code(src[y, x, 1], top)
                    out[y, x, 2] = _code(src[y, x, 2], top)
        else:
            for y in range(h):
                for x in range(w):
                    for c in range(channels):
                        out[y, x, c] = _code(src[y, x, c], top)

    return interleaved


_interleaved8 = _interleaved_quantiser(1)
_interleaved16 = _interleaved_quantiser(2)


def quantise16(src: Float, out: NDArray[np.uint16]) -> None:
    """Turn display values 0..1 into 16-bit samples.

    Parameters
    ----------
    src : ndarray, shape (h, w, C), float32
        0 is black, 1 is white; values outside are clipped, NaN becomes 0.
    out : ndarray, shape (h, w, C), uint16
        ``floor(65535 v + 1/2)``: the nearest code, halves upward.
    """
    _interleaved16(src, out)


def quantise8(src: Float, out: NDArray[np.uint8]) -> None:
    """Turn display values 0..1 into 8-bit samples: `quantise16` with 255 in place of 65535.

    Parameters
    ----------
    src : ndarray, shape (...), float32
        0 black to 1 white; values outside are clipped.
    out : ndarray, shape (...), uint8
        Of the same shape; to be written.
    """
    _interleaved8(src, out)


@kernel
def quantise8_planes(src: Float, out: NDArray[np.uint8]) -> None:
    """Turn planes (C, h, w) of display values into interleaved 8-bit samples (h, w, C) in one pass.

    Parameters
    ----------
    src : ndarray, shape (C, h, w), float32
        0 black to 1 white; values outside are clipped.
    out : ndarray, shape (h, w, C), uint8
        To be written.
    """
    h, w, channels = out.shape
    top = np.float32(255)
    if channels == _RGB and src.strides[2] == _F32 and out.strides[2] == 1 and out.strides[1] == _RGB:
        for y in range(h):
            for x in range(w):
                out[y, x, 0] = _code(src[0, y, x], top)
                out[y, x, 1] = _code(src[1, y, x], top)
                out[y, x, 2] = _code(src[2, y, x], top)
    else:
        for y in range(h):
            for x in range(w):
                for c in range(channels):
                    out[y, x, c] = _code(src[c, y, x], top)
