"""Fitting a smooth surface to sky samples while leaving out, at every size, what is brighter than the sky."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.statistics import MAD_TO_SIGMA, ranked

__all__ = [
    "Samples",
    "clip_both_sides",
    "darker_side_sigma",
    "fit",
    "kept_with_samples",
    "leave_out",
    "settle",
    "solve_normal",
]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]
P = ParamSpec("P")
T = TypeVar("T")

#: Sizes, in cells, at which the residuals are searched for objects.
SIZES = (1, 3, 5, 9)
#: A window counts when at least this share of it is still in.
_LEAST_SHARE = 0.3
#: Fits and rejections repeat until nothing changes, or this often.
_ROUNDS = 12


@dataclass(frozen=True, slots=True)
class Samples:
    """Sky samples: a grid of cells, row by row, followed by single ones given by hand.

    Attributes
    ----------
    u, v : ndarray, shape (N,)
    value : ndarray, shape (N, C), float64
    grid : (int, int)
        Rows and columns of the grid; N may exceed their product by the samples given by hand.
    open : ndarray, shape (N,), bool
        Samples that may be used: covered, not excluded.
    found : dict
        What was found in them, see `kept_with_samples`.
    """

    u: F64
    v: F64
    value: F64
    grid: tuple[int, int]
    open: Mask
    found: dict[Hashable, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def cells(self) -> int:
        return self.grid[0] * self.grid[1]


def kept_with_samples(find: Callable[Concatenate[Samples, P], T]) -> Callable[Concatenate[Samples, P], T]:
    """Keep what a function of samples, and of nothing else but plain arguments, finds with the samples.

    While a slider moves the same samples are fitted again and again, with another limit.
    """

    @wraps(find)
    def kept(samples: Samples, *args: P.args, **named: P.kwargs) -> T:
        key = (find, args, tuple(named.items()))
        if key not in samples.found:
            samples.found[key] = find(samples, *args, **named)
        found: T = samples.found[key]
        return found

    return cast("Callable[Concatenate[Samples, P], T]", kept)


def fit(design: F64, value: F64, used: Mask, bending: F64, weight: float) -> F64:
    """Coefficients (size, C) of the regularized least-squares surface through the used samples."""
    b = design[used]
    return solve_normal(b.T @ b + weight * bending, b.T @ value[used])


def solve_normal(left: F64, right: F64) -> F64:
    """Solve normal equations, each unknown scaled to unit diagonal, with a whiff of ridge."""
    scale = 1.0 / np.sqrt(np.maximum(np.diagonal(left), 1e-300))
    scaled = left * scale[:, None] * scale
    scaled[np.diag_indices_from(scaled)] += 1e-11
    return np.asarray(scale[:, None] * np.linalg.solve(scaled, scale[:, None] * right))


def darker_side_sigma(residual: F64) -> float:
    """Deviation judged from the values below zero only, by their median."""
    below = -residual[residual < 0]
    half = below.size // 2  # the upper median: partition is several times quicker than np.median here
    return MAD_TO_SIGMA * float(np.partition(below, half)[half]) if below.size > 3 else 0.0


@kernel
def _window_means(plane: F64, size: int, across: F64, out: F64) -> None:
    """Means over square windows of odd ``size``, zero outside the plane; ``across`` is memory to work in."""
    rows, columns = plane.shape
    half, per_window = size // 2, 1.0 / (size * size)
    ends = np.zeros(columns + 1)
    for y in range(rows):
        row, to = plane[y], across[y]
        for x in range(columns):
            ends[x + 1] = ends[x] + row[x]
        for x in range(columns):
            to[x] = (ends[min(x + half + 1, columns)] - ends[max(x - half, 0)]) * per_window
    for y in range(rows):
        to = out[y]
        to[:] = 0.0
        for k in range(max(y - half, 0), min(y + half + 1, rows)):
            row = across[k]
            for x in range(columns):
                to[x] += row[x]


@kernel
def _darker_side(plane: F64, judged: Mask, below: F64) -> float:
    """`darker_side_sigma` of the judged cells; ``below`` is memory to work in."""
    n: Any = 0
    for y in range(plane.shape[0]):
        row, known = plane[y], judged[y]
        for x in range(plane.shape[1]):
            below[n] = -row[x]  # to be written over by the next, if it does not count
            n += np.int64(known[x] and row[x] < 0.0)
    sigma: float = MAD_TO_SIGMA * ranked(below, n, n // 2) if n > 3 else 0.0
    return sigma


@kernel
def _rising(plane: F64, ok: Mask, judged: Mask, share: F64, size: int, strength: float, out: Mask) -> None:
    """Mark in ``out`` the judged cells whose window's mean, of what is in, rises too far above zero."""
    rows, columns = plane.shape
    inside, across, mean = np.empty((rows, columns)), np.empty((rows, columns)), np.empty((rows, columns))
    below = np.empty(rows * columns + 1)
    for y in range(rows):
        for x in range(columns):
            inside[y, x] = plane[y, x] if ok[y, x] else 0.0
    _window_means(inside, size, across, mean)
    for y in range(rows):
        for x in range(columns):
            mean[y, x] /= max(share[y, x], 1e-9)
    most = strength * max(_darker_side(mean, judged, below), 1e-9)
    for y in range(rows):
        for x in range(columns):
            out[y, x] |= judged[y, x] and mean[y, x] > most


