"""Stars and faulty pixels taken off the luminance before its noise is looked for.

A star is hundreds of times as bright as noise, and each scale of a starlet shows it with a dark ring around it, as wide
as that scale. Judged by power, those rings are structure: grain is kept in them, and where one scale's ring is kept
and the next one's is not, a dark pit is left. So what stands out upwards in the two finest scales is leveled first,
down to what surrounds it, and laid back untouched at the end (the split of a picture into what stands out and what is
smooth goes back to Starck, Donoho & Candes 2003, A&A 398, 785; the significant coefficients are a multiresolution
support after Starck & Murtagh 1994, A&A 288, 342). A single pixel that no neighbor bears out is no star: optics spread
light over more than one.

All work on one plane (h, w) float32 in noise units; their plain twin is `reference.leveled`.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations._denoise.kernels import smooth

__all__ = ["BAND", "GUARD", "LEAN", "PASSES", "PUSH", "REACH", "RIM", "ROOM", "SPREAD", "give_back", "level"]

Plane = NDArray[np.float32]
Marks = NDArray[np.uint8]

#: Times that what stands out is moved to the mean of what surrounds it, in the finest scale and the next.
PASSES = (3, 3)
#: Times the way to that mean: more than 1 gets there in fewer passes.
PUSH = 1.5
#: Pixels around a pixel that are looked at: 2 for its neighbors, 2 and 4 for each pass, 2 for the smoothing between.
REACH = 2 + 2 * PASSES[0] + 2 + 4 * PASSES[1]
#: A pixel beside one that stands out belongs to it from this many times the noise of the scale on. At 1, faint stars
#: keep 1 % more and the sky 0.5 dB more noise; at 2.5, 3 % less and 0.7 dB less.
RIM = 1.5
#: Noise to either side of these limits over which a mark grows from nothing to all. A hard limit would make the last
#: bit of a pixel another picture around a star; at 0.5 stars of demosaiced noise keep 3 % less, at 0.15 the same.
BAND = 0.3
#: A pixel may stand off the ring around it by this many times the noise of the finest scale,
ROOM = 2.5
#: and by how far its four neighbors do, over this (0.18 to 0.25 of the star's height where it is 1.3 px wide; at 0.2
#: noise with tails falls by 0.8 dB less, at 0.3 no star has lost yet, as the next term lets bright ones pass),
LEAN = 0.3
#: and by this many times what its neighbors differ among themselves, the second highest from the second lowest,
#: beyond this many times the noise: a bright star's do.
SPREAD, GUARD = 4.0, 3.0

_EDGE, _SIDE, _MIDDLE = np.float32(1 / 16), np.float32(4 / 16), np.float32(6 / 16)
_ZERO, _ONE = np.float32(0), np.float32(1)
_QUARTER, _SIXTEENTH = np.float32(1 / 4), np.float32(1 / 16)


@kernel
def _without_faults(plane: Plane, noise: float, out: Plane) -> None:
    """Copy ``plane`` to ``out`` with single pixels that no neighbor bears out brought back; two pixels of rim stay."""
    h, w = plane.shape
    room, guard = np.float32(ROOM * noise), np.float32(GUARD * noise)
    per_lean, spread = np.float32(1 / LEAN), np.float32(SPREAD)
    inner = w - 4
    out[:2], out[h - 2 :] = plane[:2], plane[h - 2 :]
    for y in range(2, h - 2):
        a, b, c, d, e = plane[y - 2], plane[y - 1], plane[y], plane[y + 1], plane[y + 2]
        a0, a1, a2, a3, a4 = a, a[1:], a[2:], a[3:], a[4:]
        b0, b1, b2, b3, b4 = b, b[1:], b[2:], b[3:], b[4:]
        c0, c1, c2, c3, c4 = c, c[1:], c[2:], c[3:], c[4:]
        d0, d1, d2, d3, d4 = d, d[1:], d[2:], d[3:], d[4:]
        e0, e1, e2, e3, e4 = e, e[1:], e[2:], e[3:], e[4:]
        to = out[y, 2:]
        out[y, 0], out[y, 1], out[y, w - 2], out[y, w - 1] = c[0], c[1], c[w - 2], c[w - 1]
        for x in range(inner):
            ring = (a0[x] + a1[x]) + (a2[x] + a3[x]) + (a4[x] + b0[x]) + (b4[x] + c0[x])
            ring += (c4[x] + d0[x]) + (d4[x] + e0[x]) + (e1[x] + e2[x]) + (e3[x] + e4[x])
            ring *= _SIXTEENTH
            lean = per_lean * (_QUARTER * ((b2[x] + d2[x]) + (c1[x] + c3[x])) - ring)
            # The eight neighbors in pairs, and of each pair and pair of pairs the two highest and the two lowest.
            p_low, p_high = min(b1[x], b2[x]), max(b1[x], b2[x])
            q_low, q_high = min(b3[x], c1[x]), max(b3[x], c1[x])
            r_low, r_high = min(c3[x], d1[x]), max(c3[x], d1[x])
            s_low, s_high = min(d2[x], d3[x]), max(d2[x], d3[x])
            high, next_high = max(p_high, q_high), max(min(p_high, q_high), p_low, q_low)
            high_2, next_high_2 = max(r_high, s_high), max(min(r_high, s_high), r_low, s_low)
            low, next_low = min(p_low, q_low), min(max(p_low, q_low), p_high, q_high)
            low_2, next_low_2 = min(r_low, s_low), min(max(r_low, s_low), r_high, s_high)
            second_high = max(min(high, high_2), next_high, next_high_2)
            second_low = min(max(low, low_2), next_low, next_low_2)
            free = room + spread * max(second_high - second_low - guard, _ZERO)
            off = c2[x] - ring
            to[x] = ring + min(max(off, min(lean, _ZERO) - free), max(lean, _ZERO) + free)


@kernel
def _column(plane: Plane, p: np.uint64, down: np.uint64) -> Any:
    q, r, s, t = p + down, p + np.uint64(2) * down, p + np.uint64(3) * down, p + np.uint64(4) * down
    return _EDGE * (plane[p] + plane[t]) + _SIDE * (plane[q] + plane[s]) + _MIDDLE * plane[r]


@kernel
def _around(plane: Plane, at: int, width: int, hole: int) -> Any:
    """B3-spline mean of 5 x 5 pixels ``hole`` apart around place ``at`` of a flat plane with rows of ``width``."""
    # Unsigned, for then no place can mean one counted from the end, which need not be looked for.
    down, aside = np.uint64(hole * width), np.uint64(hole)
    p = np.uint64(at - 2 * hole * (width + 1))
    a, b = _column(plane, p, down), _column(plane, p + aside, down)
    c, d = _column(plane, p + np.uint64(2) * aside, down), _column(plane, p + np.uint64(3) * aside, down)
    e = _column(plane, p + np.uint64(4) * aside, down)
    return _EDGE * (a + e) + _SIDE * (b + d) + _MIDDLE * c


@kernel
def _standing_out(plane: Plane, rest: Plane, hole: int, least: Any) -> Any:
    """Flat places (n,) of ``plane`` that stand out of ``rest`` by more than ``least``, and by how much (n,).

    ``rest`` is the smoothing of ``plane`` with taps ``hole`` apart, ``2 hole`` smaller on each side.
    """
    h, w = plane.shape
    edge, span, limit = 2 * hole, w - 4 * hole, np.float32(least)
    count, room = 0, 0
    at, off = np.empty(room, np.int64), np.empty(room, np.float32)
    row = np.empty(span, np.float32)
    for y in range(edge, h - edge):
        here, around = plane[y, edge:], rest[y - edge]
        out: Any = 0
        for x in range(span):
            row[x] = here[x] - around[x]
            out += np.int32(row[x] > limit)
        if out == 0:
            continue
        if count + out > room:
            room = 2 * (count + out)
            at, off = _longer(at, room), _longer(off, room)
        for x in range(span):
            if row[x] > limit:
                at[count], off[count] = y * w + x + edge, row[x]
                count += 1
    return at[:count], off[:count]


@kernel
def _with_beside(at: Any, shape: tuple[int, int], edge: int, marks: Any, listed: Any) -> Any:
    """Places ``at`` (n,), and the neighbors of those among them that have come to be marked.

    ``listed`` is 1 at places of the list, 3 where their neighbors are in it too.
    """
    h, w = shape
    new: Any = 0
    for p in at:
        new += np.int32(marks[p] > _ZERO and listed[p] == 1)
    total, found = at.size, np.empty(at.size + 8 * new, np.int64)
    found[:total] = at
    for p in at:
        if listed[p] != 1 or not marks[p] > _ZERO:
            continue
        listed[p] = 3
        y = p // w
        x = p - y * w
        for v in range(max(y - 1, edge), min(y + 2, h - edge)):
            for u in range(max(x - 1, edge), min(x + 2, w - edge)):
                if listed[v * w + u] == 0:
                    listed[v * w + u] = 1
                    found[total] = v * w + u
                    total += 1
    return found[:total]


@kernel
def _highest_beside(marks: Any, at: int, width: int) -> Any:
    """The highest mark among a place and its eight neighbors."""
    most = marks[at]
    for first in (at - width - 1, at - 1, at + width - 1):
        most = max(most, marks[first], marks[first + 1], marks[first + 2])
    return most


@kernel
def _lower(
    plane: Plane, rest: Plane, hole: int, noise: float, least: float, passes: int, marks: Plane, listed: Marks
) -> None:
    """Level what stands out of ``plane`` by more than ``least`` times the noise, in place, and say in ``marks`` where.

    ``rest`` is the smoothing of ``plane`` with taps ``hole`` apart, ``2 hole`` smaller on each side; ``marks`` and
    ``listed``, both zero, are as large as ``plane``. In each pass marked pixels go `PUSH` times their mark times the
    way to the mean of what surrounded them before it, and pixels beside marked ones that now stand out by more than
    `RIM` times the noise are marked too.
    """
    flat, mark, known, width = plane.reshape(-1), marks.reshape(-1), listed.reshape(-1), plane.shape[1]
    push, per_noise = np.float32(PUSH), np.float32(1 / noise)
    half, per_band = np.float32(BAND), np.float32(1 / (2 * BAND))
    first, rim = np.float32(least) - half, np.float32(RIM) - half
    at, off = _standing_out(plane, rest, hole, first * noise)
    for k in range(at.size):
        mark[at[k]] = min((off[k] * per_noise - first) * per_band, _ONE)
        flat[at[k]] -= push * mark[at[k]] * off[k]
        known[at[k]] = 1
    for _ in range(1, passes):
        at = _with_beside(at, plane.shape, 2 * hole, mark, known)
        off, grown = np.empty(at.size, np.float32), np.empty(at.size, np.float32)
        for k in range(at.size):
            off[k] = flat[at[k]] - _around(flat, at[k], width, hole)
            grown[k] = mark[at[k]]
            share = min((off[k] * per_noise - rim) * per_band, _ONE)
            if share > grown[k]:
                grown[k] = min(share, _highest_beside(mark, at[k], width))
        for k in range(at.size):
            mark[at[k]] = grown[k]
            flat[at[k]] -= push * grown[k] * off[k]


@kernel
def _longer(values: Any, room: int) -> Any:
    out = np.empty(room, values.dtype)
    out[: values.size] = values
    return out


@kernel
def give_back(noise: Any, marks: Any, row: int, column: int, scratch: Any) -> None:
    """Leave out of noise (C, h, w), but for two pixels of rim, what is light of stars (`reference.given_back`).

    ``noise`` lies over ``marks`` (2, ...) from ``row`` and ``column`` on; ``scratch`` (2, h, w) is memory to work in.
    """
    _, height, width = scratch.shape
    mark, part = scratch[0], scratch[1]
    for y in range(height):
        first, second, here = marks[0, row + y, column:], marks[1, row + y, column:], noise[0, y]
        mark_, part_ = mark[y], part[y]
        for x in range(width):
            mark_[x] = max(first[x], second[x])
            part_[x] = mark_[x] * here[x]
    marked, taken = mark.reshape(-1), part.reshape(-1)
    for y in range(2, height - 2):
        here, mark_ = noise[0, y], mark[y]
        for x in range(2, width - 2):
            if mark_[x] > _ZERO:
                at = y * width + x
                here[x] -= mark_[x] * _around(taken, at, width, 1) / _around(marked, at, width, 1)


def level(
    plane: Plane,
    noise: NDArray[np.float64],
    least: Plane,
    scratch: NDArray[np.float32],
    sound: Plane,
    marks: NDArray[np.float32],
    listed: Marks,
) -> None:
    """Take stars and faulty pixels off a plane, in place.

    Parameters
    ----------
    plane : ndarray, shape (h, w), float32
        Luminance in noise units. What lies within `REACH` pixels of its rim is not done rightly.
    noise : ndarray, shape (2,), float64
        Noise of the two finest scales.
    least : ndarray, shape (2,), float32
        From how many times that noise on a pixel stands out.
    scratch : ndarray, shape (4, h, w), float32
        Memory to work in.
    sound : ndarray, shape (h, w), float32
        Gets the plane with its stars, and without faulty pixels.
    marks : ndarray, shape (2, h, w), float32
        Gets how far something was taken off in the finest scale and in the next, 0 to 1.
    listed : ndarray, shape (h, w), uint8
        Memory to work in.
    """
    h, w = plane.shape
    marks.fill(0)
    _without_faults(plane, noise[0], sound)
    plane[...] = sound
    once, twice, before, second = (
        scratch[k].reshape(-1)[: (h - cut) * (w - cut)].reshape(h - cut, w - cut) for k, cut in enumerate((4, 12, 4, 4))
    )
    smooth(plane[None], 1, 1, 0, h - 4, once[None])
    listed.fill(0)
    _lower(plane, once, 1, noise[0], least[0], PASSES[0], marks[0], listed)
    smooth(plane[None], 1, 1, 0, h - 4, once[None])
    smooth(once[None], 2, 1, 0, h - 12, twice[None])
    before[...] = once
    inner = listed.reshape(-1)[: once.size].reshape(once.shape)
    inner.fill(0)
    second.fill(0)
    _lower(once, twice, 2, noise[1], least[1], PASSES[1], second, inner)
    marks[1, 2:-2, 2:-2] = second
    # What the second scale took off is taken off the pixels themselves.
    plane[2:-2, 2:-2] += once - before
