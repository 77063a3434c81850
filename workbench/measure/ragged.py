"""Borders seen by noise alone: where fewer frames were averaged, noise is higher by the root of their share.

How it works
------------
Along each side of the frame, noise is measured in short pieces of every row (second differences, so that slopes and
structure hardly count). Nights differ a little in framing and camera angle, so an edge is a slightly tilted line: the
tilt and depth are sought at which the noise over the pieces steps up outwards most clearly. Found steps are passed and
the search goes on inwards until there is none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Plane, Planes, in_order

__all__ = ["noise_depths"]

Floats = NDArray[np.float64]

#: Pixels in a piece, the most pieces of a side (evenly spread), and pixels between the terms of a second difference.
_PIECE, _MOST_PIECES = 32, 48
_LAG, _FAR_LAG = 2, 5
#: Pieces side by side whose values are averaged before all tilts are tried, and the tilts for that (rows per piece),
#: so fine that a line is off by no more than half a row at the ends of a block.
_BLOCK, _COARSE = 8, 0.25
#: Tilts that look best so and are then tried with every piece by itself.
_PROMISING = 16
#: How deep a border may be: a share of the frame, within limits (px).
_SHARE, _LEAST, _MOST = 0.2, 24, 512
#: Rows compared on both sides of an edge.
_OUTER, _INNER = 8, 24
#: Rows averaged to say that coverage is full, and how far inwards of the clearest step a ramp may go on.
_ROWS, _RAMP = 2, 12
#: A step counts when noise rises by this (natural logarithm), so many standard errors.
_STEP, _CLEAR, _DOUBT = 0.04, 5.0, 0.7
#: Full coverage begins where nine tenths of the frames overlap: noise is higher by 0.5 ln(1 / 0.9) there.
_FULL = 0.0527
#: Steepest edge, px per px (about 3.4 degrees), and pieces that a half side needs.
_STEEPEST = 0.06
_PIECES = 6
_STEPS = 6


@kernel
def _sorted_in(values: Plane, n: int, v: np.float32) -> None:
    """Put ``v`` into the first ``n`` sorted values."""
    j = n - 1
    while j >= 0 and values[j] > v:
        values[j + 1] = values[j]
        j -= 1
    values[j + 1] = v


@kernel
def _roughness(piece: Planes, bad: NDArray[np.uint8], out: Plane) -> None:
    """Logarithm of the noise in each row of a piece (C, M, n), NaN where a pixel is bad.

    In each channel it is the mean of the smaller three fifths of the absolute second differences, so that stars count
    little; then the mean logarithm over channels.
    """
    channels, rows, width = piece.shape
    values = np.empty(width, np.float32)
    for y in range(rows):
        if bad[y].any():
            out[y] = np.nan
            continue
        total = np.float32(0)
        for c in range(channels):
            for lag in (_LAG, _FAR_LAG):
                n = 0
                for x in range(_FAR_LAG, width - _FAR_LAG):
                    beside = piece[c, y, x - lag] + piece[c, y, x + lag]
                    _sorted_in(values, n, abs(piece[c, y, x] - np.float32(0.5) * beside))
                    n += 1
                part = np.float32(0)
                for k in range((3 * n) // 5):
                    part += values[k]
                total += np.float32(0.5) * np.log(part)
        out[y] = total / channels if np.isfinite(total) else np.nan


@kernel
def _quieter_mean(values: Plane, n: int) -> float:
    """Mean of the quieter ones (without the quietest) of ``n`` sorted values."""
    first, last = n // 10, (7 * n) // 10 + 1
    total = 0.0
    for k in range(first, last):
        total += values[k]
    return total / (last - first)


@kernel
def _sheared_profile(rough: Plane, tilt: float, out: Floats) -> None:
    """Mean of the quieter pieces along a line tilted by ``tilt`` rows per piece, by depth at the middle piece."""
    rows, pieces = rough.shape
    values = np.empty(pieces, np.float32)
    middle = 0.5 * (pieces - 1)
    for y in range(rows):
        n = 0
        for b in range(pieces):
            i = y + int(np.rint(tilt * (b - middle)))
            if 0 <= i < rows and not np.isnan(rough[i, b]):
                _sorted_in(values, n, rough[i, b])
                n += 1
        out[y] = _quieter_mean(values, n) if 2 * n > pieces else np.nan


@kernel
def _joined_profile(blocks: Floats, middles: Floats, tilt: float, out: Floats) -> None:
    """The same from the profiles of blocks of pieces (blocks, rows); ``middles``: pieces from the side's middle."""
    count, rows = blocks.shape
    values = np.empty(count, np.float32)
    for y in range(rows):
        n = 0
        for b in range(count):
            i = y + int(np.rint(tilt * middles[b]))
            if 0 <= i < rows and not np.isnan(blocks[b, i]):
                _sorted_in(values, n, blocks[b, i])
                n += 1
        out[y] = _quieter_mean(values, n) if 2 * n > count else np.nan