@kernel
def _in_deviations(maps: F64, ok: Mask, below: F64) -> None:
    """Bring maps of channels to units of their deviation, and the one behind them to their mean, if there is one."""
    count, rows, columns = maps.shape
    channels = max(count - 1, 1)
    maps[channels:] = 0.0
    for c in range(channels):
        unit = max(_darker_side(maps[c], ok, below), 1e-12)
        for y in range(rows):
            for x in range(columns):
                maps[c, y, x] /= unit
                maps[count - 1, y, x] += maps[c, y, x] / channels if count > 1 else 0.0


@kernel
def _leave_out(maps: F64, ok: Mask, sizes: NDArray[np.int64], strength: float) -> None:
    """`leave_out` of maps (n, rows, columns), as `_in_deviations` takes them, in place of ``ok``."""
    count, rows, columns = maps.shape
    share, inside, memory = np.empty((rows, columns)), np.empty((rows, columns)), np.empty((rows, columns))
    judged, out = np.empty((rows, columns), np.bool_), np.empty((rows, columns), np.bool_)
    _in_deviations(maps, ok, np.empty(rows * columns + 1))
    for size in sizes:
        least = _LEAST_SHARE if size > 1 else 0.0
        for y in range(rows):
            for x in range(columns):
                inside[y, x] = 1.0 if ok[y, x] else 0.0
        _window_means(inside, size, memory, share)
        for y in range(rows):
            for x in range(columns):
                judged[y, x] = ok[y, x] and share[y, x] >= least
                out[y, x] = False
        for c in range(count):
            _rising(maps[c], ok, judged, share, size, strength, out)
        for y in range(rows):
            for x in range(columns):
                ok[y, x] = ok[y, x] and not out[y, x]


def leave_out(samples: Samples, model: F64, strength: float) -> Mask:
    """Samples that are sky beside a surface ``model`` (N, C): (N,) bool. Those given by hand are, where they are open.

    Residuals are searched in every channel and in their sum, at sizes from one cell to `SIZES` cells. At each size
    the mean over the window is compared with how far such means fall below zero elsewhere; a star's halo, a galaxy
    or a nebula makes them rise above it.

    Parameters
    ----------
    strength : float
        Limit in deviations; smaller leaves out more.
    """
    grid, n, channels = samples.grid, samples.cells, model.shape[1]
    sky = samples.open.copy()
    maps = np.empty((channels + (channels > 1), *grid))
    maps[:channels] = (samples.value - model)[:n].T.reshape(channels, *grid)
    sizes = np.array([size for size in SIZES if size <= max(1, *grid)])
    _leave_out(maps, sky[:n].reshape(grid), sizes, float(strength))
    return sky


def settle(samples: Samples, design: F64, bending: F64, weight: float, strength: float, used: Mask) -> tuple[F64, Mask]:
    """Fit and leave out in turn until the choice of samples rests; coefficients (size, C) and the samples used."""
    least = max(3, design.shape[1] // 4)
    for _ in range(_ROUNDS):
        coefficients = fit(design, samples.value, used, bending, weight)
        again = leave_out(samples, design @ coefficients, strength)
        if again.sum() < least or np.array_equal(again, used):
            break
        used = again
    return fit(design, samples.value, used, bending, weight), used


def clip_both_sides(samples: Samples, design: F64) -> tuple[F64, Mask]:
    """The simple robust fit: all channels clipped together about their median; coefficients (size, C), samples used.

    A sample goes that lies more than 2 deviations above or 3 below in any channel, until the choice rests; deviations
    are median absolute ones.
    """
    used, least = samples.open, 4 * design.shape[1]
    nothing = np.zeros((design.shape[1], design.shape[1]))
    for _ in range(_ROUNDS):
        rest = samples.value - design @ fit(design, samples.value, used, nothing, 0.0)
        middle = np.median(rest[used], axis=0)
        sigma = np.maximum(MAD_TO_SIGMA * np.median(np.abs(rest[used] - middle), axis=0), 1e-12)
        far = (rest - middle) / sigma
        again = samples.open & (far < 2.0).all(axis=1) & (far > -3.0).all(axis=1)
        if again.sum() < least or np.array_equal(again, used):
            break
        used = again
    return fit(design, samples.value, used, nothing, 0.0), used
