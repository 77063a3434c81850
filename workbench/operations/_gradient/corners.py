"""Glow in the corners of the sensor, as its amplifiers leave it: it falls off exponentially from the corner.

Such a glow is steeper than any low-order surface, which meets it only by waves over the rest of the frame. So it is
fitted beside a slope and a bowl in the corner's surroundings, and taken for what it is where it stands far out of the
noise in every channel and hardly anything else is seen there: the light of an object is not that even.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations._gradient.choose import SkyFit
from workbench.operations._gradient.consensus import sample_noise
from workbench.operations._gradient.fit import Samples, kept_with_samples, solve_normal
from workbench.operations._gradient.surfaces import Corner, Polynomial

__all__ = ["CornerGlow", "corner_glow", "with_corners"]

F64 = NDArray[np.float64]

#: Distance from a corner up to which samples are fitted, and up to which they must be even, in half longer sides.
_AROUND, _CLOSE = 0.8, 0.35
#: Lengths over which the glow falls to 1/e that are tried first, and how many between the best one's neighbors then. Of
#: the first and last, nothing is believed: steeper is an object, flatter a surface does.
_LENGTHS, _BETWEEN = (0.07, 0.1, 0.14, 0.2, 0.28, 0.4), 7
#: Degree of the surface beside it, and samples that it takes at least.
_DEGREE, _LEAST_SAMPLES = 2, 60
#: Least height at the corner, in deviations of the samples' noise, in every channel.
_HEIGHT = 10.0
#: Largest median misfit close to the corner, over the glow's height half way there: of 31 photographs of nebulae,
#: galaxies and dust with such a glow added it was 0.005 to 0.05, beside objects that look like one 0.1 to 1.
_UNEVEN = 0.06
_ROUNDS = 12
#: Residuals from here on, in deviations, weigh less: stars.
_FAR = 2.0


@dataclass(frozen=True, slots=True)
class CornerGlow:
    """Glow in corners.

    Attributes
    ----------
    corners : tuple of Corner
    heights : ndarray, shape (C, corners)
        Height at the corner.
    rest : Samples
        The samples without it.
    """

    corners: tuple[Corner, ...]
    heights: F64
    rest: Samples


@kept_with_samples
def corner_glow(samples: Samples) -> CornerGlow | None:
    """Glow in the corners of a frame, from its sky samples; None where there is none.

    That amplifiers glow in a corner of the sensor is common practice; so is the exponential of the distance.
    """
    rows, columns = samples.grid
    if min(rows, columns) < 2:
        return None
    # Samples lie in the middle of their cells: the frame reaches half a cell farther.
    u_end = float(np.abs(samples.u[: samples.cells]).max()) * rows / (rows - 1)
    v_end = float(np.abs(samples.v[: samples.cells]).max()) * columns / (columns - 1)
    noise = sample_noise(samples)
    found = [_found(samples, a * u_end, b * v_end, noise) for a in (-1, 1) for b in (-1, 1)]
    seen = [one for one in found if one is not None]
    if not seen:
        return None
    corners, heights = tuple(corner for corner, _ in seen), np.array([height for _, height in seen])
    light = np.stack([corner.fall(samples.u, samples.v) for corner in corners], axis=1) @ heights
    return CornerGlow(corners, heights.T, replace(samples, value=samples.value - light, found={}))


def with_corners(fitted: SkyFit, glow: CornerGlow) -> SkyFit:
    """The surface that was fitted to ``glow.rest``, and the glow on top of it."""
    surface, u, v = fitted.surface, glow.rest.u, glow.rest.v
    if not isinstance(surface, Polynomial):
        raise TypeError("corners stand beside a polynomial")
    both = replace(surface, corners=glow.corners)
    coefficients = np.ascontiguousarray(np.hstack([fitted.coefficients, glow.heights]))
    uncertainty = fitted.uncertainty
    if uncertainty is not None:  # a share of the height, which is another now
        height, whole = (
            np.ptp(s.design(u, v) @ c.T, axis=0) for s, c in ((surface, fitted.coefficients), (both, coefficients))
        )
        uncertainty *= float((height / np.maximum(whole, 1e-12)).max())
    return replace(fitted, surface=both, coefficients=coefficients, uncertainty=uncertainty)


def _found(samples: Samples, u: float, v: float, noise: F64) -> tuple[Corner, F64] | None:
    """The glow of the corner at (u, v) and its height in each channel (C,), if there is one."""
    apart = np.hypot(samples.u - u, samples.v - v)
    near = samples.open & (apart < _AROUND)
    if near.sum() < _LEAST_SAMPLES:
        return None
    apart, value = apart[near], samples.value[near] / noise
    surface = Polynomial(_DEGREE).design(samples.u[near], samples.v[near])

    def beside(length: float) -> tuple[float, F64, F64]:
        """Mean square misfit in noise, heights of the glow (C,), and residuals, at a length of its fall."""
        return _robust(np.column_stack([surface, np.exp(-apart / length)]), value)

    if beside(_LENGTHS[len(_LENGTHS) // 2])[1].min() < _HEIGHT:
        return None  # nearly all corners of nearly all frames: quickly told
    best = int(np.argmin([beside(length)[0] for length in _LENGTHS]))
    if best in {0, len(_LENGTHS) - 1}:
        return None
    lengths = np.linspace(_LENGTHS[best - 1], _LENGTHS[best + 1], _BETWEEN + 2)[1:-1]
    fits = [beside(length) for length in lengths]
    best = int(np.argmin([misfit for misfit, _, _ in fits]))
    length, (_, height, residual) = float(lengths[best]), fits[best]
    close = apart < _CLOSE
    if height.min() < _HEIGHT or not close.any():
        return None
    uneven = np.median(np.abs(residual[close]), axis=0) / (height * np.exp(-_CLOSE / 2 / length))
    return (Corner(u, v, length), height * noise) if uneven.max() < _UNEVEN else None


def _robust(design: F64, value: F64) -> tuple[float, F64, F64]:
    """Weighted mean square of the residuals, the last coefficient of each channel (C,), and the residuals (N, C).

    Cauchy's weights, alike in all channels (iteratively reweighted least squares, Holland & Welsch 1977).
    """
    weight = np.ones(len(value))
    for _ in range(_ROUNDS):
        weighted = design * weight[:, None]
        coefficients = solve_normal(weighted.T @ design, weighted.T @ value)
        residual = value - design @ coefficients
        sigma = MAD_TO_SIGMA * np.median(np.abs(residual), axis=0) + 1e-9
        weight = 1.0 / (1.0 + ((residual / sigma) ** 2).mean(axis=1) / _FAR**2)
    return float((weight @ residual**2).mean() / weight.sum()), coefficients[-1], residual
