"""Elementary functions over one row of a tile: the loops that a compiler turns into vectors.

A loop that calls several of them is not: each is small enough to be drawn into a loop once, not three times. So
kernels work row by row, a few kilobytes that stay in the nearest cache, in several simple loops.
Those that write elsewhere than they read must be given memory that does not overlap: where it does, the vector form
is left for a slow one.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations import fastmath
from workbench.operations.colorspace import RGB_TO_LMS

__all__ = ["cbrt_row", "copy_into", "decode_into", "decode_row", "encode_into", "encode_row", "linear_and_roots"]

Row = NDArray[np.float32]
Planes = NDArray[np.float32]
(_A00, _A01, _A02), (_A10, _A11, _A12), (_A20, _A21, _A22) = RGB_TO_LMS.astype(np.float32)


@kernel
def copy_into(src: NDArray[Any], out: NDArray[Any]) -> None:
    """Values as they are into other memory of the same length.

    For use in kernels in place of ``out[:] = src``: the words of the error which that could raise take two seconds to
    compile, in each process and with each number of dimensions.

    Parameters
    ----------
    src : ndarray, shape (N,)
    out : ndarray, shape (N,)
        To be written.
    """
    for x in range(out.size):
        out[x] = src[x]


@kernel
def decode_row(row: Row) -> None:
    """Code values 0..1 to linear light, in place.

    Parameters
    ----------
    row : ndarray, shape (N,), float32
        Changed in place.
    """
    for x in range(row.size):
        row[x] = fastmath.srgb_decode(row[x])


@kernel
def decode_into(src: Row, out: Row) -> None:
    """Code values 0..1 to linear light in other memory.

    Parameters
    ----------
    src : ndarray, shape (N,), float32
    out : ndarray, shape (N,), float32
        To be written.
    """
    for x in range(src.size):
        out[x] = fastmath.srgb_decode(src[x])


@kernel
def encode_row(row: Row) -> None:
    """Linear light 0..1 to code values, in place.

    Parameters
    ----------
    row : ndarray, shape (N,), float32
        Changed in place.
    """
    for x in range(row.size):
        row[x] = fastmath.srgb_encode(row[x])


@kernel
def encode_into(src: Row, out: Row) -> None:
    """Linear light 0..1 to code values in other memory.

    Parameters
    ----------
    src : ndarray, shape (N,), float32
    out : ndarray, shape (N,), float32
        To be written.
    """
    for x in range(src.size):
        out[x] = fastmath.srgb_encode(src[x])


@kernel
def cbrt_row(row: Row) -> None:
    """Cube roots, in place.

    Parameters
    ----------
    row : ndarray, shape (N,), float32
        Changed in place.
    """
    for x in range(row.size):
        row[x] = fastmath.cbrt(row[x])


@kernel
def linear_and_roots(src: Planes, y: int, rgb: Planes, roots: Planes) -> None:
    """Row ``y`` of a picture in linear light, and the cube roots of its cone responses, which Oklab is a mixture of.

    Parameters
    ----------
    src : ndarray, shape (3, h, w), float32
        Code values; those outside 0..1 are clipped.
    y : int
    rgb, roots : ndarray, shape (3, w), float32
        To be written.
    """
    for c in range(3):
        decode_into(src[c, y], rgb[c])
    for x in range(rgb.shape[1]):
        r, g, b = rgb[0, x], rgb[1, x], rgb[2, x]
        roots[0, x] = _A00 * r + _A01 * g + _A02 * b
        roots[1, x] = _A10 * r + _A11 * g + _A12 * b
        roots[2, x] = _A20 * r + _A21 * g + _A22 * b
    for c in range(3):
        cbrt_row(roots[c])