@dataclass(frozen=True, slots=True)
class _Edge:
    """An edge: depth at the middle piece, tilt in rows per piece, and how clear it is in standard errors."""

    depth: int
    tilt: float
    clear: float


@kernel
def _steps(profile: Floats) -> tuple[Floats, Floats]:
    """Rise of the profile outwards at each depth, and the same in standard errors (0 where it cannot be told)."""
    n = profile.size
    total, count = np.zeros(n + 1), np.zeros(n + 1, np.int64)
    for y in range(n):
        known = np.isfinite(profile[y])
        total[y + 1] = total[y] + (profile[y] if known else 0.0)
        count[y + 1] = count[y] + (1 if known else 0)
    at = np.arange(n)
    a, b = np.maximum(at - _OUTER, 0), np.minimum(at + _INNER, n)
    outer_n, inner_n = count[at] - count[a], count[b] - count[at]
    usable = (outer_n >= 2) & (inner_n >= _INNER // 2)
    rise = (total[at] - total[a]) / np.maximum(outer_n, 1) - (total[b] - total[at]) / np.maximum(inner_n, 1)
    jumps = np.diff(profile)
    jumps = jumps[np.isfinite(jumps)]
    if jumps.size < _INNER:
        return np.zeros(n), np.zeros(n)
    # Neighbouring rows share noise: their differences show about two thirds of it.
    error = max(1.5 * 1.482602 * np.median(np.abs(jumps)) / np.sqrt(2), 1e-6)
    scatter = error * np.sqrt(1 / np.maximum(outer_n, 1) + 1 / np.maximum(inner_n, 1))
    if np.count_nonzero(usable) > 2 * _INNER:
        # Rows share noise, and stars and structure vary slowly: what steps do where there is no edge counts too.
        seen = rise[usable]
        middle = np.median(seen)
        scatter = np.maximum(scatter, 1.482602 * np.median(np.abs(seen - middle)))
        rise = rise - middle
    return np.where(usable, rise, 0.0), np.where(usable, rise / scatter, 0.0)


@kernel
def _clearest_step(profile: Floats, steepness: float) -> tuple[int, float]:
    """Depth of the clearest step outwards and its merit; a steep edge is rarer than a straight one: must be clearer."""
    rise, clear = _steps(profile)
    clear = np.where(rise > _STEP, clear, 0.0)
    depth = int(np.argmax(clear))
    return depth, clear[depth] - _DOUBT * np.log1p(steepness)


@kernel
def _promise(rough: Plane, tilts: Floats, bounds: NDArray[np.int64], out: Floats) -> None:
    """Merit of every tilt (ascending), quickly and roughly, from blocks of pieces parted at ``bounds``."""
    rows, pieces = rough.shape
    count = bounds.size - 1
    middles = 0.5 * (bounds[:-1] + bounds[1:] - pieces)
    blocks, profile = np.empty((count, rows)), np.empty(rows)
    about = np.nan
    for k in range(tilts.size):
        if about != np.rint(tilts[k] / _COARSE) * _COARSE:
            about = np.rint(tilts[k] / _COARSE) * _COARSE
            for b in range(count):
                _sheared_profile(rough[:, bounds[b] : bounds[b + 1]], about, blocks[b])
        _joined_profile(blocks, middles, tilts[k], profile)
        out[k] = _clearest_step(profile, abs(tilts[k]) * pieces / 4)[1]


def _clearest(rough: Plane, tilts: Floats) -> _Edge:
    """The clearest edge over ascending ``tilts``."""
    rows, pieces = rough.shape
    bounds = np.linspace(0, pieces, max(pieces // _BLOCK, 1) + 1).round().astype(np.int64)
    promise, profile = np.empty(tilts.size), np.empty(rows)
    _promise(rough, tilts, bounds, promise)
    best = _Edge(0, 0.0, 0.0)
    for tilt in tilts[np.sort(np.argsort(-promise, kind="stable")[:_PROMISING])]:
        _sheared_profile(rough, float(tilt), profile)
        depth, merit = _clearest_step(profile, abs(float(tilt)) * pieces / 4)
        if merit > best.clear:
            best = _Edge(int(depth), float(tilt), float(merit))
    return best


def _full_from(profile: Floats, depth: int) -> float:
    """Depth near ``depth`` from which on inwards nine tenths of the frames overlap."""
    inside = profile[depth + _OUTER : depth + _OUTER + _INNER]
    outside = profile[max(depth - _OUTER, 0) : max(depth, 1)]
    if not np.isfinite(inside).any() or not np.isfinite(outside).any():
        return float(depth)
    level, above = float(np.nanmedian(inside)), float(np.nanmean(outside))
    limit = level + min(_FULL, 0.5 * (above - level))
    last = min(depth + _RAMP, profile.size - _ROWS)
    y = max(depth - _ROWS, 0)
    while y < last and np.nanmean(profile[y : y + _ROWS]) > limit:
        y += 1
    return float(y)


def _line(rough: Plane, edge: _Edge) -> Floats:
    """Depth at each piece from which on inwards coverage is full: a line through what both halves say."""
    rows, pieces = rough.shape
    at = np.arange(pieces) - 0.5 * (pieces - 1)
    half = pieces // 2
    profile = np.empty(rows)
    found, places = [], []
    for span in (slice(0, half), slice(half, pieces)):
        # Sheared by the tilt about the half's own middle; the edge lies there at its depth plus the tilt so far.
        middle = float(at[span].mean())
        _sheared_profile(np.ascontiguousarray(rough[:, span]), edge.tilt, profile)
        expected = int(np.clip(round(edge.depth + edge.tilt * middle), 0, rows - 1))
        found.append(_full_from(profile, expected))
        places.append(middle)
    tilt = (found[1] - found[0]) / (places[1] - places[0])
    _sheared_profile(rough, tilt, profile)
    depth = int(np.clip(round(0.5 * (found[0] + found[1])), 0, rows - 1))
    return np.asarray(_full_from(profile, depth) + tilt * at)


def _depths(rough: Plane, spacing: float) -> Floats:
    """Depth of the border at each piece of a side (M, pieces), ``spacing`` px apart; zeros when there is none."""
    rows, pieces = rough.shape
    depths = np.zeros(pieces)
    rough = rough.copy()
    steepest = min(_STEEPEST * spacing, 0.8 * rows / pieces)
    # Tilts so fine that a line is off by no more than two rows at its ends.
    step = 4.0 / max(pieces - 1, 1)
    n = int(np.ceil(steepest / step))
    for _ in range(_STEPS):
        edge = _clearest(rough, np.arange(-n, n + 1) * step)
        if edge.clear < _CLEAR:
            break
        deeper = np.maximum(depths, np.round(_line(rough, edge)))
        if np.array_equal(deeper, depths):
            break
        depths = deeper
        rough[np.arange(rows)[:, None] < depths[None, :]] = np.nan
    return depths


def _side(planes: Planes, bad: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Depth of the border at the first rows of ``planes`` (C, H, W), for each column."""
    _, height, width = planes.shape
    rows = int(np.clip(_SHARE * height, _LEAST, _MOST))
    pieces = min(width // _PIECE, _MOST_PIECES)
    if height < 4 * _LEAST or pieces < _PIECES:
        return np.zeros(width, np.int64)
    rows = min(rows, height // 3)
    rough = np.empty((pieces, rows), np.float32)
    first = np.linspace(0, width - _PIECE - 2 * _FAR_LAG, pieces).round().astype(int)
    for x, out in zip(first, rough, strict=True):
        span = np.s_[:rows, x : x + _PIECE + 2 * _FAR_LAG]
        _roughness(np.ascontiguousarray(planes[:, *span]), np.ascontiguousarray(bad[span]), out)
    depths = _depths(np.ascontiguousarray(rough.T), (first[-1] - first[0]) / (pieces - 1))
    middle = first + 0.5 * _PIECE + _FAR_LAG - 0.5
    return np.asarray(np.rint(np.interp(np.arange(width), middle, depths)), np.int64)


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
    sides = [
        (planes, bad),
        (turned[:, ::-1], bad_turned[::-1]),
        (planes[:, ::-1], bad[::-1]),
        (turned, bad_turned),
    ]
    top, right, bottom, left = in_order(lambda side: _side(*side), sides)
    return top, right, bottom, left
