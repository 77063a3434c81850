"""Edges of frames along one side of a stack: tilted soft lines fitted to the noise of its rows.

The model
---------
Every group of frames (a night, say) begins at a line along the side: ``depth + tilt * u`` rows in, with ``u`` the
distance from the side's middle. Dither makes the line soft: over ``2 * soft`` rows the group's frames come in one by
one. With groups of shares ``w`` the share of all frames is ``1 - sum(w * (1 - ramp))``, and noise is higher by
``-0.5 ln(share)``, the logarithm of its deviation.

Finding it
----------
1. The line whose outside is noisier than nine tenths of the frames would be, and most clearly so: sums of the
   excess down each piece's rows, over all tilts and depths.
2. Its share, tilt, depth and softness by least squares (Levenberg, 1944, Quarterly of Applied Mathematics 2, 164),
   with cells that stars disturb held down.
3. The same with the line parted in two, for sides on which two groups begin; kept when it fits clearly better.

Notes
-----
What limits it: a row of ``n`` independent values tells its noise to ``1 / sqrt(2 n)``. After demosaicing and aligning,
three channels of a row 750 px long are worth about 600 values (3 %), neighboring rows not quite independent. A night
out of four that comes in over 6 rows raises it by 14 % in steps of 2.4 %: the line's middle is known to about 0.6 px,
its ends to 1.2 px, and the end is what a crop has to clear.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["FULL_SHARE", "Side", "edge_depths", "fit_edges"]

Floats = NDArray[np.float64]

#: Full coverage begins where this share of the frames overlap.
FULL_SHARE = 0.9
_EXCESS = -0.5 * np.log(FULL_SHARE)
#: Neighboring rows share noise: sums over rows vary by this much more than those of independent ones.
_SHARED = 1.7
#: Cells more than so many deviations off count ever less (Cauchy's weights).
_WILD = 3.0
#: Gain in log likelihood that a line must bring, and one that is parted in two.
_CLEAR, _BETTER = 8.0, 5.0
#: Usual turn between nights (radians), half width of a dither (px), and the spread of its logarithm: weak priors.
_TURN, _SOFT, _SOFTNESS = 0.004, 3.0, 0.6
#: Steepest line (about 3.4 degrees), and the longest way down as a share of the rows searched.
_STEEPEST, _DROP = 0.06, 0.8
#: Rows beyond the deepest line that a fit takes in, and how the model's values are kept possible.
_BEYOND = 48
_LEAST_SHARE, _SHARES, _SOFTS = 0.03, (0.02, 0.98), (0.5, 40.0)
_ITERATIONS = 25


@dataclass(frozen=True, slots=True)
class Side:
    """Log noise of a side (rows, pieces) from the frame's edge inwards, each piece's place ``u``, and the length (px).

    ``level`` and ``cell`` say what noise is inside, piece by piece, and by how much a cell scatters around it.
    """

    noise: Floats
    at: Floats
    length: int
    searched: int
    level: Floats
    cell: float


@kernel
def _share(lines: Floats, u: float, y: float, slopes: Floats) -> float:
    """Share of the frames at a place, and its slopes by ``lines``: (share, tilt, depth) each, then softness."""
    soft = lines[-1]
    share = 1.0
    slopes[:] = 0.0
    for p in range(0, lines.size - 1, 3):
        inside = y - lines[p + 2] - lines[p + 1] * u
        ramp = min(max(0.5 + inside / (2 * soft), 0.0), 1.0)
        share -= lines[p] * (1 - ramp)
        slopes[p] = ramp - 1
        if 0 < ramp < 1:
            steep = lines[p] / (2 * soft)
            slopes[p + 1] = -steep * u
            slopes[p + 2] = -steep
            slopes[-1] -= steep * inside / soft
    return share


@kernel
def _add_row(r: float, slopes: Floats, a: Floats, b: Floats) -> float:
    """Cost of one cell that is ``r`` deviations off; its part of the normal equations is added."""
    wild = 1 + (r / _WILD) ** 2
    for i in range(slopes.size):
        if slopes[i] != 0.0:
            b[i] += slopes[i] * r / (wild * _SHARED)
            for k in range(slopes.size):
                a[i, k] += slopes[i] * slopes[k] / (wild * _SHARED)
    cost: float = 0.5 * _WILD * _WILD * np.log(wild) / _SHARED
    return cost


@kernel
def _misfit(
    noise: Floats, at: Floats, lines: Floats, scale: Floats, level: Floats, cell: float, a: Floats, b: Floats
) -> float:
    """Minus the log likelihood; ``level`` is brought up to date, the normal equations (by scaled values) added up."""
    rows, pieces = noise.shape
    m = lines.size
    slopes = np.empty((rows, m))
    off = np.empty(rows)
    cost = 0.0
    for j in range(pieces):
        total = weights = 0.0
        for y in range(rows):
            share = _share(lines, at[j], float(y), slopes[y])
            if share < _LEAST_SHARE:
                share = _LEAST_SHARE
                slopes[y] = 0.0
            slopes[y] *= scale * (0.5 / (share * cell))
            off[y] = noise[y, j] + 0.5 * np.log(share)
            if np.isfinite(off[y]):
                weight = 1 / (1 + ((off[y] - level[j]) / (cell * _WILD)) ** 2)
                total += weight * off[y]
                weights += weight
        if weights == 0.0:
            continue
        level[j] = total / weights
        for y in range(rows):
            if np.isfinite(off[y]):
                cost += _add_row((off[y] - level[j]) / cell, slopes[y], a, b)
    return cost


def _evaluate(side: Side, rows: int, lines: Floats, level: Floats, scale: Floats) -> tuple[float, Floats, Floats]:
    """Cost with priors, and normal equations; ``level`` is brought up to date."""
    a, b = np.zeros((lines.size, lines.size)), np.zeros(lines.size)
    cost = _misfit(side.noise[:rows], side.at, lines, scale, level, side.cell, a, b)
    turn = lines[1::3] / _TURN
    wide = 1 + 0.5 * turn**2
    softness = np.log(lines[-1] / _SOFT) / _SOFTNESS
    slope, curve = np.zeros(lines.size), np.zeros(lines.size)
    slope[1::3], curve[1::3] = turn / (wide * _TURN), 1 / (wide * _TURN**2)
    slope[-1], curve[-1] = softness / (_SOFTNESS * lines[-1]), 1 / (_SOFTNESS * lines[-1]) ** 2
    a[np.diag_indices(lines.size)] += curve * scale**2
    return cost + float(np.log(wide).sum()) + 0.5 * softness**2, a, b + slope * scale


def _possible(lines: Floats) -> Floats:
    lines = lines.copy()
    lines[:-1:3] = np.clip(lines[:-1:3], *_SHARES)
    lines[-1] = np.clip(lines[-1], *_SOFTS)
    return lines


def _settled(side: Side, lines: Floats, rows: int) -> tuple[Floats, float]:
    """Lines of least cost near ``lines``, and that cost."""
    scale = np.ones(lines.size)
    scale[:-1:3], scale[1::3] = 0.1, 2 / side.length
    level = side.level.copy()
    _evaluate(side, rows, lines, level, scale)
    cost, a, b = _evaluate(side, rows, lines, level, scale)
    damping = 1e-2
    for _ in range(_ITERATIONS):
        diagonal = np.maximum(np.diag(a), 1e-9)
        step = np.clip(np.linalg.solve(a + damping * np.diag(diagonal), -b), -3, 3)
        trial, trial_level = _possible(lines + step * scale), level.copy()
        found, *equations = _evaluate(side, rows, trial, trial_level, scale)
        if found < cost:
            gain = cost - found
            lines, level, cost, (a, b) = trial, trial_level, found, equations
            damping = max(damping / 5, 1e-5)
            if gain < 0.02:
                break
        else:
            damping *= 6
            if damping > 1e4:
                break
    return lines, cost


@kernel
def _clearest(sums: Floats, at: Floats, tilts: Floats, doubt: Floats) -> tuple[float, int, float]:
    """Largest sum outside of a line less the doubt about its tilt; with its depth and tilt."""
    rows, pieces = sums.shape
    best, depth, tilt = -np.inf, 0, 0.0
    for k in range(tilts.size):
        for d in range(-4, rows - 1):
            total = -doubt[k]
            for j in range(pieces):
                y = int(np.rint(d + tilts[k] * at[j]))
                total += sums[min(max(y, 0), rows - 1), j]
            if total > best:
                best, depth, tilt = total, d, tilts[k]
    return best, depth, tilt


def _first_line(side: Side) -> tuple[float, int, float]:
    """How clear a line is that parts noisier rows from the inside, its depth and tilt."""
    excess = np.clip(side.noise[: side.searched] - side.level - _EXCESS, -4 * side.cell, 4 * side.cell)
    excess = np.where(np.isfinite(excess), excess, 0) * (2 * _EXCESS / (_SHARED * side.cell**2))
    sums = np.concatenate([np.zeros((1, side.at.size)), np.cumsum(excess, axis=0)])
    # Tilts so fine that a line is off by no more than one row at its ends.
    step = 4 / side.length
    n = int(min(_STEEPEST, _DROP * side.searched / side.length) / step)
    tilts = np.asarray(np.arange(-n, n + 1) * step, np.float64)
    doubt: Floats = np.log1p(0.5 * (tilts / _TURN) ** 2)
    return _clearest(np.asarray(sums, np.float64), side.at, tilts, doubt)


def _rows_for(side: Side, lines: Floats) -> int:
    drop = np.abs(lines[1::3]).max() * side.length / 2
    return int(np.clip(lines[2::3].max() + drop + _BEYOND, _BEYOND, len(side.noise)))


def fit_edges(side: Side) -> Floats | None:
    """Lines of a side, (share, tilt, depth) each and their common softness; None when there is no edge."""
    clear, depth, tilt = _first_line(side)
    if clear < _CLEAR:
        return None
    start = np.array([0.2, tilt, depth, _SOFT])
    rows = _rows_for(side, start)
    lines, cost = _settled(side, start, rows)
    if cost > _settled(side, np.array([_SOFT]), rows)[1] - _CLEAR:
        return None
    for start in _parted(side, lines):
        wanted = _rows_for(side, start)
        if wanted > rows:
            rows = wanted
            lines, cost = _settled(side, lines, rows)
        parted, parted_cost = _settled(side, start, rows)
        if parted_cost < cost - _BETTER:
            lines, cost = parted, parted_cost + _BETTER
    return lines


def _parted(side: Side, lines: Floats) -> list[Floats]:
    """Two lines in place of one: beside each other, or crossing."""
    share, tilt, depth, soft = lines
    apart = max(soft, 2.0)
    cross = 4 * apart / side.length
    pairs = [((0, apart), (0, -apart)), ((cross, 0), (-cross, 0))]
    return [
        np.array([v for turn, shift in pair for v in (share / 2, tilt + turn, depth + shift)] + [min(soft, _SOFT)])
        for pair in pairs
    ]


@kernel
def _depths(lines: Floats, length: int, rows: int) -> NDArray[np.int64]:
    out, slopes = np.zeros(length, np.int64), np.empty(lines.size)
    for x in range(length):
        y = rows
        while y > 0 and _share(lines, x - 0.5 * (length - 1), y - 1.0, slopes) >= FULL_SHARE:
            y -= 1
        out[x] = y
    return out


def edge_depths(side: Side, lines: Floats | None) -> NDArray[np.int64]:
    """Rows along a side, for each pixel of its length, from the edge to where coverage is full."""
    if lines is None:
        return np.zeros(side.length, np.int64)
    return _depths(lines, side.length, _rows_for(side, lines))
