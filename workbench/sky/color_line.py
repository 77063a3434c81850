"""A straight line through points with errors both ways, some of which do not belong: measured against expected color.

The slope is York's (York et al. 2004, Am. J. Phys. 72, 367), with weights by Tukey's biweight, and with a scatter of
the stars of their own, which their errors do not explain: spectra are no black bodies', dust reddens.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.measure.statistics import BIWEIGHT_REACH, MAD_TO_SIGMA

__all__ = ["ColorLine", "fit_line"]

Floats = NDArray[np.float64]

_ROUNDS, _SETTLED = 60, 1e-7
#: Slopes that cameras have against the generic one: 1, give or take this. Only a field of stars of one color hears it.
_SLOPE, _SLOPE_SPREAD = 1.0, 0.25


class ColorLine(NamedTuple):
    """``y = level + slope (x - middle)``, and how sure.

    Attributes
    ----------
    middle, level, slope : float
    level_error, slope_error : float
        Standard errors.
    scatter : float
        Of stars about the line, as a standard deviation.
    weight : ndarray, shape (N,)
        0 .. 1: whether a star belongs.
    """

    middle: float
    level: float
    slope: float
    level_error: float
    slope_error: float
    scatter: float
    weight: Floats

    def at(self, x: float) -> tuple[float, float]:
        """Height of the line at a place, and its standard error.

        Parameters
        ----------
        x : float

        Returns
        -------
        height, error : float
        """
        away = x - self.middle
        return self.level + self.slope * away, float(np.hypot(self.level_error, self.slope_error * away))


def fit_line(x: Floats, y: Floats, x_error: Floats, y_error: Floats) -> ColorLine:
    """Fit a line.

    Parameters
    ----------
    x, y : ndarray, shape (N,)
    x_error, y_error : ndarray, shape (N,)
        Standard errors.

    Returns
    -------
    ColorLine
    """
    slope, own, belongs = _SLOPE, 0.02, np.ones(len(x))
    level = float(np.median(y - slope * (x - np.median(x))))
    middle = float(np.median(x))
    for _ in range(_ROUNDS):
        known = y_error**2 + (slope * x_error) ** 2
        off = y - level - slope * (x - middle)
        spread = MAD_TO_SIGMA * float(np.median(np.abs(off)))
        own = np.sqrt(max(spread**2 - float(np.median(known)), 1e-10))
        variance = known + own**2
        belongs = np.maximum(1 - off**2 / (BIWEIGHT_REACH**2 * variance), 0) ** 2
        weight = belongs / variance
        middle, level = float(weight @ x / weight.sum()), float(weight @ y / weight.sum())
        u, v = x - middle, y - level
        y_variance = y_error**2 + own**2
        beta = (u * y_variance + slope * v * x_error**2) / variance
        prior = 1 / _SLOPE_SPREAD**2
        before = slope
        slope = float((weight @ (beta * v) + prior * _SLOPE) / (weight @ (beta * u) + prior))
        if abs(slope - before) < _SETTLED:
            break
    off = y - level - slope * (x - middle)
    inner = belongs > 0
    scatter = MAD_TO_SIGMA * float(np.median(np.abs(off[inner]))) if inner.any() else 0.0
    # The biweight keeps 95 % of the precision.
    excess = 1.05
    level_error = float(np.sqrt(excess / weight.sum()))
    slope_error = float(np.sqrt(excess / (weight @ beta**2 + prior)))
    return ColorLine(middle, level, slope, level_error, slope_error, scatter, belongs)
