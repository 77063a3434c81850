"""Elementary functions over one row of a tile: the loops that a compiler turns into vectors.

A loop that calls several of them is not: each is small enough to be drawn into a loop once, not three times. So
kernels work row by row, a few kilobytes that stay in the nearest cache, in several simple loops.
Those that write elsewhere than they read must be given memory that does not overlap: where it does, the vector form
is left for a slow one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations import fastmath

__all__ = ["cbrt_row", "decode_into", "decode_row", "encode_into", "encode_row"]

Row = NDArray[np.float32]


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
