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

#: Pixels of a row that are looked at together: only where one of them stands out, or of those beside them.
_RUN = 64
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
def _first_pass(plane: Plane, rest: Plane, hole: int, noise: float, least: float, marks: Plane, busy: Marks) -> None:
    """Level what stands out of ``rest`` by more than ``least`` times the noise; where, to ``marks`` and ``busy``."""
    h, w = plane.shape
    edge, span = 2 * hole, w - 4 * hole
    push, per_noise = np.float32(PUSH), np.float32(1 / noise)
    per_band, first = np.float32(1 / (2 * BAND)), np.float32(least) - np.float32(BAND)
    limit = np.float32(first * noise)
    for y in range(edge, h - edge):
        for run in range(busy.shape[1]):
            start, stop = run * _RUN, min((run + 1) * _RUN, span)
            # Loops from 0 over parts of rows: the compiler then knows that no place is counted from the end.
            here, around, mark = plane[y, edge + start :], rest[y - edge, start:], marks[y, edge + start :]
            out: Any = 0
            for x in range(stop - start):
                out += np.int32(here[x] - around[x] > limit)
            if out == 0:
                continue
            busy[y, run] = 1
            for x in range(stop - start):
                off = here[x] - around[x]
                mark[x] = min((off * per_noise - first) * per_band, _ONE) if off > limit else _ZERO
                here[x] -= push * mark[x] * off


@kernel
def _beside_busy(busy: Marks, near: Marks) -> None:
    """Say in ``near`` which runs of pixels have marks in them or beside them."""
    rows, runs = busy.shape
    for y in range(rows):
        for run in range(runs):
            near[y, run] = 0
            for v in range(max(y - 1, 0), min(y + 2, rows)):
                for u in range(max(run - 1, 0), min(run + 2, runs)):
                    near[y, run] |= busy[v, u]


@kernel
def _look_again(
    plane: Plane, hole: int, noise: float, y: int, span: tuple[int, int], above: Any, own: Any, marks: Plane, off: Any,
    memory: Plane,
) -> None:  # fmt: skip
    """How far the pixels ``span`` of an inner row stand out, to ``off``, and their marks, of which no row below is new.

    ``above`` and ``own`` are the marks that the row above and this one had before.
    """
    start, count, edge = span[0], span[1] - span[0], 2 * hole
    per_noise = np.float32(1 / noise)
    per_band, rim = np.float32(1 / (2 * BAND)), np.float32(RIM) - np.float32(BAND)
    column, high = memory[0], memory[1]
    # Loops from 0 over parts of rows, with few arrays in each: else the compiler does not see that no place is counted
    # from the end and that nothing overlaps what is written.
    r0, r1, r2 = plane[y - edge, start:], plane[y - hole, start:], plane[y, start:]
    r3, r4 = plane[y + hole, start:], plane[y + edge, start:]
    for x in range(count + 2 * edge):
        column[x] = _EDGE * (r0[x] + r4[x]) + _SIDE * (r1[x] + r3[x]) + _MIDDLE * r2[x]
    c0, c1, c2, c3, c4 = column, column[hole:], column[edge:], column[3 * hole :], column[2 * edge :]
    here, out = r2[edge:], off[start:]
    for x in range(count):
        out[x] = _EDGE * (c0[x] + c4[x]) + _SIDE * (c1[x] + c3[x]) + _MIDDLE * c2[x]
    a, b, c = above[start + edge - 1 :], own[start + edge - 1 :], marks[y + 1, start + edge - 1 :]
    for x in range(count + 2):
        high[x] = max(a[x], b[x], c[x])
    h0, h1, h2, known, to = high, high[1:], high[2:], b[1:], marks[y, start + edge :]
    for x in range(count):
        to[x] = max(h0[x], h1[x], h2[x])
    for x in range(count):
        out[x] = here[x] - out[x]
        share = min((out[x] * per_noise - rim) * per_band, _ONE)
        to[x] = max(known[x], min(share, to[x]))


@kernel
def _level_marked(here: Any, mark: Any, off: Any, count: int) -> bool:
    """Level the first ``count`` pixels of part of a row by their marks; whether there are any."""
    push = np.float32(PUSH)
    marked: Any = 0
    for x in range(count):
        here[x] -= push * mark[x] * off[x]
        marked += np.int32(mark[x] > _ZERO)
    return bool(marked > 0)


@kernel
def _later_pass(plane: Plane, hole: int, noise: float, marks: Plane, off: Plane, busy: Marks, near: Marks) -> None:
    """Once more level what is marked, and what then stands out beside it, which is marked too.

    ``off`` (``2 hole`` smaller on each side) and ``near`` are memory to work in.
    """
    h, w = plane.shape
    edge, span, runs = 2 * hole, w - 4 * hole, busy.shape[1]
    memory = np.empty((2, w), np.float32)
    above, own = np.zeros(w, np.float32), np.zeros(w, np.float32)
    _beside_busy(busy, near)
    for y in range(edge, h - edge):
        above, own = own, above
        own[:] = marks[y]
        stop = 0
        for run in range(runs):
            if near[y, run] == 0 or run < stop:
                continue
            stop = run + 1
            while stop < runs and near[y, stop] > 0:
                stop += 1
            part = run * _RUN, min(stop * _RUN, span)
            _look_again(plane, hole, noise, y, part, above, own, marks, off[y - edge], memory)
    for y in range(edge, h - edge):
        for run in range(runs):
            if near[y, run] > 0:
                start = run * _RUN
                here, mark = plane[y, edge + start :], marks[y, edge + start :]
                busy[y, run] = _level_marked(here, mark, off[y - edge, start:], min(_RUN, span - start))


@kernel
def _lower(plane: Plane, rest: Plane, hole: int, noise: float, least: float, passes: int, marks: Plane) -> None:
    """Level what stands out of ``plane`` by more than ``least`` times the noise, in place, and say in ``marks`` where.

    ``rest`` is the smoothing of ``plane`` with taps ``hole`` apart, ``2 hole`` smaller on each side, and is written
    over; ``marks``, all zero, are as large as ``plane``. In each pass marked pixels go `PUSH` times their mark times
    the way to the mean of what surrounded them before it, and pixels beside marked ones that now stand out by more
    than `RIM` times the noise are marked too.
    """
    runs = (rest.shape[1] + _RUN - 1) // _RUN
    busy, near = np.zeros((plane.shape[0], runs), np.uint8), np.zeros((plane.shape[0], runs), np.uint8)
    _first_pass(plane, rest, hole, noise, least, marks, busy)
    for _ in range(1, passes):
        _later_pass(plane, hole, noise, marks, rest, busy, near)


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
    """
    h, w = plane.shape
    marks.fill(0)
    _without_faults(plane, noise[0], sound)
    plane[...] = sound
    once, twice, before, second = (
        scratch[k].reshape(-1)[: (h - cut) * (w - cut)].reshape(h - cut, w - cut) for k, cut in enumerate((4, 12, 4, 4))
    )
    smooth(plane[None], 1, 1, 0, h - 4, once[None])
    _lower(plane, once, 1, noise[0], least[0], PASSES[0], marks[0])
    smooth(plane[None], 1, 1, 0, h - 4, once[None])
    smooth(once[None], 2, 1, 0, h - 12, twice[None])
    before[...] = once
    second.fill(0)
    _lower(once, twice, 2, noise[1], least[1], PASSES[1], second)
    marks[1, 2:-2, 2:-2] = second
    # What the second scale took off is taken off the pixels themselves.
    plane[2:-2, 2:-2] += once - before
