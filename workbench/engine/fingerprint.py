"""A fingerprint of a frame: small beside it, and another one for every picture that a person would call another.

Two runs of one recipe on two processors differ in last bits, so digests alone cannot say that they made the same
picture. A fingerprint can, within a tolerance. The frame is cut into squares of 64 x 64 pixels (`SIDE`), anchored at
its origin. Of each square and channel it holds the mean, and four projections: the sum of the pixels, each multiplied
by a pseudo-random weight of its own, over the square root of their number. Weights are of either sign, of size 0.5 to
1.5 and mean square 1. Projections keep distances (Johnson & Lindenstrauss 1984, Contemp. Math. 26, 189; with weights
this simple: Achlioptas 2003, J. Comput. Syst. Sci. 66, 671): where two frames differ by RMS r in a square, each of the
four projections differs by a number of mean 0 and standard deviation r, so that their root mean square is an estimate
of r. `gap` is the largest of these estimates, and of the differences of means, over all squares and channels.

What it sees and what it can miss, with T the tolerance of a comparison:

- Every pixel of every square counts, and by its place: a frame that is mirrored, turned, shifted by a pixel or shuffled
  differs wherever it is not flat, squares are compared in their places, and so are channels.
- One changed pixel in a square changes each projection by at least 0.48 / 64 of the change. It is seen for certain
  from 134 T on (0.2 % of white for T of one 16-bit step), mostly from 64 T.
- Several changed pixels may cancel in a projection. A change of RMS r in one square and channel is missed with
  probability P(chi2_4 < 4 (T / r)^2), which is about 2 (T / r)^4: 12 % at 2 T, 0.8 % at 4 T, 0.02 % at 10 T. A change
  of n squares is missed with the n-th power, as the weights of each square are others.
- Below T nothing is told: that is the tolerance. Two frames that truly differ by 0.3 T everywhere pass.
- It is no seal: whoever knows this file can make another frame of the same fingerprint.

Five float32 for each square and channel take 0.12 % of a float32 frame. `COARSE` squares, 16 times as many pixels each,
are sums of these; they see a single pixel from 4 times that change on, and take 0.008 %.
"""

from __future__ import annotations

import base64
import binascii
import math
from dataclasses import dataclass
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import summing_kernel
from workbench.operations.base import Planes

__all__ = ["COARSE", "SIDE", "Fingerprint", "Gap", "block_sums", "block_sums_reference"]

#: Side of a square in pixels; the sides of the grid's tiles are multiples of it.
SIDE = 64
#: Side of the squares that steps other than the last one are kept at.
COARSE = 256
_PROJECTIONS = 4
_AREA = SIDE * SIDE


