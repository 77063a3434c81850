"""sRGB and Oklab: plain numpy on arrays of any size; tile kernels take the matrices from here.

sRGB: IEC 61966-2-1:1999. Oklab: Björn Ottosson, "A perceptual color space for image processing" (2020), with the
matrices for linear sRGB that he published on 2021-01-25; the way back uses their exact inverses.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "LAB_TO_ROOTS",
    "LMS_TO_RGB",
    "LUMINANCE",
    "RGB_TO_LMS",
    "ROOTS_TO_LAB",
    "linear_to_oklab",
    "luminance_weights",
    "oklab_to_linear",
    "srgb_decode",
    "srgb_encode",
]

Array = NDArray[Any]

#: Luminance of linear sRGB red, green and blue (IEC 61966-2-1, from ITU-R BT.709).
LUMINANCE = (0.2126, 0.7152, 0.0722)

#: Below these, sRGB is a straight line (IEC 61966-2-1).
_LINEAR_TOE, _CODE_TOE = 0.0031308, 0.04045

#: Linear sRGB to cone responses, and their cube roots to L, a, b (Ottosson 2020, update of 2021-01-25).
RGB_TO_LMS = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
ROOTS_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
LAB_TO_ROOTS = np.linalg.inv(ROOTS_TO_LAB)
LMS_TO_RGB = np.linalg.inv(RGB_TO_LMS)


def srgb_encode(linear: Array) -> Array:
    """Linear light to sRGB code values, 0..1 to 0..1 (IEC 61966-2-1); negative light keeps its sign.

    Parameters
    ----------
    linear : ndarray, shape (...), float

    Returns
    -------
    ndarray, shape (...)

    Examples
    --------
    >>> round(float(srgb_encode(np.float64(0.18))), 6)
    0.461356
    """
    x = np.abs(linear)
    code = np.where(x <= _LINEAR_TOE, 12.92 * x, 1.055 * np.maximum(x, _LINEAR_TOE) ** (1 / 2.4) - 0.055)
    return np.copysign(code, linear)


def srgb_decode(code: Array) -> Array:
    """Code values of sRGB to linear light, 0..1 to 0..1 (IEC 61966-2-1); negative codes keep their sign.

    Parameters
    ----------
    code : ndarray, shape (...), float

    Returns
    -------
    ndarray, shape (...)

    Examples
    --------
    >>> round(float(srgb_decode(np.float64(0.5))), 6)
    0.214041
    """
    x = np.abs(code)
    linear = np.where(x <= _CODE_TOE, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    return np.copysign(linear, code)


def luminance_weights(channels: int) -> NDArray[np.float64]:
    """Weights of red, green and blue in the luminance; a single channel is its own.

    Parameters
    ----------
    channels : {1, 3}

    Returns
    -------
    ndarray, shape (channels,), float64
        Their sum is 1.
    """
    return np.array(LUMINANCE if channels == len(LUMINANCE) else [1.0])


def linear_to_oklab(planes: Array) -> Array:
    """Linear sRGB planes (3, ...) to Oklab planes L, a, b (3, ...).

    Parameters
    ----------
    planes : ndarray, shape (3, ...), float

    Returns
    -------
    ndarray, shape (3, ...)

    Examples
    --------
    >>> linear_to_oklab(np.array([1.0, 0.0, 0.0])).round(4).tolist()
    [0.628, 0.2249, 0.1258]
    """
    return np.tensordot(ROOTS_TO_LAB, np.cbrt(np.tensordot(RGB_TO_LMS, planes, axes=1)), axes=1)


def oklab_to_linear(planes: Array) -> Array:
    """Oklab planes L, a, b (3, ...) to linear sRGB planes (3, ...); the inverse of `linear_to_oklab`.

    Parameters
    ----------
    planes : ndarray, shape (3, ...), float

    Returns
    -------
    ndarray, shape (3, ...)
    """
    return np.tensordot(LMS_TO_RGB, np.tensordot(LAB_TO_ROOTS, planes, axes=1) ** 3, axes=1)
