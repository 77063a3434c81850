"""Fitting a smooth surface to sky samples while leaving out, at every size, what is brighter than the sky."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["Samples", "clip_both_sides", "darker_side_sigma", "fit", "leave_out", "settle", "solve_normal"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

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
    """

    u: F64
    v: F64
    value: F64
    grid: tuple[int, int]
    open: Mask

    @property
    def cells(self) -> int:
        return self.grid[0] * self.grid[1]


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


def _mean(plane: F64, size: int) -> F64:
    """Mean over a square window, zero outside the plane."""
    if size == 1:
        return plane
    return np.asarray(cv2.blur(plane, (size, size), borderType=cv2.BORDER_CONSTANT))


def darker_side_sigma(residual: F64) -> float:
    """Deviation judged from the values below zero only, by their median."""
    below = -residual[residual < 0]
    half = below.size // 2  # the upper median: partition is several times quicker than np.median here
    return MAD_TO_SIGMA * float(np.partition(below, half)[half]) if below.size > 3 else 0.0


def leave_out(residual: F64, grid: tuple[int, int], is_open: Mask, strength: float) -> Mask:
    """Samples of the grid that are sky: (rows * columns,) bool.

    Residuals are searched in every channel and in their sum, at sizes from one cell to `SIZES` cells. At each size
    the mean over the window is compared with how far such means fall below zero elsewhere; a star's halo, a galaxy
    or a nebula makes them rise above it.

    Parameters
    ----------
    residual : ndarray, shape (rows * columns, C), float64
    strength : float
        Limit in deviations; smaller leaves out more.
    """
    ok = is_open.reshape(grid).copy()
    maps = [residual[:, c].reshape(grid) for c in range(residual.shape[1])]
    scaled = [m / max(darker_side_sigma(m[ok]), 1e-12) for m in maps]
    if len(scaled) > 1:
        scaled.append(np.sum(scaled, axis=0) / len(scaled))
    for size in SIZES:
        if size > 1 and size > max(grid):
            break
        share = _mean(ok.astype(np.float64), size)
        bad = np.zeros(grid, np.bool_)
        for z in scaled:
            mean = _mean(np.where(ok, z, 0.0), size) / np.maximum(share, 1e-9)
            judged = ok & (share >= (_LEAST_SHARE if size > 1 else 0.0))
            bad |= judged & (mean > strength * max(darker_side_sigma(mean[judged]), 1e-9))
        ok &= ~bad
    return ok.ravel()


def settle(samples: Samples, design: F64, bending: F64, weight: float, strength: float, used: Mask) -> tuple[F64, Mask]:
    """Fit and leave out in turn until the choice of samples rests; coefficients (size, C) and the samples used."""
    least = max(3, design.shape[1] // 4)
    for _ in range(_ROUNDS):
        coefficients = fit(design, samples.value, used, bending, weight)
        residual = samples.value - design @ coefficients
        again = samples.open.copy()
        again[: samples.cells] = leave_out(
            residual[: samples.cells], samples.grid, samples.open[: samples.cells], strength
        )
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
