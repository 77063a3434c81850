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
from workbench.operations._denoise.kernels import smooth_row
from workbench.operations.rows import copy_into

__all__ = ["BAND", "GUARD", "LEAN", "PASSES", "PUSH", "REACH", "RIM", "ROOM", "SPREAD", "give_back", "level"]

Plane = NDArray[np.float32]
Vector = NDArray[np.float32]
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
#: Rows that go through all passes before the next ones do: what a pass has made is in cache for the next.
_ROWS = 32
_EDGE, _SIDE, _MIDDLE = np.float32(1 / 16), np.float32(4 / 16), np.float32(6 / 16)
_ZERO, _ONE = np.float32(0), np.float32(1)
_QUARTER, _SIXTEENTH = np.float32(1 / 4), np.float32(1 / 16)


@kernel
def _without_faults(plane: Plane, noise: float, start: int, stop: int, out: Plane) -> None:
    """Copy rows to ``out`` with single pixels that no neighbor bears out brought back; two pixels of rim stay."""
    h, w = plane.shape
    room, guard = np.float32(ROOM * noise), np.float32(GUARD * noise)
    per_lean, spread = np.float32(1 / LEAN), np.float32(SPREAD)
    inner = w - 4
    for y in range(start, stop):
        if y < 2 or y >= h - 2:
            copy_into(plane[y], out[y])
            continue
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
def _first_pass(
    source: Plane, rest: Plane, hole: int, noise: float, least: float, start: int, stop: int, plane: Plane,
    marks: Plane, rim: int, busy: Marks,
) -> None:  # fmt: skip
    """Copy rows to ``plane``, what stands out of ``rest`` by more than ``least`` times the noise leveled; say where."""
    h, w = source.shape
    edge, span = 2 * hole, w - 4 * hole
    push, per_noise = np.float32(PUSH), np.float32(1 / noise)
    per_band, first = np.float32(1 / (2 * BAND)), np.float32(least) - np.float32(BAND)
    limit = np.float32(first * noise)
    for y in range(start, stop):
        copy_into(source[y], plane[y])
        marks[y + rim] = _ZERO
        if y < edge or y >= h - edge:
            continue
        for run in range(busy.shape[1]):
            left, right = run * _RUN, min((run + 1) * _RUN, span)
            # Loops from 0 over parts of rows: the compiler then knows that no place is counted from the end.
            here, around = source[y, edge + left :], rest[y - edge, left:]
            out: Any = 0
            for x in range(right - left):
                out += np.int32(here[x] - around[x] > limit)
            if out == 0:
                continue
            busy[y, run] = 1
            to, mark = plane[y, edge + left :], marks[y + rim, rim + edge + left :]
            for x in range(right - left):
                off = here[x] - around[x]
                mark[x] = min((off * per_noise - first) * per_band, _ONE) if off > limit else _ZERO
                to[x] -= push * mark[x] * off


@kernel
def _beside_busy(busy: Marks, y: int, near: Marks) -> None:
    """Say in row ``y`` of ``near`` which runs of pixels have marks in them or beside them."""
    rows, runs = busy.shape
    above, own, below, to = busy[max(y - 1, 0)], busy[y], busy[min(y + 1, rows - 1)], near[y]
    left: Any = np.uint8(0)
    here = above[0] | own[0] | below[0]
    for run in range(runs - 1):
        right = above[run + 1] | own[run + 1] | below[run + 1]
        to[run] = left | here | right
        left, here = here, right
    to[runs - 1] = left | here


