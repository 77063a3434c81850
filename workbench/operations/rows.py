"""Elementary functions over one row of a tile, in place: the loops that a compiler turns into vectors.

A loop that calls several of them is not: each is small enough to be drawn into a loop once, not three times. So
kernels work row by row, a few kilobytes that stay in the nearest cache, in several simple loops.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations import fastmath

__all__ = ["cbrt_row", "decode_row", "encode_row"]

Row = NDArray[np.float32]


@kernel
def decode_row(row: Row) -> None:
    """Code values 0..1 to linear light."""
    for x in range(row.size):
        row[x] = fastmath.srgb_decode(row[x])


@kernel
def encode_row(row: Row) -> None:
    """Linear light 0..1 to code values."""
    for x in range(row.size):
        row[x] = fastmath.srgb_encode(row[x])


@kernel
def cbrt_row(row: Row) -> None:
    """Cube roots."""
    for x in range(row.size):
        row[x] = fastmath.cbrt(row[x])
