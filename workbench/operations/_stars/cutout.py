"""Cutting a star out of a frame with its neighbors' light taken away."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations._stars.star_model import STEP, StarModel

__all__ = ["VALUES", "cut_star", "distance", "neighbor_lists", "neighbors", "profile_at", "wing_share"]

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
Table = NDArray[np.float32]
Planes = NDArray[np.float32]
Coverage = NDArray[np.uint8]

#: Column of the first channel in the rows that `cut_star` fills; before it: dx, dy, rho, light of neighbors.
VALUES = 4
#: Radius in pixels above which a star counts as large when neighbors are looked up.
_LARGE = 24.0

_PER_FWHM = 1.0 / STEP


@kernel
def profile_at(table: Table, rho: float, c: int) -> float:
    """Profile of channel ``c`` at ``rho`` FWHM, by straight lines between the rows of the table."""
    t = rho * _PER_FWHM
    k = int(t)
    if k + 1 >= table.shape[0]:
        return 0.0
    f = t - k
    value: float = (1.0 - f) * table[k, c] + f * table[k + 1, c]
    return value


@kernel
def wing_share(rho: float, core: float, wings: float) -> float:
    """A star's light at ``rho`` over that of the field's profile: 1 within half of ``core``, ``wings`` beyond it."""
    t = min(max(2.0 * rho / core - 1.0, 0.0), 1.0)
    return 1.0 + (wings - 1.0) * t


@kernel
def distance(form: Floats, i: int, dx: float, dy: float) -> float:
    """Elliptical distance from star ``i`` in FWHM."""
    rho: float = np.sqrt(form[i, 0] * dx * dx + 2.0 * form[i, 1] * dx * dy + form[i, 2] * dy * dy)
    return rho


@kernel
def _touching(
    i: int, candidates: Index, first: int, last: int, x: Floats, y: Floats, radius: Floats, look: float, found: Index,
    total: int,
) -> int:  # fmt: skip
    """Append those candidates whose footprint touches the square of half side ``look`` around star ``i``."""
    for k in range(first, last):
        j = candidates[k]
        d = look + radius[j]
        if j != i and abs(x[j] - x[i]) < d and abs(y[j] - y[i]) < d:
            if total < found.size:
                found[total] = j
            total += 1
    return total


@kernel
def _all_touching(
    x: Floats, y: Floats, radius: Floats, look: Floats, large: Index, small: Index, first: Index, last: Index,
    start: Index, found: Index,
) -> int:  # fmt: skip
    nothing: Any = np.int64(0)  # a plain 0 would be a type of its own, for which everything is compiled again
    total: int = nothing
    for i in range(x.size):
        start[i] = total
        total = _touching(i, large, nothing, large.size, x, y, radius, look[i], found, total)
        total = _touching(i, small, first[i], last[i], x, y, radius, look[i], found, total)
    start[x.size] = total
    return total


def neighbors(x: Floats, y: Floats, radius: Floats, look: Floats, start: Index, found: Index) -> int:
    """Stars whose footprint touches the square of half side ``look[i]`` around star i, as start/index lists.

    Returns how many there are; when ``found`` is too short it is filled as far as it goes.
    """
    # Few stars are large: those are tried everywhere, the others only within a common reach.
    large, small = np.flatnonzero(radius > _LARGE), np.flatnonzero(radius <= _LARGE)
    small = small[np.argsort(y[small], kind="stable")]
    first, last = (np.searchsorted(y[small], y + side * (look + _LARGE)) for side in (-1, 1))
    return int(_all_touching(x, y, radius, look, large, small, first, last, start, found))


@kernel
def _take_neighbor(
    j: int, left: int, top: int, place: Index, x: Floats, y: Floats, form: Floats, peak: Floats, limit: Floats,
    edge: Floats, core: Floats, wings: Floats, radius: Floats, table: Table, rows: Floats,
) -> None:  # fmt: skip
    """Take the light of star ``j`` out of the rows of a box of pixels and note how much it was."""
    channels = peak.shape[1]
    height, width = place.shape
    first, last = max(int(np.ceil(y[j] - radius[j])) - top, 0), min(int(np.floor(y[j] + radius[j])) - top, height - 1)
    start, stop = max(int(np.ceil(x[j] - radius[j])) - left, 0), min(int(np.floor(x[j] + radius[j])) - left, width - 1)
    for row in range(first, last + 1):
        for col in range(start, stop + 1):
            k = place[row, col]
            rho = distance(form, j, left + col - x[j], top + row - y[j])
            if k < 0 or rho >= edge[j]:
                continue
            for c in range(channels):
                light = peak[j, c] * profile_at(table, rho, c) * wing_share(rho, core[j], wings[j])
                light = min(light, limit[j, c])
                rows[k, VALUES + c] -= light
                rows[k, 3] += light / channels


@kernel
def cut_star(
    planes: Planes, coverage: Coverage, i: int, outer: float, half: float, x: Floats, y: Floats, form: Floats,
    peak: Floats, limit: Floats, edge: Floats, core: Floats, wings: Floats, radius: Floats, table: Table, near: Index,
) -> Floats:  # fmt: skip
    """Pixels within ``outer`` FWHM of star ``i`` without the light of the stars ``near``.

    Returns
    -------
    ndarray, shape (n, 4 + C)
        Rows (dx, dy, rho, light of neighbors, value in each channel), in reading order.
    """
    channels, h, w = planes.shape
    masked = coverage.size > 0
    top, bottom = max(int(np.ceil(y[i] - half)), 0), min(int(np.floor(y[i] + half)), h - 1)
    left, right = max(int(np.ceil(x[i] - half)), 0), min(int(np.floor(x[i] + half)), w - 1)
    height, width = max(bottom - top + 1, 0), max(right - left + 1, 0)
    place = np.full((height, width), -1, np.int64)
    rows = np.empty((height * width, VALUES + channels))
    n = 0
    for row in range(height):
        for col in range(width):
            dx, dy = left + col - x[i], top + row - y[i]
            rho = distance(form, i, dx, dy)
            if rho > outer or (masked and coverage[top + row, left + col] == 0):
                continue
            place[row, col] = n
            rows[n, 0], rows[n, 1], rows[n, 2], rows[n, 3] = dx, dy, rho, 0.0
            for c in range(channels):
                rows[n, VALUES + c] = planes[c, top + row, left + col]
            n += 1
    for j in near:
        _take_neighbor(j, left, top, place, x, y, form, peak, limit, edge, core, wings, radius, table, rows)
    return rows[:n]


def neighbor_lists(model: StarModel, look: Floats) -> tuple[Index, Index]:
    """Start/index lists of the stars near each star, see `neighbors`."""
    n = len(model)
    start = np.empty(n + 1, np.int64)
    found = np.empty(16 * n + 1024, np.int64)
    total = neighbors(model.x, model.y, model.radius, look, start, found)
    if total > found.size:
        found = np.empty(total, np.int64)
        neighbors(model.x, model.y, model.radius, look, start, found)
    return start, found
