"""Borders seen by noise alone: where fewer frames were averaged, noise is higher by the root of their share.

The model of the noise
----------------------
Where a share ``s`` of the frames recorded a pixel on light ``L``, its variance is ``(a + b L) / s``: read noise and
photons. Along each side of the frame, noise and light are measured in short pieces of every row (second differences,
so that slopes and structure hardly count); ``a`` and ``b`` are fitted to the pieces inside, and what a row's noise has
beyond them, ``-0.5 ln(s)`` for missing frames, is the *excess*.

A border or not
---------------
Frames end on straight lines. Of all lines, straight and slightly tilted, the one is taken whose outside has most excess
over that of nine tenths of the frames, against the rows next to it on the inside. It is a border when the excess is
alike in all pieces of the side (`sureness`): where a galaxy, a cluster or clouds reach toward the edge it is not.

The share of the frames
-----------------------
Shifts differ from frame to frame, so the share falls little by little across the line, and nights differ in framing.
Nothing is assumed of how but that it falls outward: the excess is averaged along the line and made to fall inwards
(isotonic regression; Barlow et al. 1972, "Statistical inference under order restrictions"). Shares of crossing sides
multiply, which rounds the corners.

When it fails
-------------
A share of 0.88 raises noise by 1 % over one of 0.9: where few frames make the difference, the contour lies anywhere
between the two, and frames of 600 x 900 pixels show it to 2 px on four sides of five. Borders deeper than a fifth of
the frame are not looked for. Frames under about 100 rows are not measured.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import summing_kernel
from workbench.lazy import on_first_use
from workbench.measure.blocks import Plane, Planes, in_order
from workbench.measure.statistics import MAD_TO_SIGMA

if TYPE_CHECKING:
    from scipy import ndimage, optimize
else:
    ndimage, optimize = on_first_use("scipy.ndimage"), on_first_use("scipy.optimize")

__all__ = [
    "CONTOUR",
    "RESPONSE",
    "BorderSide",
    "EdgeLine",
    "NoiseBorders",
    "clearest",
    "frame_share",
    "noise_borders",
    "noise_limits",
    "row_noise",
    "sureness",
]

Floats = NDArray[np.float64]

#: Excess of a pixel that nine tenths of the frames recorded. Their contour is where the smoothed share says the second
#: number, as smoothing takes 0.02 off there: with 0.9 borders come out 0.5 px too wide.
_EXCESS, CONTOUR = -0.5 * np.log(0.9), 0.88
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
#: Gain in log likelihood that a contour must bring, and that it must bring more when it is tilted.
_CLEAR, _TILTED = 12.0, 2.0
#: Turn between nights that is nothing special (radians); ten times as much costs 4 of log likelihood.
_TURN = 0.015
#: Steepest line (about 3.4 degrees), and the longest way down as a share of the rows searched.
_STEEPEST, _DROP = 0.06, 0.8
#: Standard errors from which a border is sure, and from which it is told as a doubt. Of 120 true sides of independent
#: stacks all but one reach 8.6; of real and independent frames without borders none does 6.5 (M51).
_SURE, _MAYBE = 7.5, 4.0
#: Share of what light explains of noise that may be wrong.
_UNSURE_OF_LIGHT = 0.5
#: Standard deviation (px) of the smoothing of a side's profile.
_SMOOTH = 1.5

#: About so many rows of a piece tell the largest difference that is noise.
_ROWS = 48


@dataclass(frozen=True, slots=True)
class BorderSide:
    """One side of the frame, from its edge inwards.

    Attributes
    ----------
    excess : ndarray, shape (rows, pieces), float64
        Log noise of a row in a piece beyond what its light explains, inside 0; NaN where nothing is known.
    explained : ndarray, shape (rows, pieces), float64
        Log noise that light explains.
    at : ndarray, shape (pieces,), float64
        Place of each piece along the side, from its middle (px).
    length, searched : int
        Of the side, and rows in which a border is looked for (px).
    cell : float
        Scatter of the excess inside.
    """

    excess: Floats
    explained: Floats
    at: Floats
    length: int
    searched: int
    cell: float


@dataclass(frozen=True, slots=True)
class EdgeLine:
    """Where nine tenths of the frames begin along a side, or would begin.

    Attributes
    ----------
    depth, tilt : float
        Of its middle (px), and its slope.
    gain : float
        In log likelihood, over no border.
    """

    depth: float
    tilt: float
    gain: float

    def off(self, at: Floats) -> NDArray[np.int64]:
        """Rows by which it lies deeper than in its middle.

        Parameters
        ----------
        at : ndarray, shape (N,)
            Places along the side, in pixels from its middle.

        Returns
        -------
        ndarray, shape (N,), int64
        """
        return np.rint(self.tilt * at).astype(np.int64)


@dataclass(frozen=True, slots=True)
class NoiseBorders:
    """What noise tells of all four sides: top, right, bottom, left.

    Attributes
    ----------
    share : tuple of (ndarray or None), shapes (rows, length), float32
        Share of the frames in the first rows of a side, from its edge inwards; None where no border is sure.
    doubtful : tuple of bool
        Sides on which noise is higher at the edge, but not so evenly that it must be a border.
    """

    share: tuple[NDArray[np.float32] | None, ...]
    doubtful: tuple[bool, ...]


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
        bad_pixels = 0
        for x in range(width):
            bad_pixels += bad[y, x]
        for c in range(channels):
            noise[y, c] = np.nan if bad_pixels else 0.0
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
    explained = expected.mean(axis=2)[:, usable]
    cell = MAD_TO_SIGMA * float(np.nanmedian(np.abs(excess[-len(inside) :])))
    if not cell > 0:
        return None
    return BorderSide(np.ascontiguousarray(excess), explained, rows.at[usable], rows.length, rows.searched, cell)


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


def clearest(side: BorderSide) -> EdgeLine:
    """The line outside of which noise is higher by most, whether or not it is a border.

    Parameters
    ----------
    side : BorderSide

    Returns
    -------
    EdgeLine
    """
    # Tilts so fine that a line is off by no more than one row at its ends.
    step = 4 / side.length
    n = int(min(_STEEPEST, _DROP * side.searched / side.length) / step)
    gains = _gains(side)
    depth, piece = np.arange(-4, len(gains) - 1), np.arange(side.at.size)
    best = EdgeLine(0, 0.0, -np.inf)
    for tilt in np.arange(-n, n + 1) * step:
        row = np.clip(np.rint(depth[:, None] + tilt * side.at), 0, len(gains) - 1).astype(np.intp)
        gain = gains[row, piece].sum(axis=1) - np.log1p(0.5 * (tilt / _TURN) ** 2) - _TILTED * (tilt != 0)
        most = int(gain.argmax())
        if gain[most] > best.gain:
            best = EdgeLine(float(depth[most]), float(tilt), float(gain[most]))
    return best


def sureness(side: BorderSide, line: EdgeLine) -> float:
    """By how many of its standard errors noise is higher outside of a line than next to it on the inside.

    Frames end on a line: noise is higher by the same in every piece outside of it. Where a galaxy or a cluster reaches
    toward the edge it is higher in some pieces and lower in others, so the error is read from how far the pieces
    differ. What light explains is itself not sure, by `_UNSURE_OF_LIGHT` of it.

    Parameters
    ----------
    side : BorderSide
    line : EdgeLine

    Returns
    -------
    float
    """
    depth = np.clip(line.depth + line.off(side.at), 0, side.searched).astype(int)
    excess = np.clip(side.excess, -3 * side.cell, 4 * side.cell)
    higher, explained, rows = [], [], []
    for d, noise, light in zip(depth, excess.T, side.explained.T, strict=True):
        known = np.isfinite(noise)
        outside, inside = np.flatnonzero(known[:d]), d + np.flatnonzero(known[d : d + _BESIDE])
        if outside.size and inside.size >= _BESIDE // 4:
            higher.append(noise[outside].mean() - noise[inside].mean())
            explained.append(abs(light[outside].mean() - light[inside].mean()))
            rows.append(d)
    if len(rows) < _FEWEST:
        return 0.0
    weight = np.asarray(rows, np.float64) / np.sum(rows)
    mean = float(weight @ higher)
    error = np.sqrt(np.sum((weight * (np.asarray(higher) - mean)) ** 2) * len(rows) / (len(rows) - 1))
    return mean / float(np.hypot(error, _UNSURE_OF_LIGHT * (weight @ explained)) + 1e-12)


def frame_share(side: BorderSide, line: EdgeLine) -> NDArray[np.float32]:
    """Share of the frames in the first rows along a side, which falls towards the edge in parallel to a line.

    The excess is averaged along the line and made to fall inwards (isotonic regression); a share ``s`` raises it by
    ``-0.5 ln(s)``.

    Parameters
    ----------
    side : BorderSide
    line : EdgeLine

    Returns
    -------
    ndarray, shape (rows, length), float32
    """
    off = line.off(side.at)
    rows = len(side.excess)
    excess = np.clip(side.excess, -3 * side.cell, 4 * side.cell)
    first = -int(off.max())
    along = np.full((rows - int(off.min()) - first, off.size), np.nan)
    for o, noise, column in zip(off, excess.T, along.T, strict=True):
        column[-o - first : rows - o - first] = noise
    count = np.isfinite(along).sum(axis=1)
    known = np.flatnonzero(count)
    first, count = first + int(known[0]), count[known[0] : known[-1] + 1]
    profile = np.nansum(along[known[0] : known[-1] + 1], axis=1) / np.maximum(count, 1)
    inside = slice(int(line.depth) - first + _BESIDE // 2, int(line.depth) - first + 2 * _BESIDE)
    if count[inside].any():
        profile -= np.average(profile[inside], weights=count[inside])
    profile = ndimage.gaussian_filter1d(profile, _SMOOTH, mode="nearest")
    falling = optimize.isotonic_regression(profile, weights=np.maximum(count, 1e-3), increasing=False).x
    share = np.exp(-2 * np.maximum(falling, 0)).astype(np.float32)
    at = np.arange(side.length, dtype=np.float64) - 0.5 * (side.length - 1)
    row: NDArray[np.int64] = np.arange(rows)[:, None] - line.off(at)[None] - first
    return np.asarray(share[np.clip(row, 0, len(share) - 1)])


def _without_corners(side: BorderSide, before: float, after: float) -> BorderSide:
    """The side without the pieces that lie within the borders at its ends."""
    half = 0.5 * side.length
    spacing = float(np.diff(side.at).min()) if side.at.size > 1 else side.length
    keep = (side.at - spacing / 2 >= before - half) & (side.at + spacing / 2 <= half - after)
    if keep.all() or np.count_nonzero(keep) < _FEWEST:
        return side
    excess, explained = (np.ascontiguousarray(v[:, keep]) for v in (side.excess, side.explained))
    return replace(side, excess=excess, explained=explained, at=side.at[keep])


def noise_borders(planes: Planes, bad: NDArray[np.uint8]) -> NoiseBorders:
    """Borders that noise tells on each side.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    bad : ndarray, shape (H, W), uint8
        1 where a pixel is known to mean nothing.

    Returns
    -------
    NoiseBorders
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
    known = [rows for rows in measured if rows is not None]
    base, growth = _growth(known) if known else (np.ones(len(planes)), np.zeros(len(planes)))
    sides = [None if rows is None else _side(rows, base, growth) for rows in measured]
    lines = in_order(lambda side: None if side is None else clearest(side), sides)
    # At their ends, sides lie in the borders of their neighbors: measured once more without.
    (top, top_end), (right, right_end), (bottom, bottom_end), (left, left_end) = (
        (0.0, 0.0) if side is None or line is None or line.gain < _CLEAR else _ends(side, line)
        for side, line in zip(sides, lines, strict=True)
    )
    ends = [(left, right), (top_end, bottom_end), (left_end, right_end), (top, bottom)]

    def judged(at: int) -> tuple[NDArray[np.float32] | None, bool]:
        side, line = sides[at], lines[at]
        if side is None or line is None:
            return None, False
        rest = _without_corners(side, *ends[at])
        return _judged(rest, line if rest is side else clearest(rest))

    shares, doubtful = zip(*in_order(judged, range(len(sides))), strict=True)
    return NoiseBorders(shares, doubtful)


def _ends(side: BorderSide, line: EdgeLine) -> tuple[float, float]:
    """Depth of a line at both ends of its side."""
    half = 0.5 * side.length
    depths = np.clip(line.depth + line.off(np.array([-half, half])), 0, side.searched)
    return float(depths[0]), float(depths[1])


def _judged(side: BorderSide, line: EdgeLine) -> tuple[NDArray[np.float32] | None, bool]:
    """Share of the frames where a border is sure, and whether there may be one that is not, by its clearest line."""
    if line.gain < _CLEAR:
        return None, False
    sure = sureness(side, line)
    return (frame_share(side, line), False) if sure >= _SURE else (None, sure >= _MAYBE)