def _weights() -> NDArray[np.float32]:
    """(4, 2 x 64 x 64) weights; a square takes those from an offset on that its place gives."""
    # splitmix64 (Steele, Lea & Flood 2014, OOPSLA 453): whole numbers only, the same on every machine.
    z = np.arange(1, _PROJECTIONS * 2 * _AREA + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z ^= z >> np.uint64(31)
    size = 0.5 + (z >> np.uint64(40)).astype(np.float64) / 2.0**24
    signed = np.where(z & np.uint64(1), size, -size) / np.sqrt(13 / 12)
    weights: NDArray[np.float32] = signed.astype(np.float32).reshape(_PROJECTIONS, -1)
    return weights


_WEIGHTS = _weights()


@summing_kernel
def _sums(
    tile: Planes, first_row: int, first_column: int, weights: NDArray[np.float32], out: NDArray[np.float64]
) -> None:
    channels, height, width = tile.shape
    rows, columns = out.shape[:2]
    for r in range(rows):
        for q in range(columns):
            y0, x0 = r * 64, q * 64
            y1, x1 = min(y0 + 64, height), min(x0 + 64, width)
            for c in range(channels):
                offset = ((first_row + r) * 2531 + (first_column + q) * 1237 + c * 701) % 4096
                t0 = t1 = t2 = t3 = t4 = 0.0
                for y in range(y0, y1):
                    # A row in float32, rows in float64: vector speed, and no error that grows with the square. Slices,
                    # as numba vectorizes no loop whose indices may be negative.
                    s0 = s1 = s2 = s3 = s4 = np.float32(0)
                    row = tile[c, y, x0:x1]
                    start, count = offset + (y - y0) * 64, row.size
                    w1 = weights[0, start : start + count]
                    w2 = weights[1, start : start + count]
                    w3 = weights[2, start : start + count]
                    w4 = weights[3, start : start + count]
                    for x in range(count):
                        v = row[x]
                        s0 += v
                        s1 += v * w1[x]
                        s2 += v * w2[x]
                        s3 += v * w3[x]
                        s4 += v * w4[x]
                    t0 += float(s0)
                    t1 += float(s1)
                    t2 += float(s2)
                    t3 += float(s3)
                    t4 += float(s4)
                out[r, q, c, 0] = t0
                out[r, q, c, 1] = t1
                out[r, q, c, 2] = t2
                out[r, q, c, 3] = t3
                out[r, q, c, 4] = t4


def block_sums(tile: Planes, y0: int = 0, x0: int = 0) -> NDArray[np.float64]:
    """Sums and weighted sums over the squares of a tile.

    Parameters
    ----------
    tile : ndarray (C, h, w) float32
    y0, x0 : int
        Where the tile lies in the frame; multiples of `SIDE`.

    Returns
    -------
    ndarray (rows of squares, columns of squares, C, 5) float64
    """
    channels, height, width = tile.shape
    out = np.empty((-(-height // SIDE), -(-width // SIDE), channels, 1 + _PROJECTIONS))
    _sums(tile, y0 // SIDE, x0 // SIDE, _WEIGHTS, out)
    return out


def block_sums_reference(tile: Planes, y0: int = 0, x0: int = 0) -> NDArray[np.float64]:
    """`block_sums` in plain numpy.

    Parameters
    ----------
    tile : ndarray, shape (C, h, w), float32
    y0, x0 : int
        Where it lies in its frame.

    Returns
    -------
    ndarray, shape (C, rows, columns), float64
    """
    channels, height, width = tile.shape
    out = np.empty((-(-height // SIDE), -(-width // SIDE), channels, 1 + _PROJECTIONS))
    for r, q, c in np.ndindex(out.shape[:3]):
        square = tile[c, r * SIDE : (r + 1) * SIDE, q * SIDE : (q + 1) * SIDE].astype(np.float64)
        offset = ((y0 // SIDE + r) * 2531 + (x0 // SIDE + q) * 1237 + c * 701) % _AREA
        weights = _WEIGHTS[:, offset : offset + _AREA].reshape(_PROJECTIONS, SIDE, SIDE)
        out[r, q, c, 0] = square.sum()
        out[r, q, c, 1:] = (weights[:, : square.shape[0], : square.shape[1]] * square).sum(axis=(1, 2))
    return out


class Gap(NamedTuple):
    """The largest difference of two fingerprints, and the upper left pixel of the square where it is."""

    size: float
    y: int
    x: int


@dataclass(frozen=True, eq=False)
class Fingerprint:
    """Mean and projections of each square and channel of a frame; see the words on this file.

    Attributes
    ----------
    values : ndarray (rows, columns, C, 5) float32
        Of each square: mean, four projections, in units of the pixels.
    side : int
        Of the squares, in pixels.
    """

    values: NDArray[np.float32]
    side: int = SIDE

    @classmethod
    def of_sums(cls, sums: NDArray[np.float64], height: int, width: int, side: int = SIDE) -> Self:
        """From the `block_sums` of a whole frame; ``side`` is a multiple of `SIDE`.

        Parameters
        ----------
        sums : ndarray, shape (C, rows, columns), float64
        height, width : int
            Of the frame, in pixels.
        side : int

        Returns
        -------
        Fingerprint
        """
        many = side // SIDE
        for axis in (0, 1):
            sums = np.add.reduceat(sums, np.arange(0, sums.shape[axis], many), axis=axis)
        tall = np.minimum(height - np.arange(0, height, side), side)
        wide = np.minimum(width - np.arange(0, width, side), side)
        pixels = (tall[:, None] * wide)[:, :, None]
        values = np.empty(sums.shape, np.float32)
        with np.errstate(over="ignore", invalid="ignore"):
            values[..., 0] = sums[..., 0] / pixels
            values[..., 1:] = sums[..., 1:] / np.sqrt(pixels)[..., None]
        return cls(values, side)

    @classmethod
    def of(cls, planes: Planes, side: int = SIDE) -> Self:
        """Of a frame (C, H, W).

        Parameters
        ----------
        planes : ndarray, shape (C, H, W), float32
        side : int
            Of a square, in pixels.

        Returns
        -------
        Fingerprint
        """
        _, height, width = planes.shape
        return cls.of_sums(block_sums(planes), height, width, side)

    def encoded(self) -> str:
        """The values in C order, little-endian float32, base64."""
        return base64.b64encode(self.values.astype("<f4").tobytes()).decode()

    @classmethod
    def decoded(cls, text: str, shape: tuple[int, int, int], side: int = SIDE) -> Self:
        """Back from text, for a frame of ``shape`` (height, width, channels).

        Parameters
        ----------
        text : str
        shape : tuple of (int, int, int)
        side : int
            Of a square, in pixels.

        Returns
        -------
        Fingerprint

        Raises
        ------
        ValueError
            When it is not that of such a frame.
        """
        height, width, channels = shape
        try:
            data = base64.b64decode(text, validate=True)
        except (binascii.Error, TypeError):
            raise ValueError("it is not base64") from None
        squares = (-(-height // side), -(-width // side), channels, 1 + _PROJECTIONS)
        if len(data) != 4 * math.prod(squares):
            raise ValueError(f"a frame of {width} x {height} pixels has another number of squares")
        return cls(np.frombuffer(data, "<f4").astype(np.float32).reshape(squares), side)

    def gap(self, other: Self) -> Gap:
        """How far two frames of the same shape are apart in the square and channel where they are farthest.

        Parameters
        ----------
        other : Fingerprint

        Returns
        -------
        Gap
            Its size, an estimate of the RMS difference in that square, is infinite where one of the two holds values
            that are no numbers.
        """
        with np.errstate(invalid="ignore"):
            apart = self.values.astype(np.float64) - other.values
        rms = np.sqrt(np.mean(apart[..., 1:] ** 2, axis=-1))
        size = np.maximum(np.abs(apart[..., 0]), rms).max(axis=-1)
        size[~np.isfinite(size)] = np.inf
        row, column = np.unravel_index(int(size.argmax()), size.shape)
        return Gap(float(size[row, column]), int(row) * self.side, int(column) * self.side)
