"""Borders seen by noise alone: where fewer frames were averaged, noise is higher by the root of their share.

Along each side of the frame noise is measured in short pieces of every row (second differences, so that slopes and
structure hardly count), and the edges of the frames are fitted to it (`workbench.measure.borders.fit_edges`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import summing_kernel
from workbench.measure.blocks import Plane, Planes, in_order
from workbench.measure.borders.fit_edges import Side, edge_depths, fit_edges

__all__ = ["noise_depths"]

#: Pieces of a side, evenly spread, and the pixels of one: from .. to.
_PIECES, _FEWEST = 32, 6
_PIECE = (24, 96)
#: Pixels between the terms of the second differences.
_LAGS = (1, 2)
_REACH = max(_LAGS)
#: Differences beyond so many deviations of the piece are left out (stars), which takes this off a change in noise.
_OUTLIER, _RESPONSE = 3.0, 0.88
#: How deep a border may be: a share of the frame, within limits (px).
_SHARE, _LEAST, _MOST = 0.2, 24, 512
_MAD = 1.482602


@summing_kernel
def _roughness(piece: Planes, limits: NDArray[np.float32], bad: NDArray[np.uint8], out: Plane) -> None:
    """Log noise in each row of a piece (C, M, n): mean over channels and lags, NaN where a pixel is bad.

    Second differences over their limit (channels, lags; squares) do not count; where few are left, it is NaN.
    """
    channels, rows, width = piece.shape
    for y in range(rows):
        out[y] = np.nan if bad[y].any() else 0.0
        for c in range(channels):
            row = piece[c, y]
            for k in range(limits.shape[1]):
                lag, most = k + 1, limits[c, k]
                total, n = np.float32(0), np.float32(0)
                for x in range(_REACH, width - _REACH):
                    difference = row[x] - np.float32(0.5) * (row[x - lag] + row[x + lag])
                    square = difference * difference
                    counts = np.float32(1) if square < most else np.float32(0)
                    total += counts * square
                    n += counts
                few = 4 * n < width or not total > 0
                out[y] += np.nan if few else np.float32(0.5) * np.log(total / n)
        out[y] /= np.float32(channels * limits.shape[1] * _RESPONSE)


def _limits(piece: Planes) -> NDArray[np.float32]:
    """Largest squared second difference that still is noise: (channels, lags)."""
    some = piece[:, ::3]
    middle = some[..., _REACH:-_REACH]
    found = []
    for lag in _LAGS:
        beside = some[..., _REACH - lag : -_REACH - lag] + some[..., _REACH + lag : some.shape[2] - _REACH + lag]
        found.append(np.median(np.abs(middle - np.float32(0.5) * beside), axis=(1, 2)))
    return np.asarray((_OUTLIER * _MAD * np.stack(found, axis=1)) ** 2, np.float32)


def _side(planes: Planes, bad: NDArray[np.uint8]) -> Side | None:
    """Noise at the first rows of ``planes`` (C, H, W), inwards; None when the frame is too small to tell."""
    _, height, width = planes.shape
    wide = int(np.clip(width // _PIECES, *_PIECE))
    pieces = min((width - 2 * _REACH) // wide, _PIECES)
    if height < 4 * _LEAST or pieces < _FEWEST:
        return None
    searched = min(int(np.clip(_SHARE * height, _LEAST, _MOST)), height // 3)
    rows = min(searched + max(searched // 4, 2 * _LEAST), height // 3)
    rough = np.empty((pieces, rows), np.float32)
    first = np.linspace(0, width - wide - 2 * _REACH, pieces).round().astype(int)
    for x, out in zip(first, rough, strict=True):
        span = np.s_[:rows, x : x + wide + 2 * _REACH]
        piece = np.ascontiguousarray(planes[:, *span])
        _roughness(piece, _limits(piece), np.ascontiguousarray(bad[span]), out)
    noise = rough.T.astype(np.float64)
    inside = noise[-(rows // 3) :]
    usable = np.isfinite(inside).mean(axis=0) > 0.5
    if np.count_nonzero(usable) < _FEWEST:
        return None
    noise, inside = np.ascontiguousarray(noise[:, usable]), inside[:, usable]
    level = np.nanmedian(inside, axis=0)
    cell = _MAD * float(np.nanmedian(np.abs(inside - level)))
    at = first[usable] + 0.5 * wide + _REACH - 0.5 * width
    return Side(noise, at, width, searched, level, cell) if cell > 0 else None


def _without_corners(side: Side, before: int, after: int) -> Side:
    """The side without the pieces that lie within the borders at its ends."""
    half = 0.5 * side.length
    spacing = float(np.diff(side.at).min()) if side.at.size > 1 else side.length
    keep = (side.at - spacing / 2 >= before - half) & (side.at + spacing / 2 <= half - after)
    if keep.all() or np.count_nonzero(keep) < _FEWEST:
        return side
    return replace(side, noise=np.ascontiguousarray(side.noise[:, keep]), at=side.at[keep], level=side.level[keep])


def noise_depths(
    planes: Planes, bad: NDArray[np.uint8]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Depth of the border seen by noise on each side: top and bottom by column, left and right by row.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    bad : ndarray, shape (H, W), uint8
        1 where a pixel is known to mean nothing.
    """
    turned, bad_turned = planes.transpose(0, 2, 1), bad.T
    sides = in_order(
        lambda side: _side(*side),
        [
            (planes, bad),
            (turned[:, ::-1], bad_turned[::-1]),
            (planes[:, ::-1], bad[::-1]),
            (turned, bad_turned),
        ],
    )
    height, width = bad.shape
    lengths = (width, height, width, height)
    top, right, bottom, left = _found(sides, lengths)
    # At their ends, sides lie in the borders of their neighbors: measured once more without.
    ends = [(left[0], right[0]), (top[-1], bottom[-1]), (left[-1], right[-1]), (top[0], bottom[0])]
    inner = [side and _without_corners(side, *end) for side, end in zip(sides, ends, strict=True)]
    top, right, bottom, left = _found(inner, lengths)
    return top, right, bottom, left


def _found(sides: list[Side | None], lengths: tuple[int, ...]) -> tuple[NDArray[np.int64], ...]:
    """Depths along each side; zeros where there is none."""
    lines = in_order(lambda side: None if side is None else fit_edges(side), sides)
    return tuple(
        np.zeros(length, np.int64) if side is None else edge_depths(side, found)
        for side, found, length in zip(sides, lines, lengths, strict=True)
    )
