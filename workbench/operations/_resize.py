"""Change of size on arrays: weights from absolute positions, separable, the same in every tile."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = [
    "LOBES",
    "Axis",
    "area_axis",
    "lanczos_axis",
    "resample_coverage",
    "resample_planes",
    "resample_planes_numpy",
    "windowed_sinc",
]

Planes = NDArray[np.float32]
Index = NDArray[np.int64]

#: Lobes of the windowed sinc on each side.
LOBES = 3

_TINY = 1e-9


@dataclass(frozen=True, slots=True)
class Axis:
    """How one axis is resampled: output sample i = sum over k of ``weights[i, k] * input[start[i] + k]``.

    Attributes
    ----------
    start : ndarray, shape (n,), int64
        First input sample of each output sample; may lie outside the input, which is mirrored there.
    weights : ndarray, shape (n, taps), float32
        Rows sum to 1.
    near : ndarray, shape (n, 2), int64
        First tap and end of the taps under the central lobe, whose range bounds the result. All empty where
        weights are never negative and no bound is needed.
    """

    start: Index
    weights: NDArray[np.float32]
    near: Index

    @property
    def taps(self) -> int:
        return int(self.weights.shape[1])

    def span(self, first: int, stop: int) -> tuple[int, int]:
        """Input samples (first, stop) that output samples ``first`` to ``stop`` need."""
        return int(self.start[first]), int(self.start[stop - 1]) + self.taps


@lru_cache(maxsize=16)
def area_axis(n: int, reduction: float) -> Axis:
    """Average over the ``reduction`` >= 1 input samples under each of ``n`` output samples, ends counted in part."""
    i = np.arange(n, dtype=np.float64)
    lower, upper = i * reduction, (i + 1) * reduction
    start = np.floor(lower + _TINY).astype(np.int64)
    taps = int(np.ceil(reduction - _TINY)) + (0 if float(reduction).is_integer() else 1)
    left = start[:, None] + np.arange(taps)
    share = np.minimum(left + 1.0, upper[:, None]) - np.maximum(left, lower[:, None])
    return _axis(start, np.maximum(share, 0.0), np.zeros((n, 2), np.int64))


def windowed_sinc(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Sinc windowed by a sinc of `LOBES` lobes, at distances in samples (Duchon 1979, J. Appl. Meteor. 18, 1016)."""
    return np.where(np.abs(t) < LOBES, np.sinc(t) * np.sinc(t / LOBES), 0.0)


@lru_cache(maxsize=16)
def lanczos_axis(n: int, reduction: float) -> Axis:
    """Sinc windowed by a sinc, stretched by the reduction so that it is also the low-pass.

    Parameters
    ----------
    n : int
        Output samples.
    reduction : float
        Input samples per output sample; below 1 enlarges.
    """
    stretch = max(reduction, 1.0)
    centre = (np.arange(n, dtype=np.float64) + 0.5) * reduction - 0.5
    start = np.ceil(centre - LOBES * stretch).astype(np.int64)
    taps = int(np.floor(2 * LOBES * stretch)) + 1
    t = (start[:, None] + np.arange(taps) - centre[:, None]) / stretch
    inside = np.abs(t) < 1.0
    near = np.stack([inside.argmax(axis=1), taps - inside[:, ::-1].argmax(axis=1)], axis=1)
    return _axis(start, windowed_sinc(t), near.astype(np.int64))


def _axis(start: Index, weights: NDArray[np.float64], near: Index) -> Axis:
    weights = weights / weights.sum(axis=1, keepdims=True)
    return Axis(start, weights.astype(np.float32), near)


def resample_planes(source: Planes, y: Axis, x: Axis, y0: int, x0: int, core: tuple[int, int], out: Planes) -> None:
    """Resample ``source`` to ``out``, limited to the range of the input near each output pixel.

    The negative lobes of the windowed sinc would dig a dark ring around every star; the limit takes it away
    and leaves smooth parts as they are. Along columns first, then along rows, in float32, sums in a fixed order.

    Parameters
    ----------
    source : ndarray, shape (C, h, w), float32
        Input, its first pixel at row ``y0``, column ``x0`` of the input frame.
    y, x : Axis
    y0, x0 : int
    core : tuple of int
        Output row and column of ``out[:, 0, 0]``.
    out : ndarray, shape (C, h_out, w_out), float32
    """
    h, w = out.shape[1:]
    ys, xs = slice(core[0], core[0] + h), slice(core[1], core[1] + w)
    middle = np.empty((3, h, source.shape[2]), np.float32)
    for c in range(source.shape[0]):
        _down(source[c], y.start[ys] - y0, y.weights[ys], y.near[ys], middle)
        _across(middle, x.start[xs] - x0, x.weights[xs], x.near[xs], out[c])


