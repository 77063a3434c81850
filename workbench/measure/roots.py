"""Where a function is zero, by Brent's method.

scipy has it, too, but all of `scipy.optimize` takes longer to load (0.3 s) than a first picture takes to make.
"""

from __future__ import annotations

from collections.abc import Callable
from math import copysign

import numpy as np

__all__ = ["root"]

#: Steps after which it is given up.
_MOST = 100


def root(
    function: Callable[[float], float],
    low: float,
    high: float,
    *,
    xtol: float,
    rtol: float = 4 * float(np.finfo(np.float64).eps),
) -> float:
    """The zero of a function between two places, at which its signs differ.

    Parameters
    ----------
    function : callable
        Continuous.
    low, high : float
    xtol, rtol : float
        The zero is closer than ``xtol + rtol * |zero|``.

    Returns
    -------
    float
        The same to the last bit as that of `scipy.optimize.brentq`.

    Raises
    ------
    ValueError
        If the function has one sign at both places.
    RuntimeError
        If no zero was found in 100 steps: where a function is all but flat, double precision sees none.

    Notes
    -----
    Brent, R. P. (1973), Algorithms for Minimization without Derivatives, ch. 4: a secant or an inverse parabola through
    the last places where that closes in fast enough, else half of what is left.
    """
    before, here = low, high
    at_before, at_here = function(before), function(here)
    if at_before == 0:
        return before
    if at_here == 0:
        return here
    if at_before * at_here > 0:
        raise ValueError("the function has one sign at both ends")
    # The zero lies between here and there.
    there = at_there = last_step = step = 0.0
    for _ in range(_MOST):
        if at_before != 0 and at_here != 0 and copysign(1, at_before) != copysign(1, at_here):
            there, at_there = before, at_before
            last_step = step = here - before
        if abs(at_there) < abs(at_here):
            before, here, there = here, there, here
            at_before, at_here, at_there = at_here, at_there, at_here
        near, half = (xtol + rtol * abs(here)) / 2, (there - here) / 2
        if at_here == 0 or abs(half) < near:
            return here
        last_step, step = _next_step((before, here, there), (at_before, at_here, at_there), last_step, step, near)
        before, at_before = here, at_here
        here += step if abs(step) > near else copysign(near, half)
        at_here = function(here)
    raise RuntimeError(f"no zero was found in {_MOST} steps")


def _next_step(
    places: tuple[float, float, float],
    values: tuple[float, float, float],
    last_step: float,
    step: float,
    near: float,
) -> tuple[float, float]:
    """The step that the one after the next is judged by, and the next step."""
    (before, here, there), (at_before, at_here, at_there) = places, values
    half = (there - here) / 2
    if abs(last_step) > near and abs(at_here) < abs(at_before):
        if before == there:
            tried = -at_here * (here - before) / (at_here - at_before)
        else:
            by_before = (at_before - at_here) / (before - here)
            by_there = (at_there - at_here) / (there - here)
            tried = -at_here * (at_there * by_there - at_before * by_before)
            tried /= by_there * by_before * (at_there - at_before)
        if 2 * abs(tried) < min(abs(last_step), 3 * abs(half) - near):
            return step, tried
    return half, half
