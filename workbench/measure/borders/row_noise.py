"""Noise along a side of the frame: in short pieces of each row, as what a pixel has beyond its expectation.

Noise of a stack hangs together, as demosaicing and alignment leave it. Each pixel is foretold by its neighbors; what is
left has nothing in common, and slopes and structure hardly count in it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import summing_kernel
from workbench.measure.blocks import Plane, Planes

__all__ = ["FEWEST", "NEIGHBORS", "RESPONSE", "SideRows", "expectation", "noise_limits", "row_noise", "side_rows"]

Floats = NDArray[np.float64]

#: Pieces of a side, evenly spread, and the fewest that tell; the pixels of one: from .. to.
_PIECES, FEWEST = 32, 6
_PIECE = (24, 96)
#: Neighbors (rows inward, columns) by which a pixel is foretold: before it in its row, and in the next two rows.
NEIGHBORS = (
    *((0, -1), (0, -2), (0, -3), (0, -4)),
    *((1, -3), (1, -2), (1, -1), (1, 0), (1, 1), (1, 2), (1, 3)),
    *((2, -2), (2, -1), (2, 0), (2, 1), (2, 2)),
)
_AHEAD, _ASIDE = 2, 4
#: Pixels of the inside that tell how, rounds without outliers, and the share below which neighbors are the same (no
#: weight is known for each).
_LEARNED, _ROUNDS, _SAME = 12_000, 3, 1e-6
#: Deviations within which four fifths of noise lies.
_QUANTILE = 1.2816
#: Pixels beyond so many deviations of the piece are left out (stars), which takes this off a change in noise.
_OUTLIER, RESPONSE = 3.0, 0.88
#: How deep a border may be: a share of the frame, within limits (px).
_SHARE, _LEAST, _MOST = 0.2, 24, 512
#: About so many rows of a piece tell the largest difference that is noise.
_ROWS = 48


@summing_kernel
def row_noise(
    piece: Planes,
    taps: NDArray[np.float32],
    limits: NDArray[np.float32],
    bad: NDArray[np.uint8],
    noise: Plane,
    light: Plane,
) -> None:
    """Log noise and mean light in each row of a piece, (M, C) each; NaN where a pixel is bad.

    Noise is what a pixel has beyond its expectation by its neighbors. Where that is over its limit (a star), a pixel
    does not count; where few are left, noise is NaN.

    Parameters
    ----------
    piece : ndarray, shape (C, M + 2, n + 8), float32
        With the rows and columns beside it that neighbors lie in.
    taps : ndarray, shape (C, neighbors), float32
        As `expectation` gives them.
    limits : ndarray, shape (C,), float32
        As `noise_limits` gives them.
    bad : ndarray, shape (M, n), uint8
        1 where a pixel means nothing.
    noise, light : ndarray, shape (M, C), float32
        To be written.
    """
    rows, channels = noise.shape
    width = bad.shape[1]
    off = np.empty(width, np.float32)
    for y in range(rows):
        bad_pixels = 0
        for x in range(width):
            bad_pixels += bad[y, x]
        for c in range(channels):
            for x in range(width):
                off[x] = piece[c, y, x + _ASIDE]
            for k in range(len(NEIGHBORS)):
                row, first, weight = piece[c, y + NEIGHBORS[k][0]], _ASIDE + NEIGHBORS[k][1], taps[c, k]
                for x in range(width):
                    off[x] -= weight * row[x + first]
            total, n, bright = np.float32(0), np.float32(0), np.float32(0)
            for x in range(width):
                square = off[x] * off[x]
                counts = np.float32(1) if square < limits[c] else np.float32(0)
                total += counts * square
                bright += counts * piece[c, y, x + _ASIDE]
                n += counts
            unknown = bad_pixels > 0 or 4 * n < width or not total > 0
            noise[y, c] = np.nan if unknown else np.float32(0.5 / RESPONSE) * np.log(total / n)
            light[y, c] = bright / max(n, np.float32(1))


def _beside(plane: Plane, row: NDArray[np.int64], neighbor: tuple[int, int]) -> Plane:
    """Pixels of some rows that lie at a neighbor's place, without the ends of the rows."""
    first = _ASIDE + neighbor[1]
    return plane[row + neighbor[0], first : plane.shape[1] - 2 * _ASIDE + first]