@kernel
def _down(source: Planes, start: Index, weights: Planes, near: Index, middle: Planes) -> None:
    n, taps = weights.shape
    w = source.shape[1]
    for i in range(n):
        s = start[i]
        middle[0, i, :] = np.float32(0.0)
        for k in range(taps):
            f = weights[i, k]
            if f != 0.0:
                for j in range(w):
                    middle[0, i, j] += f * source[s + k, j]
        first, stop = near[i]
        if first == stop:
            continue
        for j in range(w):
            middle[1, i, j] = source[s + first, j]
            middle[2, i, j] = source[s + first, j]
        for k in range(first + 1, stop):
            for j in range(w):
                v = source[s + k, j]
                middle[1, i, j] = min(middle[1, i, j], v)
                middle[2, i, j] = max(middle[2, i, j], v)


@kernel
def _across(middle: Planes, start: Index, weights: Planes, near: Index, out: Planes) -> None:
    h, n = out.shape
    taps = weights.shape[1]
    for r in range(h):
        for i in range(n):
            s = start[i]
            total = np.float32(0.0)
            for k in range(taps):
                if weights[i, k] != 0.0:
                    total += weights[i, k] * middle[0, r, s + k]
            first, stop = near[i]
            if first < stop:
                low, high = middle[1, r, s + first], middle[2, r, s + first]
                for k in range(first + 1, stop):
                    low = min(low, middle[1, r, s + k])
                    high = max(high, middle[2, r, s + k])
                total = min(max(total, low), high)
            out[r, i] = total


def resample_planes_numpy(planes: Planes, y: Axis, x: Axis) -> Planes:
    """Resample a whole frame, mirrored outside: what `resample_planes` computes, in float64 numpy."""
    height, width = planes.shape[1:]
    iy = _mirrored(y.start[:, None] + np.arange(y.taps), height)
    ix = _mirrored(x.start[:, None] + np.arange(x.taps), width)
    taken = planes[:, iy][:, :, :, ix].astype(np.float64)  # C, n_y, taps_y, n_x, taps_x
    value = np.einsum("cikjl,ik,jl->cij", taken, y.weights, x.weights)
    if (y.near[:, 0] == y.near[:, 1]).all():
        return np.asarray(value, np.float32)
    near_y = (np.arange(y.taps) >= y.near[:, :1]) & (np.arange(y.taps) < y.near[:, 1:])
    near_x = (np.arange(x.taps) >= x.near[:, :1]) & (np.arange(x.taps) < x.near[:, 1:])
    near = near_y[None, :, :, None, None] & near_x[None, None, None]
    low = np.where(near, taken, np.inf).min(axis=(2, 4))
    high = np.where(near, taken, -np.inf).max(axis=(2, 4))
    return np.asarray(np.clip(value, low, high), np.float32)


def resample_coverage(coverage: NDArray[np.uint8], y: Axis, x: Axis) -> NDArray[np.uint8]:
    """Coverage of the resampled frame: 0 where any uncovered pixel carries weight, else the weighted mean.

    Parameters
    ----------
    coverage : ndarray, shape (H, W), uint8
    y, x : Axis

    Returns
    -------
    ndarray, shape (n_y, n_x), uint8
    """
    height, width = coverage.shape
    ix = _mirrored(x.start[:, None] + np.arange(x.taps), width)
    wy, wx = (np.abs(a.weights).astype(np.float32) for a in (y, x))
    wy /= wy.sum(axis=1, keepdims=True)
    wx /= wx.sum(axis=1, keepdims=True)
    out = np.empty((len(y.start), len(x.start)), np.uint8)
    for i in range(len(y.start)):
        rows = coverage[_mirrored(y.start[i] + np.arange(y.taps), height)]
        used = rows[wy[i] > 0]
        mean = wy[i] @ rows.astype(np.float32)
        hole = (used == 0).any(axis=0)
        row = np.einsum("jk,jk->j", wx, mean[ix])
        bad = (hole[ix] & (wx > 0)).any(axis=1)
        out[i] = np.where(bad, 0, np.clip(np.rint(row), 1, 255)).astype(np.uint8)
    return out


def _mirrored(index: Index, n: int) -> Index:
    """Indices brought back into 0..n-1 by reflection about the edge samples' centres."""
    if n == 1:
        return np.zeros_like(index)
    period = 2 * (n - 1)
    folded = np.abs(index) % period
    return np.asarray(np.minimum(folded, period - folded))
