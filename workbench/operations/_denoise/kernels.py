"""Compiled tile kernels of `Denoise`. Their plain numpy twins are in `reference`.

All work on planes (C, h, w) float32. Convolutions give only what they can compute: a result is smaller than its
source by the reach of the filter, so no border rule is needed inside a tile.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations.rows import copy_into

__all__ = ["HINTED", "finish", "halved", "removed", "smooth", "smooth_row", "stabilise", "upsample_add"]

Planes = NDArray[np.float32]
Vector = NDArray[np.float32]

_EDGE, _SIDE, _MIDDLE = np.float32(1 / 16), np.float32(4 / 16), np.float32(6 / 16)
_NEAR, _FAR = np.float32(9 / 16), np.float32(-1 / 16)
_ZERO, _ONE, _TWO = np.float32(0), np.float32(1), np.float32(2)
_HALF, _QUARTER, _TINY = np.float32(0.5), np.float32(0.25), np.float32(1e-12)
_LEAST_WEIGHT = np.float32(0.1)
#: Times the level of the finest scale where the next one shows a star: a faint one's core is in both, and only there
#: clear of noise. At 0.5 sharp stars of 4 to 6 times the noise keep 7 % less; at 0 the sky keeps 0.1 dB more noise.
HINTED = np.float32(0.25)


@kernel
def stabilise(
    pixels: Planes,
    y0: int,
    x0: int,
    sky: Vector,
    per_sigma: Vector,
    shot: Vector,
    knee: Vector,
    turn: Planes,
    field: Vector,
    u: Vector,
    v: Vector,
    out: Planes,
) -> None:
    """Pixels from (y0, x0) on to noise units of equal variance, then to luminance and color (`reference.stabilise`)."""
    channels, height, width = out.shape
    row = np.empty((channels, width), np.float32)
    for y in range(height):
        vy = v[y0 + y]
        a = field[0] + vy * (field[2] + vy * field[5])
        b = field[1] + vy * field[4]
        across = u[x0 : x0 + width]
        for c in range(channels):
            source, to, k = pixels[c, y0 + y, x0 : x0 + width], row[c], knee[c]
            scale, level, growth = per_sigma[c], sky[c], shot[c]
            for x in range(width):
                weight = max(a + across[x] * (b + across[x] * field[3]), _LEAST_WEIGHT)
                t = (source[x] - level) * (scale * weight)
                s = max(t, k)
                to[x] = _TWO * s / (_ONE + np.sqrt(_ONE + growth * s)) + _TWO * (t - s)
        if channels == 3:
            r, g, b_ = row[0], row[1], row[2]
            for c in range(3):
                to = out[c, y]
                p, q, o = turn[c, 0], turn[c, 1], turn[c, 2]
                for x in range(width):
                    to[x] = p * r[x] + q * g[x] + o * b_[x]
        else:
            copy_into(row[0], out[0, y])


@kernel
def smooth_row(source: Any, y: int, x0: int, hole: int, column: Vector, to: Any) -> None:
    """A row of `smooth`, from the plane ``source``; ``column`` is memory for as much of a row as is looked at."""
    r0, r1, r2 = source[y, x0:], source[y + hole, x0:], source[y + 2 * hole, x0:]
    r3, r4 = source[y + 3 * hole, x0:], source[y + 4 * hole, x0:]
    for x in range(to.size + 4 * hole):
        column[x] = _EDGE * (r0[x] + r4[x]) + _SIDE * (r1[x] + r3[x]) + _MIDDLE * r2[x]
    c0, c1, c2 = column, column[hole:], column[2 * hole :]
    c3, c4 = column[3 * hole :], column[4 * hole :]
    for x in range(to.size):
        to[x] = _EDGE * (c0[x] + c4[x]) + _SIDE * (c1[x] + c3[x]) + _MIDDLE * c2[x]


@kernel
def _halved_row(source: Any, y: int, x0: int, column: Vector, even: Vector, odd: Vector, to: Any) -> None:
    """`smooth_row` with neighboring taps at every second pixel; ``even`` and ``odd`` are memory for half a row each."""
    r0, r1, r2, r3, r4 = source[y, x0:], source[y + 1, x0:], source[y + 2, x0:], source[y + 3, x0:], source[y + 4, x0:]
    n = to.size
    for x in range(2 * n + 3):
        column[x] = _EDGE * (r0[x] + r4[x]) + _SIDE * (r1[x] + r3[x]) + _MIDDLE * r2[x]
    for x in range(n + 2):
        even[x], odd[x] = column[2 * x], column[2 * x + 1]
    c0, c1, c2, c3, c4 = even, odd, even[1:], odd[1:], even[2:]
    for x in range(n):
        to[x] = _EDGE * (c0[x] + c4[x]) + _SIDE * (c1[x] + c3[x]) + _MIDDLE * c2[x]


@kernel
def smooth(source: Planes, y0: int, x0: int, hole: int, first: int, rows: int, out: Planes) -> None:
    """B3-spline smoothing with taps ``hole`` apart, to ``rows`` rows of ``out``.

    ``out[c, first + i, j]`` is centred on ``source[c, y0 + i + 2 * hole, x0 + j + 2 * hole]``.
    """
    column = np.empty(source.shape[2], np.float32)
    for c in range(out.shape[0]):
        for i in range(rows):
            smooth_row(source[c], y0 + i, x0, hole, column, out[c, first + i])


@kernel
def halved(source: Planes, y0: int, x0: int, rows: int, out: Planes) -> None:
    """B3-spline smoothing kept at every second pixel, to ``rows`` rows of ``out``.

    ``out[c, i, j]`` is centred on ``source[c, y0 + 2 * i + 2, x0 + 2 * j + 2]``.
    """
    column = np.empty(source.shape[2] + 1, np.float32)
    even, odd = np.empty(out.shape[2] + 2, np.float32), np.empty(out.shape[2] + 2, np.float32)
    for c in range(out.shape[0]):
        for i in range(rows):
            _halved_row(source[c], y0 + 2 * i, x0, column, even, odd, out[c, i])


@kernel
def _share_of_light(
    ratio: Vector, per_light: Vector, marks: Planes, row: int, left: int, number: int, most: Any
) -> None:
    """Make the ratio of level and power of a row of luminance the share that is taken; the less the more is marked."""
    if number == 0:
        hint = marks[1, row, left:]
        for x in range(ratio.size):
            ratio[x] *= _ONE - (_ONE - HINTED) * hint[x]
    for x in range(ratio.size):
        part = min(ratio[x], _ONE)
        ratio[x] = most * part * part
    if number < 2:
        mark = marks[number, row, left:]
        for x in range(ratio.size):
            free = _ONE - mark[x]
            per_light[x] *= free
            ratio[x] *= free


@kernel
def removed(
    fine: Planes,
    fine_row: int,
    fine_column: int,
    coarse: Planes,
    hole: int,
    top: int,
    left: int,
    per_variance: Vector,
    limit: Vector,
    support: Vector,
    echo: float,
    most: float,
    marks: Planes,
    marks_row: int,
    marks_column: int,
    number: int,
    out: Planes,
) -> None:
    """Add to ``out`` the part of the scale ``fine - coarse`` that is taken for noise (see `reference.removed`).

    ``fine`` (C, ...) counts from row ``fine_row`` and column ``fine_column`` on; ``coarse``, its smoothing, begins
    ``2 hole`` inside that. ``out`` (C + 1, h, w) begins at row ``top`` and column ``left`` of what they let know:
    ``4 hole`` inside ``coarse`` at either side. Its last plane holds what was kept of
    the luminance in the next coarser scale, and is given what is kept in this one. ``marks`` (2, ...), over which
    ``fine`` lies from ``marks_row`` and ``marks_column`` on, say how far light stood out of the two finest scales and
    was leveled (`peaks.level`): so much more of the luminance is kept in this scale, and color finds the more light.
    ``number`` 0 is the finest scale, 1 the next; beyond, marks are not looked at.
    """
    channels = out.shape[0] - 1
    height, width = out.shape[1:]
    span = width + 4 * hole
    column = np.empty(span, np.float32)
    per_light = np.zeros(width, np.float32)
    share = np.empty(width, np.float32)
    share_of_echo, most_ = np.float32(echo), np.float32(most)
    two = 2 * hole
    for j in range(height):
        i = j + top
        kept = out[channels, j]
        for c in range(channels):
            v, u = fine_row + i + two, fine_column + left + two
            f0, f1, f2 = fine[c, v, u:], fine[c, v + hole, u:], fine[c, v + two, u:]
            f3, f4 = fine[c, v + 3 * hole, u:], fine[c, v + 4 * hole, u:]
            s0, s1, s2 = coarse[c, i, left:], coarse[c, i + hole, left:], coarse[c, i + two, left:]
            s3, s4 = coarse[c, i + 3 * hole, left:], coarse[c, i + 4 * hole, left:]
            for x in range(span):
                d0, d1, d2 = f0[x] - s0[x], f1[x] - s1[x], f2[x] - s2[x]
                d3, d4 = f3[x] - s3[x], f4[x] - s4[x]
                column[x] = _EDGE * (d0 * d0 + d4 * d4) + _SIDE * (d1 * d1 + d3 * d3) + _MIDDLE * (d2 * d2)
            c0, c1, c2 = column, column[hole:], column[two:]
            c3, c4 = column[3 * hole :], column[4 * hole :]
            wave_f, wave_s, to = f2[two:], s2[two:], out[c, j]
            scale, level, light = per_variance[c], limit[c], support[c]
            if c == 0:
                for x in range(width):
                    power = scale * (_EDGE * (c0[x] + c4[x]) + _SIDE * (c1[x] + c3[x]) + _MIDDLE * c2[x])
                    per_power = _ONE / max(power, _TINY)
                    per_light[x] = per_power
                    share[x] = level * per_power
                v, u = marks_row + i + 2 * two, marks_column + left + 2 * two
                _share_of_light(share, per_light, marks, v, u, number, most_)
                for x in range(width):
                    wave = wave_f[x] - wave_s[x]
                    to[x] += share[x] * (wave - share_of_echo * kept[x])
                    kept[x] = wave - share[x] * wave
            else:
                for x in range(width):
                    power = scale * (_EDGE * (c0[x] + c4[x]) + _SIDE * (c1[x] + c3[x]) + _MIDDLE * c2[x])
                    ratio = min(level / max(power, _TINY) + light * per_light[x], _ONE)
                    to[x] += (wave_f[x] - wave_s[x]) * (most_ * ratio * ratio)


@kernel
def upsample_add(source: Planes, y0: int, x0: int, out: Planes) -> None:
    """Add to ``out`` the ``source`` grid brought to half its step, by the cubic through four points.

    ``out[c, i, j]`` lies at ``source`` position ``((y0 + i) / 2, (x0 + j) / 2)``; ``y0`` and ``x0`` are at least 2.
    """
    channels, height, width = out.shape
    span = source.shape[2]
    column = np.empty(span, np.float32)
    for c in range(channels):
        for i in range(height):
            y = (y0 + i) // 2
            if (y0 + i) % 2 == 0:
                copy_into(source[c, y], column)
            else:
                r0, r1, r2, r3 = source[c, y - 1], source[c, y], source[c, y + 1], source[c, y + 2]
                for x in range(span):
                    column[x] = _FAR * (r0[x] + r3[x]) + _NEAR * (r1[x] + r2[x])
            to = out[c, i]
            first = x0 // 2
            if x0 % 2:  # begin with a point between two nodes
                to[0] += _FAR * (column[first - 1] + column[first + 2]) + _NEAR * (column[first] + column[first + 1])
                first += 1
            odd = x0 % 2
            pairs = (width - odd) // 2
            n0, n1, n2, n3 = column[first - 1 :], column[first:], column[first + 1 :], column[first + 2 :]
            for k in range(pairs):
                x = odd + 2 * k
                to[x] += n1[k]
                to[x + 1] += _FAR * (n0[k] + n3[k]) + _NEAR * (n1[k] + n2[k])
            if (width - odd) % 2:
                to[width - 1] += n1[pairs]


@kernel
def finish(
    pixels: Planes,
    y0: int,
    x0: int,
    stable: Planes,
    noise: Planes,
    sky: Vector,
    per_sigma: Vector,
    shot: Vector,
    knee: Vector,
    turn: Planes,
    field: Vector,
    u: Vector,
    v: Vector,
    amount: float,
    first: int,
    out: Planes,
) -> None:
    """Take ``noise`` (C, h, w) from ``stable``, undo `stabilise`, blend with ``pixels`` (`reference.finish`).

    ``stable`` (C + 1, h, w) has the leveled luminance first and the luminance itself last. ``noise`` has two pixels of
    rim; row 0 inside is row ``y0`` of ``stable`` and of ``pixels``, and row ``first`` of ``out``.
    """
    channels, height, width = len(out), noise.shape[1] - 4, noise.shape[2] - 4
    row = np.empty((channels, width), np.float32)
    part = np.float32(amount)
    for y in range(height):
        vy = v[y0 + y]
        a = field[0] + vy * (field[2] + vy * field[5])
        b = field[1] + vy * field[4]
        across = u[x0 : x0 + width]
        for c in range(channels):
            z = stable[channels if c == 0 else c, y0 + y, x0 : x0 + width]
            n, to = noise[c, y + 2, 2:], row[c]
            for x in range(width):
                to[x] = z[x] - n[x]
        for c in range(channels):
            source, to = pixels[c, y0 + y, x0 : x0 + width], out[c, first + y]
            scale, level, growth = _ONE / per_sigma[c], sky[c], shot[c]
            k = _TWO * knee[c] / (_ONE + np.sqrt(_ONE + growth * knee[c]))
            quarter = _QUARTER * growth
            r, g, b_ = row[0], row[0], row[0]
            p, q, o = _ONE, _ZERO, _ZERO
            if channels == 3:
                g, b_ = row[1], row[2]
                p, q, o = turn[0, c], turn[1, c], turn[2, c]
            for x in range(width):
                weight = max(a + across[x] * (b + across[x] * field[3]), _LEAST_WEIGHT)
                z1 = p * r[x] + q * g[x] + o * b_[x]
                s = max(z1, k)
                t = s + quarter * (s * s) + _HALF * (z1 - s)
                clean = t * (scale / weight) + level
                to[x] = source[x] + part * (clean - source[x])
