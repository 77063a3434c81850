"""Borders seen by noise alone: where fewer frames were averaged, noise is higher by the root of their share.

The model of the noise
----------------------
Where a share ``s`` of the frames recorded a pixel on light ``L``, its variance is ``(a + b L) / s``: read noise and
photons. Along each side of the frame, noise and light are measured in short pieces of every row (second differences,
so that slopes and structure hardly count); ``a`` and ``b`` are fitted to the pieces inside, and what a row's noise has
beyond them, ``-0.5 ln(s)`` for missing frames, is the *excess*.

The contour
-----------
Nights differ in framing and turn, so the line on which nine tenths of the frames begin is the farthest of several
straight lines: a line, or one that is bent in the middle. Of all such lines the one is taken whose outside has most
excess over that of nine tenths of the frames, against the rows next to it on the inside, summed over rows and pieces.
Nothing is assumed of how frames come in across it.

When it fails
-------------
A share of 0.88 raises noise by 1 % over one of 0.9: where few frames make the difference, the contour lies anywhere
between the two. Noise that grows towards the edge over a hundred rows and more is the flat field's and not counted;
borders deeper than a fifth of the frame are not looked for. Frames under about 100 rows are not measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel, summing_kernel
from workbench.lazy import on_first_use
from workbench.measure.blocks import Plane, Planes, in_order
from workbench.measure.statistics import MAD_TO_SIGMA

if TYPE_CHECKING:
    from scipy import optimize
else:
    optimize = on_first_use("scipy.optimize")

__all__ = [
    "BENT",
    "FULL_SHARE",
    "RESPONSE",
    "BorderSide",
    "clearest_line",
    "contour_depths",
    "noise_depths",
    "noise_limits",
    "row_noise",
]

Floats = NDArray[np.float64]

#: Full coverage begins where this share of the frames overlap.
FULL_SHARE = 0.9
_EXCESS = -0.5 * np.log(FULL_SHARE)
#: Pieces of a side, evenly spread, and the pixels of one: from .. to.
_PIECES, _FEWEST = 32, 6
_PIECE = (24, 96)
#: Pixels between the terms of the second differences.
_LAGS = (1, 2)
_REACH = max(_LAGS)
#: Differences beyond so many deviations of the piece are left out (stars), which takes this off a change in noise.
_OUTLIER, RESPONSE = 3.0, 0.88
#: How deep a border may be: a share of the frame, within limits (px).
_SHARE, _LEAST, _MOST = 0.2, 24, 512
#: Brightness classes of pieces that the noise's growth with light is fitted to.
_CLASSES = 8
#: Neighboring rows share noise: sums over rows vary by this much more than those of independent ones.
_SHARED = 1.7
#: Cells count no farther than so many deviations from the noise inside.
_WILD = 2.0
#: Rows inside of a contour that tell what noise is without a border.
_BESIDE = 48
#: Gain in log likelihood that a contour must bring, and that it must bring more when it is tilted, and bent.
_CLEAR, _TILTED, BENT = 12.0, 2.0, 4.0
#: Turn between nights that is nothing special (radians); ten times as much costs 4 of log likelihood.
_TURN = 0.015
#: Steepest line (about 3.4 degrees), and the longest way down as a share of the rows searched.
_STEEPEST, _DROP = 0.06, 0.8
#: Standard errors from which a trend of noise towards the edge is believed.
_TREND = 3.0

#: About so many rows of a piece tell the largest difference that is noise.
_ROWS = 48


@dataclass(frozen=True, slots=True)
class BorderSide:
    """One side of the frame, from its edge inwards.

    Attributes
    ----------
    excess : ndarray, shape (rows, pieces), float64
        Log noise of a row in a piece beyond what its light explains, inside 0; NaN where nothing is known.
    at : ndarray, shape (pieces,), float64
        Place of each piece along the side, from its middle (px).
    length, searched : int
        Of the side, and rows in which a border is looked for (px).
    cell : float
        Scatter of the excess inside.
    """

    excess: Floats
    at: Floats
    length: int
    searched: int
    cell: float


@summing_kernel
def row_noise(piece: Planes, limits: NDArray[np.float32], bad: NDArray[np.uint8], noise: Plane, light: Plane) -> None:
    """Log noise and mean light in each row of a piece (C, M, n), (M, C) each; NaN where a pixel is bad.

    Second differences over their limit (channels, lags; squares) do not count; where few are left, it is NaN.

    Parameters
    ----------
    piece : ndarray, shape (C, M, n), float32
    limits : ndarray, shape (C, lags), float32
        As `noise_limits` gives them.
    bad : ndarray, shape (M, n), uint8
        1 where a pixel means nothing.
    noise, light : ndarray, shape (M, C), float32
        To be written.
    """
    channels, rows, width = piece.shape
    for y in range(rows):
        for c in range(channels):
            noise[y, c] = np.nan if bad[y].any() else 0.0
            row = piece[c, y]
            for k in range(limits.shape[1]):
                lag, most = k + 1, limits[c, k]
                total, n, bright = np.float32(0), np.float32(0), np.float32(0)
                for x in range(_REACH, width - _REACH):
                    difference = row[x] - np.float32(0.5) * (row[x - lag] + row[x + lag])
                    square = difference * difference
                    counts = np.float32(1) if square < most else np.float32(0)
                    total += counts * square
                    bright += counts * row[x]
                    n += counts
                few = 4 * n < width or not total > 0
                noise[y, c] += np.nan if few else np.float32(0.5) * np.log(total / n)
                light[y, c] = bright / max(n, np.float32(1))
            noise[y, c] /= np.float32(limits.shape[1] * RESPONSE)


def noise_limits(piece: Planes) -> NDArray[np.float32]:
    """Largest squared second difference that still is noise: (channels, lags).

    Parameters
    ----------
    piece : ndarray, shape (C, M, n), float32

    Returns
    -------
    ndarray, shape (C, lags), float32
    """
    some = piece[:, :: max(3, piece.shape[1] // _ROWS)]
    middle = some[..., _REACH:-_REACH]
    found = []
    for lag in _LAGS:
        beside = some[..., _REACH - lag : -_REACH - lag] + some[..., _REACH + lag : some.shape[2] - _REACH + lag]
        found.append(np.median(np.abs(middle - np.float32(0.5) * beside), axis=(1, 2)))
    return np.asarray((_OUTLIER * MAD_TO_SIGMA * np.stack(found, axis=1)) ** 2, np.float32)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Log noise and light (rows, pieces, C) of a side, before light is taken out of the noise."""

    noise: Floats
    light: Floats
    at: Floats
    length: int
    searched: int