@kernel
def _look_again(
    plane: Plane, hole: int, noise: float, y: int, span: tuple[int, int], above: Any, own: Any, below: Any, mark: Any,
    off: Any, memory: Plane,
) -> None:  # fmt: skip
    """How far the pixels ``span`` of an inner row stand out, to ``off``, and their marks, to ``mark``.

    ``above``, ``own`` and ``below`` are the marks, from the first inner pixel on, that the row and those beside it had
    before, with one pixel more to the left.
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
    a, b, c = above[start:], own[start:], below[start:]
    for x in range(count + 2):
        high[x] = max(a[x], b[x], c[x])
    h0, h1, h2, known, to = high, high[1:], high[2:], b[1:], mark[start:]
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
def _look(
    plane: Plane, hole: int, noise: float, start: int, stop: int, marks: Plane, rim: int, off: Plane, busy: Marks,
    near: Marks, above: Vector, memory: Plane,
) -> None:  # fmt: skip
    """How far what is marked in inner rows still stands out, and what then does beside it, which is marked too.

    ``above`` are the marks that the row above ``start`` had before, and then those of the last row.
    """
    edge, span, runs = 2 * hole, plane.shape[1] - 4 * hole, busy.shape[1]
    own, left = memory[2], rim + edge
    for y in range(start, stop):
        _beside_busy(busy, y, near)
        copy_into(marks[y + rim], own)
        done = 0
        for run in range(runs):
            if near[y, run] == 0 or run < done:
                continue
            done = run + 1
            while done < runs and near[y, done] > 0:
                done += 1
            _look_again(
                plane, hole, noise, y, (run * _RUN, min(done * _RUN, span)), above[left - 1 :], own[left - 1 :],
                marks[y + rim + 1, left - 1 :], marks[y + rim, left:], off[y - edge], memory,
            )  # fmt: skip
        copy_into(own, above)


@kernel
def _settle(
    plane: Plane, hole: int, start: int, stop: int, marks: Plane, rim: int, off: Plane, busy: Marks, near: Marks
) -> None:
    """Level what is marked in inner rows by how far it stands out."""
    edge, span = 2 * hole, plane.shape[1] - 4 * hole
    for y in range(start, stop):
        for run in range(busy.shape[1]):
            if near[y, run] > 0:
                left = run * _RUN
                here, mark = plane[y, edge + left :], marks[y + rim, rim + edge + left :]
                busy[y, run] = _level_marked(here, mark, off[y - edge, left:], min(_RUN, span - left))


@kernel
def _due(top: int, lag: int, first: int, last: int) -> tuple[int, int]:
    """Which of rows ``first`` to ``last`` a pass makes that is ``lag`` rows behind the one at row ``top``."""
    return min(max(top - lag, first), last), min(max(top + _ROWS - lag, first), last)


@kernel
def _lower(
    source: Plane, rest: Plane, hole: int, noise: float, least: float, passes: int, top: int, lag: int, plane: Plane,
    marks: Plane, rim: int, busy: Marks, near: Marks, above: Plane,
) -> None:  # fmt: skip
    """Copy rows to ``plane``, what stands out by more than ``least`` times the noise leveled; say in ``marks`` where.

    ``rest`` is the smoothing of ``source`` with taps ``hole`` apart, ``2 hole`` smaller on each side, and is written
    over; ``marks`` are ``rim`` pixels larger on each side. In each pass marked pixels go `PUSH` times their mark times
    the way to the mean of what surrounded them before it, and pixels beside marked ones that now stand out by more
    than `RIM` times the noise are marked too. The last pass is ``4 hole (passes - 1)`` rows behind the first, which
    makes the rows that are `_due` at ``lag``.
    """
    h, edge = source.shape[0], 2 * hole
    memory = np.empty((3, marks.shape[1]), np.float32)
    start, stop = _due(top, lag, 0, h)
    _first_pass(source, rest, hole, noise, least, start, stop, plane, marks, rim, busy)
    for k in range(1, passes):
        start, stop = _due(top, lag + (2 * k - 1) * edge, edge, h - edge)
        _look(plane, hole, noise, start, stop, marks, rim, rest, busy, near, above[k - 1], memory)
        start, stop = _due(top, lag + 2 * k * edge, edge, h - edge)
        _settle(plane, hole, start, stop, marks, rim, rest, busy, near)


@kernel
def _smooth_rows(source: Plane, hole: int, start: int, stop: int, out: Plane) -> None:
    """The smoothing with taps ``hole`` apart of rows ``start`` to ``stop`` of ``source``, ``2 hole`` smaller."""
    column = np.empty(source.shape[1], np.float32)
    for y in range(start - 2 * hole, stop - 2 * hole):
        smooth_row(source, y, 0, hole, column, out[y])


@kernel
def _take_off(lowered: Plane, before: Plane, start: int, stop: int, plane: Plane) -> None:
    """Take what ``before`` lost in rows ``start`` to ``stop`` off ``plane``, two pixels larger on each side."""
    for y in range(start, stop):
        to, low, high = plane[y + 2, 2:], lowered[y], before[y]
        for x in range(low.size):
            to[x] += low[x] - high[x]


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
    scratch : ndarray, shape (3, h, w), float32
        Memory to work in.
    sound : ndarray, shape (h, w), float32
        Gets the plane with its stars, and without faulty pixels.
    marks : ndarray, shape (2, h, w), float32
        Gets how far something was taken off in the finest scale and in the next, 0 to 1.
    """
    h, w = plane.shape
    once, twice, second = (
        scratch[k].reshape(-1)[: (h - cut) * (w - cut)].reshape(h - cut, w - cut) for k, cut in enumerate((4, 12, 4))
    )
    runs = -(-w // _RUN)
    busy, near = np.zeros((2, h, runs), np.uint8), np.zeros((2, h, runs), np.uint8)
    above = np.zeros((2, max(PASSES), w), np.float32)
    marks[1, :2], marks[1, -2:] = 0, 0
    # Each pass is as many rows behind the one before as it looks beyond its own: what it looks at is still in cache.
    # Row 0 of what is smoothed is row 2 of the plane.
    fine = 2
    fine_done = fine + 4 * (PASSES[0] - 1)
    coarse = fine_done + 2 + 2 + 4
    coarse_done = coarse + 8 * (PASSES[1] - 1)
    for top in range(0, h + coarse_done, _ROWS):
        _without_faults(plane, noise[0], *_due(top, 0, 0, h), sound)
        _smooth_rows(sound, 1, *_due(top, fine, 2, h - 2), once)
        own = marks[0], 0, busy[0], near[0], above[0]
        _lower(sound, once, 1, noise[0], least[0], PASSES[0], top, fine, plane, *own)
        _smooth_rows(plane, 1, *_due(top, fine_done + 2, 2, h - 2), once)
        _smooth_rows(once, 2, *_due(top, coarse, 4, h - 8), twice)
        own = marks[1], 2, busy[1], near[1], above[1]
        _lower(once, twice, 2, noise[1], least[1], PASSES[1], top, coarse, second, *own)
        _take_off(second, once, *_due(top, coarse_done, 0, h - 4), plane)
