"""Least squares of many misfits by few parameters: scipy's, of misfits that were turned until few are left."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use

if TYPE_CHECKING:
    from scipy import linalg, optimize
else:
    linalg = on_first_use("scipy.linalg")
    optimize = on_first_use("scipy.optimize")

__all__ = ["least_squares"]

F64 = NDArray[np.float64]


class _Turned:
    """Misfits f and their slope J at a place, turned alike: R of [J f] = Q R (Golub & Van Loan 2013; from memory).

    Sums of squares and products stay, all that a search goes by.
    """

    def __init__(self, misfit: Callable[[F64], F64], slope: Callable[[F64], F64]) -> None:
        self._misfit, self._slope = misfit, slope
        self._at: F64 = np.full(0, np.nan)
        self._both: F64 = np.empty((0, 0))

    def _turned(self, p: F64) -> F64:
        if not np.array_equal(p, self._at):
            misfit = self._misfit(p)
            both = np.empty((misfit.size, p.size + 1), order="F")
            both[:, :-1], both[:, -1] = self._slope(p), misfit
            # "raw" spares scipy a triangle of all rows.
            self._both = np.asarray(linalg.qr(both, overwrite_a=True, mode="raw", check_finite=False)[1], np.float64)
            self._at = p.copy()
        return self._both

    def misfit(self, p: F64) -> F64:
        return self._turned(p)[:, -1]

    def slope(self, p: F64) -> F64:
        return self._turned(p)[:, :-1]


def least_squares(misfit: Callable[[F64], F64], slope: Callable[[F64], F64], begin: F64, **how: Any) -> Any:
    """`scipy.optimize.least_squares`, several times as fast where there are many more misfits than parameters.

    Parameters
    ----------
    misfit : callable
        Parameters (P,) to misfits (N,).
    slope : callable
        Parameters (P,) to the misfits' derivatives (N, P).
    begin : ndarray, shape (P,)
    **how
        As of scipy, but for a loss, which would be one of the turned misfits.

    Returns
    -------
    scipy.optimize.OptimizeResult
        Its ``fun`` and ``jac`` are turned: (P + 1,) and (P + 1, P) of the same products.

    Notes
    -----
    Each of scipy's steps decomposes all misfits into singular values; those of the triangle of a QR decomposition,
    which takes a sixth of the time, are the same.
    """
    turned = _Turned(misfit, slope)
    return optimize.least_squares(turned.misfit, begin, turned.slope, **how)