def _measured(planes: Planes, bad: NDArray[np.uint8]) -> _Rows | None:
    """The first rows of ``planes`` (C, H, W), inwards; None when the frame is too small to tell."""
    channels, height, width = planes.shape
    wide = int(np.clip(width // _PIECES, *_PIECE))
    pieces = min((width - 2 * _REACH) // wide, _PIECES)
    if height < 4 * _LEAST or pieces < _FEWEST:
        return None
    searched = min(int(np.clip(_SHARE * height, _LEAST, _MOST)), height // 3)
    rows = min(searched + max(searched // 4, 2 * _LEAST), height // 3)
    noise, light = np.empty((2, pieces, rows, channels), np.float32)
    first = np.linspace(0, width - wide - 2 * _REACH, pieces).round().astype(int)
    for x, to, shine in zip(first, noise, light, strict=True):
        span = np.s_[:rows, x : x + wide + 2 * _REACH]
        piece = np.ascontiguousarray(planes[:, *span])
        row_noise(piece, noise_limits(piece), np.ascontiguousarray(bad[span]), to, shine)
    at = first + 0.5 * wide + _REACH - 0.5 * width
    noise, light = (v.transpose(1, 0, 2).astype(np.float64) for v in (noise, light))
    return _Rows(noise, light, at, width, searched)


def _growth(sides: list[_Rows]) -> tuple[Floats, Floats]:
    """Variance without light and its growth with light, by channel, from the inner rows of all sides."""
    inner = [(s.noise[len(s.noise) // 2 :], s.light[len(s.light) // 2 :]) for s in sides]
    channels = inner[0][0].shape[-1]
    noise, light = (np.concatenate([part[i].reshape(-1, channels) for part in inner]) for i in (0, 1))
    base, growth = np.ones(channels), np.zeros(channels)
    for c in range(channels):
        known = np.isfinite(noise[:, c])
        if np.count_nonzero(known) < _CLASSES * _FEWEST:
            continue
        order = np.argsort(light[known, c], kind="stable")
        classes = np.array_split(order, _CLASSES)
        variance = np.array([np.exp(2 * np.median(noise[known, c][k])) for k in classes])
        level = np.array([np.median(light[known, c][k]) for k in classes])
        unit = float(np.max(np.abs(level))) or 1.0
        # Relative errors are alike: rows over their variance.
        rows = np.stack([np.ones_like(level), np.maximum(level, 0) / unit], axis=1) / variance[:, None]
        (base[c], growth[c]), _ = optimize.nnls(rows, np.ones_like(level))
        growth[c] /= unit
    return base, growth


def _side(rows: _Rows, base: Floats, growth: Floats) -> BorderSide | None:
    """Excess of noise over what light explains; None where too little of the inside is known."""
    expected = 0.5 * np.log(np.maximum(base + growth * np.maximum(rows.light, 0), 1e-30))
    excess = (rows.noise - expected).mean(axis=2)
    inside = excess[-(len(excess) // 3) :]
    usable = np.isfinite(inside).mean(axis=0) > 0.5
    if np.count_nonzero(usable) < _FEWEST:
        return None
    excess = excess[:, usable] - np.nanmedian(inside[:, usable], axis=0)
    cell = MAD_TO_SIGMA * float(np.nanmedian(np.abs(excess[-len(inside) :])))
    if not cell > 0:
        return None
    excess -= _trend(excess)[:, None]
    return BorderSide(np.ascontiguousarray(excess), rows.at[usable], rows.length, rows.searched, cell)


def _trend(excess: Floats) -> Floats:
    """Growth of noise towards the edge that the inner two thirds already show, a line by row; 0 where none is sure."""
    rows = np.arange(len(excess), dtype=np.float64)
    profile = np.nanmean(excess, axis=1) if np.isfinite(excess).any(axis=1).all() else np.zeros(len(excess))
    inner = slice(len(excess) // 3, None)
    (slope, level), errors = np.polyfit(rows[inner], profile[inner], 1, cov=True)
    if abs(slope) < _TREND * _SHARED * np.sqrt(errors[0, 0]):
        return np.zeros(len(excess))
    return np.asarray(level + slope * rows)


@kernel
def clearest_line(sums: Floats, at: Floats, tilts: Floats, doubt: Floats) -> tuple[float, int, float, float]:
    """Largest sum outside of a line less the doubt about it; its depth in the middle and its slope to both sides.

    ``tilts`` lie evenly about 0. A line that is bent (towards the inside at its ends only) costs `BENT`.

    Parameters
    ----------
    sums : ndarray, shape (rows, pieces)
        Of the evidence outside of each depth, in each piece of the side.
    at : ndarray, shape (pieces,)
        Where they lie along the side, from its middle.
    tilts : ndarray, shape (N,)
        Slopes that are tried.
    doubt : ndarray, shape (N,)
        Half of what a straight line of each slope costs.

    Returns
    -------
    tuple of (float, int, float, float)
    """
    rows, pieces = sums.shape
    n = tilts.size
    best, depth, before, after = -np.inf, 0, 0.0, 0.0
    halves = np.empty((2, n))
    for d in range(-4, rows - 1):
        for k in range(n):
            halves[0, k] = halves[1, k] = -doubt[k]
            for j in range(pieces):
                y = min(max(int(np.rint(d + tilts[k] * abs(at[j]))), 0), rows - 1)
                halves[0 if at[j] < 0 else 1, k] += sums[y, j]
        for k in range(n):
            straight = halves[0, n - 1 - k] + halves[1, k] + doubt[k]
            if straight > best:
                best, depth, before, after = straight, d, tilts[n - 1 - k], tilts[k]
            for m in range(n - k, n):
                bent = halves[0, m] + halves[1, k] - BENT
                if bent > best:
                    best, depth, before, after = bent, d, tilts[m], tilts[k]
    return best, depth, before, after


def _gains(side: BorderSide) -> Floats:
    """Log likelihood (rows + 1, pieces) that a border of each depth brings a piece, over one that just is none.

    What noise is without a border, the rows next to it on the inside tell as far as a piece's noise is uneven, where
    stars and structure disturb it; else all rows of the inside, where it is 0.
    """
    excess = np.clip(side.excess, -_WILD * side.cell, _WILD * side.cell)
    known = np.isfinite(excess)
    total, count = (
        np.concatenate([np.zeros((1, side.at.size)), np.cumsum(v, axis=0)]) for v in (np.where(known, excess, 0), known)
    )
    first = np.arange(side.searched + 1)
    last = np.minimum(first + _BESIDE, len(excess))
    middle = np.nanmean(excess[len(excess) // 3 :][:_BESIDE], axis=0)
    scatter = _SHARED * side.cell**2
    uneven = max(float((MAD_TO_SIGMA * np.nanmedian(np.abs(middle))) ** 2 - scatter / _BESIDE), 1e-9)
    inside = (total[last] - total[first]) / (count[last] - count[first] + scatter / uneven)
    beyond = total[first] - count[first] * (inside + _EXCESS)
    return np.asarray(beyond * (2 * _EXCESS / scatter), np.float64)


def contour_depths(side: BorderSide | None, length: int) -> NDArray[np.int64]:
    """Rows along a side, for each pixel of its length, from the edge to where coverage is full.

    Parameters
    ----------
    side : BorderSide or None
    length : int
        In pixels.

    Returns
    -------
    ndarray, shape (length,), int64
    """
    if side is None:
        return np.zeros(length, np.int64)
    # Tilts so fine that a line is off by no more than one row at its ends.
    step = 4 / side.length
    n = int(min(_STEEPEST, _DROP * side.searched / side.length) / step)
    tilts = np.asarray(np.arange(-n, n + 1) * step, np.float64)
    doubt: Floats = np.log1p(0.5 * (tilts / _TURN) ** 2) + _TILTED * (tilts != 0)
    clear, depth, before, after = clearest_line(_gains(side), side.at, tilts, doubt)
    if clear < _CLEAR:
        return np.zeros(length, np.int64)
    u = np.arange(length) - 0.5 * (length - 1)
    line = depth + np.where(u < 0, before, after) * np.abs(u)
    return np.asarray(np.clip(np.rint(line), 0, side.searched), np.int64)


def _without_corners(side: BorderSide, before: int, after: int) -> BorderSide:
    """The side without the pieces that lie within the borders at its ends."""
    half = 0.5 * side.length
    spacing = float(np.diff(side.at).min()) if side.at.size > 1 else side.length
    keep = (side.at - spacing / 2 >= before - half) & (side.at + spacing / 2 <= half - after)
    if keep.all() or np.count_nonzero(keep) < _FEWEST:
        return side
    return replace(side, excess=np.ascontiguousarray(side.excess[:, keep]), at=side.at[keep])


def noise_depths(
    planes: Planes, bad: NDArray[np.uint8]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Depth of the border seen by noise on each side: top and bottom by column, left and right by row.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    bad : ndarray, shape (H, W), uint8
        1 where a pixel is known to mean nothing.

    Returns
    -------
    tuple of four ndarray, of shapes (W,), (W,), (H,), (H,), int64
        In pixels.
    """
    turned, bad_turned = planes.transpose(0, 2, 1), bad.T
    measured = in_order(
        lambda side: _measured(*side),
        [
            (planes, bad),
            (turned[:, ::-1], bad_turned[::-1]),
            (planes[:, ::-1], bad[::-1]),
            (turned, bad_turned),
        ],
    )
    height, width = bad.shape
    lengths = (width, height, width, height)
    known = [rows for rows in measured if rows is not None]
    base, growth = _growth(known) if known else (np.ones(len(planes)), np.zeros(len(planes)))
    sides = [None if rows is None else _side(rows, base, growth) for rows in measured]
    top, right, bottom, left = (contour_depths(s, n) for s, n in zip(sides, lengths, strict=True))
    # At their ends, sides lie in the borders of their neighbors: measured once more without.
    ends = [(left[0], right[0]), (top[-1], bottom[-1]), (left[-1], right[-1]), (top[0], bottom[0])]
    inner = [None if side is None else _without_corners(side, *end) for side, end in zip(sides, ends, strict=True)]
    top, right, bottom, left = (contour_depths(s, n) for s, n in zip(inner, lengths, strict=True))
    return top, right, bottom, left
