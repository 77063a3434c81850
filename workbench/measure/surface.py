"""A quadratic surface over the frame, fitted to the bulk of some values."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["TERMS", "evaluate", "fit_surface", "terms"]

Floats = NDArray[np.float64]

#: 1, u, v, u^2, u v, v^2.
TERMS = 6
_ROUNDS = 10


def terms(x: Any, y: Any, shape: tuple[int, int]) -> Floats:
    """1, u, v, u^2, u v, v^2 along a last axis, with u, v = -1 .. 1 across a frame of ``shape`` (H, W).

    Parameters
    ----------
    x, y : array-like
        Column and row in pixels; of shapes that broadcast.
    shape : (int, int)
        Height and width of the frame.

    Returns
    -------
    ndarray, shape (..., 6), float64
    """
    u = 2 * np.asarray(x, np.float64) / max(shape[1] - 1, 1) - 1
    v = 2 * np.asarray(y, np.float64) / max(shape[0] - 1, 1) - 1
    u, v = np.broadcast_arrays(u, v)
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def evaluate(coefficients: Any, x: Any, y: Any, shape: tuple[int, int]) -> Floats:
    """Surface at pixels ``x``, ``y``.

    Parameters
    ----------
    coefficients : array-like, shape (6,)
        As `fit_surface` gives them.
    x, y : array-like
        Column and row in pixels; of shapes that broadcast.
    shape : (int, int)
        Height and width of the frame.

    Returns
    -------
    ndarray, float64
        In the unit of the coefficients.
    """
    return np.asarray(terms(x, y, shape) @ np.asarray(coefficients, np.float64))


def fit_surface(
    x: Any, y: Any, value: Any, shape: tuple[int, int], *, clip: tuple[float, float] = (2.5, 2.5), least: int = 30
) -> Floats:
    """Coefficients of the surface through the bulk of ``value``; a constant when there are fewer than ``least``.

    Parameters
    ----------
    x, y : array-like, shape (n,)
        Column and row in pixels.
    value : array-like, shape (n,)
        What is fitted.
    shape : (int, int)
        Height and width of the frame.
    clip : (float, float)
        Values further below / above the surface than this many standard deviations (from the median absolute
        deviation) are let go, round by round.
    least : int
        Fewer values than this give a constant.

    Returns
    -------
    ndarray, shape (6,), float64
        In the unit of ``value``.
    """
    value = np.asarray(value, np.float64)
    flat = np.zeros(TERMS)
    if value.size == 0:
        return flat
    flat[0] = np.median(value)
    if value.size < least:
        return flat
    basis = terms(x, y, shape)
    use = np.ones(value.size, bool)
    coefficients = flat
    for _ in range(_ROUNDS):
        coefficients = np.linalg.lstsq(basis[use], value[use], rcond=None)[0]
        left = value - basis @ coefficients
        middle = np.median(left[use])
        spread = MAD_TO_SIGMA * np.median(np.abs(left[use] - middle))
        kept = (left >= middle - clip[0] * spread) & (left <= middle + clip[1] * spread)
        if np.count_nonzero(kept) < least or np.array_equal(kept, use):
            break
        use = kept
    return coefficients
