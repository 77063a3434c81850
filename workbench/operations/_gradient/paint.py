"""Painting a smooth surface onto tiles: a coarse grid of bicubic pieces, evaluated along rows.

A surface is evaluated once on a grid of nodes and interpolated by a bicubic spline. For a tile row the pieces are
first blended down the frame (four spline weights a row), which leaves one cubic in x for each interval between
nodes; along the row each pixel costs three multiply-adds. A value depends on the pixel's place in the frame only,
so tiles fit together exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.lazy import on_first_use
from workbench.operations._gradient.surfaces import Surface, unit_positions
from workbench.operations.base import Geometry

if TYPE_CHECKING:
    from scipy import interpolate
else:
    interpolate = on_first_use("scipy.interpolate")

__all__ = ["Painter", "make_painter", "paint", "paint_reference", "take_off"]

F64 = NDArray[np.float64]
Planes = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Painter:
    """Tables for one frame.

    Attributes
    ----------
    pieces : ndarray, shape (C, rows, intervals, 4), float64
        For each spline coefficient down the frame, cubics across it, in powers of ``t`` (-1..1 in an interval).
    row_start : ndarray, shape (H,), int64
        First of the four coefficients that make a row.
    row_weight : ndarray, shape (H, 4), float64
    column_start : ndarray, shape (intervals + 1,), int64
        First pixel of each interval; the last entry is the width.
    t : ndarray, shape (W,), float32
        Place of a pixel in its interval.
    """

    pieces: F64
    row_start: NDArray[np.int64]
    row_weight: F64
    column_start: NDArray[np.int64]
    t: NDArray[np.float32]


def make_painter(
    surface: Surface, coefficients: F64, full: tuple[int, int], geometry: Geometry, floor: F64 | None = None
) -> Painter:
    """Tables that paint ``surface`` with ``coefficients`` (C, size) onto a frame.

    Parameters
    ----------
    full : (int, int)
        Height and width at full resolution, where the surface was fitted.
    geometry : Geometry
        The frame to paint; a reduced frame samples the full-resolution surface at its pixels' places.
    floor : ndarray, shape (C,), optional
        Least value at the nodes.
    """
    height, width = full
    ny, nx = (np.linspace(0.0, max(n - 1, 1), count) for n, count in zip(full, surface.nodes, strict=True))
    u, v = unit_positions(np.repeat(ny, len(nx)), np.tile(nx, len(ny)), height, width)
    values = (surface.design(u, v) @ coefficients.T).T.reshape(-1, len(ny), len(nx))
    if floor is not None:
        values = np.maximum(values, floor[:, None, None])
    down = interpolate.make_interp_spline(ny, values, k=3, axis=1)
    across = interpolate.make_interp_spline(nx, np.moveaxis(down.c, 0, 1), k=3, axis=2)  # a spline keeps its axis first
    row_start, row_weight = _row_table(down.t, _places(geometry.height, geometry.scale, ny[-1]))
    pieces, column_start, t = _column_table(across, _places(geometry.width, geometry.scale, nx[-1]))
    return Painter(pieces, row_start, row_weight, column_start, t)


def _places(n: int, scale: float, last: float) -> F64:
    """Full-resolution positions of ``n`` pixels, kept inside the nodes."""
    return np.clip((np.arange(n) + 0.5) * scale - 0.5, 0.0, last)


def _row_table(knots: F64, y: F64) -> tuple[NDArray[np.int64], F64]:
    table = interpolate.BSpline.design_matrix(y, knots, 3)
    return table.indices.reshape(-1, 4)[:, 0].astype(np.int64), table.data.reshape(-1, 4).copy()


def _column_table(across: interpolate.BSpline, x: F64) -> tuple[F64, NDArray[np.int64], NDArray[np.float32]]:
    """Cubics in ``t`` for each interval between knots, first pixel of each, and each pixel's ``t``."""
    edges = np.unique(across.t)
    left, half = edges[:-1], np.diff(edges) / 2
    # Taylor coefficients at an interval's middle, in powers of t = (x - middle) / half.
    powers = [across(left + half, nu=k) * (half**k / factorial(k)) for k in range(4)]  # each (C, rows, intervals)
    pieces = np.ascontiguousarray(np.stack(powers, axis=-1))
    inside = np.clip(np.searchsorted(left, x, side="right") - 1, 0, len(left) - 1)
    start = np.searchsorted(inside, np.arange(len(left) + 1), side="left").astype(np.int64)
    return pieces, start, ((x - left[inside]) / half[inside] - 1).astype(np.float32)