def expectation(plane: Plane) -> NDArray[np.float32]:
    """Weights of the neighbors by which a pixel is foretold best: what is left is noise that has nothing in common.

    Noise of a stack hangs together, as demosaicing and alignment leave it: a row tells it as well as if it did not
    where the difference to its expectation is taken (linear prediction; Makhoul 1975, Proc. IEEE 63, 561). The
    weights' sum is 1, so that even light counts for nothing.

    Parameters
    ----------
    plane : ndarray, shape (M, W), float32

    Returns
    -------
    ndarray, shape (neighbors,), float32
    """
    rows = np.unique(
        np.linspace(0, len(plane) - 1 - _AHEAD, max(1, min(_LEARNED // plane.shape[1], _ROWS))).astype(int)
    )
    at = _beside(plane, rows, (0, 0)).ravel().astype(np.float64)
    near = np.stack([_beside(plane, rows, n).ravel() for n in NEIGHBORS], axis=1).astype(np.float64)
    change, wanted = near[:, 1:] - near[:, :1], at - near[:, 0]
    known = np.isfinite(wanted) & np.isfinite(change).all(axis=1)
    change, wanted = change[known], wanted[known]
    left: NDArray[Any] = wanted
    taps: Floats = np.zeros(change.shape[1])
    for _ in range(_ROUNDS):
        most = _OUTLIER * _scatter(left) if left.size else 0.0
        few = (np.abs(left) <= most)[:, None] * change
        taps = np.linalg.lstsq(few.T @ change, few.T @ wanted, rcond=_SAME)[0]
        left = wanted - change @ taps
    return np.concatenate([[1 - taps.sum()], taps]).astype(np.float32)


def noise_limits(piece: Planes, taps: NDArray[np.float32]) -> NDArray[np.float32]:
    """Largest square of what a pixel has beyond its expectation that still is noise: (C,).

    Parameters
    ----------
    piece : ndarray, shape (C, M + 2, n + 8), float32
    taps : ndarray, shape (C, neighbors), float32

    Returns
    -------
    ndarray, shape (C,), float32
    """
    rows = np.arange(0, piece.shape[1] - _AHEAD, max(3, (piece.shape[1] - _AHEAD) // _ROWS))
    found = []
    for plane, weights in zip(piece, taps, strict=True):
        off = _beside(plane, rows, (0, 0)).copy()
        for neighbor, weight in zip(NEIGHBORS, weights, strict=True):
            off -= weight * _beside(plane, rows, neighbor)
        found.append(_scatter(off))
    return np.asarray((_OUTLIER * np.array(found)) ** 2, np.float32)


def _scatter(off: NDArray[np.floating]) -> float:
    """Standard deviation of noise with outliers; half of it may be 0, as demosaiced frames without dithers leave it."""
    return float(np.quantile(np.abs(off), 0.8)) / _QUANTILE


@dataclass(frozen=True, slots=True)
class SideRows:
    """Log noise and light (rows, pieces, C) of a side, before light is taken out of the noise.

    ``at`` are the middles of the pieces from the middle of the side, px; ``length`` is that of the side, ``searched``
    the rows in which a border may lie.
    """

    noise: Floats
    light: Floats
    at: Floats
    length: int
    searched: int


def side_rows(planes: Planes, bad: NDArray[np.uint8]) -> SideRows | None:
    """The first rows of a frame that is turned so that its side is at the top.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    bad : ndarray, shape (H, W), uint8
        1 where a pixel means nothing.

    Returns
    -------
    SideRows or None
        None when the frame is too small to tell.
    """
    channels, height, width = planes.shape
    wide = int(np.clip(width // _PIECES, *_PIECE))
    pieces = min((width - 2 * _ASIDE) // wide, _PIECES)
    if height < 4 * _LEAST or pieces < FEWEST:
        return None
    searched = min(int(np.clip(_SHARE * height, _LEAST, _MOST)), height // 3)
    rows = min(searched + max(searched // 4, 2 * _LEAST), height // 3)
    taps = np.stack([expectation(plane[searched // 2 : rows + _AHEAD]) for plane in planes])
    noise, light = np.empty((2, pieces, rows, channels), np.float32)
    first = np.linspace(0, width - wide - 2 * _ASIDE, pieces).round().astype(int)
    for x, to, shine in zip(first, noise, light, strict=True):
        piece = np.ascontiguousarray(planes[:, : rows + _AHEAD, x : x + wide + 2 * _ASIDE])
        bad_pixels = np.ascontiguousarray(bad[:rows, x + _ASIDE : x + _ASIDE + wide])
        row_noise(piece, taps, noise_limits(piece, taps), bad_pixels, to, shine)
    at = first + 0.5 * wide + _ASIDE - 0.5 * width
    noise, light = (v.transpose(1, 0, 2).astype(np.float64) for v in (noise, light))
    return SideRows(noise, light, at, width, searched)