@kernel
def _blend_row(
    pieces: F64, weight: F64, first: int, interval: int
) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """One interval's cubic in a row: the four coefficients down the frame, weighted."""
    a = b = c = d = 0.0
    for k in range(4):
        w = weight[k]
        p = pieces[first + k, interval]
        a += w * p[0]
        b += w * p[1]
        c += w * p[2]
        d += w * p[3]
    return np.float32(a), np.float32(b), np.float32(c), np.float32(d)


@kernel
def _take_off(
    pixels: Planes,
    y0: int,
    x0: int,
    pieces: F64,
    row_start: NDArray[np.int64],
    row_weight: F64,
    column_start: NDArray[np.int64],
    t: NDArray[np.float32],
    pedestal: NDArray[np.float32],
    divide: bool,
    out: Planes,
) -> None:
    channels, height, width = pixels.shape
    for ch in range(channels):
        keep = pedestal[ch]
        for i in range(height):
            for j in range(column_start.size - 1):
                lo = max(column_start[j], x0)
                hi = min(column_start[j + 1], x0 + width)
                if lo >= hi:
                    continue
                a, b, c, d = _blend_row(pieces[ch], row_weight[y0 + i], row_start[y0 + i], j)
                source, target, place = pixels[ch, i, lo - x0 : hi - x0], out[ch, i, lo - x0 : hi - x0], t[lo:hi]
                if divide:
                    for k in range(hi - lo):
                        s = place[k]
                        target[k] = source[k] * (keep / (a + s * (b + s * (c + s * d))))
                else:
                    a -= keep
                    for k in range(hi - lo):
                        s = place[k]
                        target[k] = source[k] - (a + s * (b + s * (c + s * d)))


def take_off(pixels: Planes, y0: int, x0: int, painter: Painter, pedestal: Planes, divide: bool, out: Planes) -> None:
    """Take the surface off a tile (C, h, w) float32 whose first pixel is (y0, x0).

    ``out = pixels - surface + pedestal``, or ``pixels * pedestal / surface`` where ``divide``; ``pedestal`` is (C,).
    """
    p = painter
    _take_off(pixels, y0, x0, p.pieces, p.row_start, p.row_weight, p.column_start, p.t, pedestal, divide, out)


def paint(painter: Painter, y0: int, x0: int, height: int, width: int) -> Planes:
    """The surface itself on a tile: (C, height, width) float32."""
    channels = painter.pieces.shape[0]
    out = np.zeros((channels, height, width), np.float32)
    take_off(out, y0, x0, painter, np.zeros(channels, np.float32), False, out)
    return np.negative(out, out=out)


def paint_reference(
    surface: Surface, coefficients: F64, full: tuple[int, int], geometry: Geometry, rows: slice, columns: slice
) -> F64:
    """The surface evaluated at every pixel of a region in plain numpy: (C, h, w) float64. Slow; for checks."""
    y = np.clip((np.arange(geometry.height)[rows] + 0.5) * geometry.scale - 0.5, 0, max(full[0] - 1, 1))
    x = np.clip((np.arange(geometry.width)[columns] + 0.5) * geometry.scale - 0.5, 0, max(full[1] - 1, 1))
    u, v = unit_positions(np.repeat(y, len(x)), np.tile(x, len(y)), *full)
    return np.asarray((surface.design(u, v) @ coefficients.T).T.reshape(-1, len(y), len(x)))
