"""Light of one large galaxy: it fades outward along ellipses, and reaches further than it stands out.

A galaxy that fills the frame leaves no sample of plain sky, and a smooth surface takes its outskirts for glow. But
its light is brightest at one place and falls from there on, which glow does not. So a sum of exponential discs of
several scale lengths (Freeman 1970), none negative, about the brightest place is fitted together with the glow.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations._gradient.fit import Samples
from workbench.operations._gradient.surfaces import Polynomial

if TYPE_CHECKING:
    from scipy import linalg, optimize
else:
    linalg, optimize = on_first_use("scipy.linalg"), on_first_use("scipy.optimize")

__all__ = ["galaxy_beside"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Scale lengths of the discs, in halves of the frame's longer side.
SCALES = (0.03, 0.06, 0.12, 0.25, 0.4, 0.6, 0.9)
#: The middle is where the brightest samples are; the ellipse is read from those above a share of the brightest.
_BRIGHTEST, _READ_ABOVE = 0.99, 0.25
#: What is brightest within this share of the frame's half sides from its edge is glow that comes from outside.
_AT_EDGE = 0.1
#: Samples further from the sum than this, in deviations, are left out: stars, arms, dust.
_FAR = 3.25
_ROUNDS = 6


def galaxy_beside(samples: Samples, degree: int) -> tuple[F64, F64, Mask] | None:
    """Glow and galaxy fitted together: coefficients (size, C) of a `Polynomial`, light (N, C), samples used (N,).

    None where there are too few samples, or the brightest place is at the frame's edge.
    """
    surface = Polynomial(degree)
    design = surface.design(samples.u, samples.v)
    if samples.open.sum() < 8 * (surface.size + len(SCALES)):
        return None
    if np.linalg.matrix_rank(design[samples.open]) < surface.size:  # samples in one row
        return None
    radius = _elliptical_radius(samples)
    if radius is None:
        return None
    discs = np.exp(-radius[:, None] / SCALES)
    both = np.hstack([design, discs])
    used, least = samples.open, 4 * both.shape[1]
    for _ in range(_ROUNDS):
        found = _discs_not_negative(both[used], samples.value[used], surface.size)
        rest = samples.value - both @ found
        middle = np.median(rest[used], axis=0)
        sigma = MAD_TO_SIGMA * np.median(np.abs(rest[used] - middle), axis=0)
        again = samples.open & (np.abs(rest) <= _FAR * sigma).all(axis=1)
        if again.sum() < least or np.array_equal(again, used):
            break
        used = again
    return found[: surface.size], discs @ found[surface.size :], used


def _discs_not_negative(both: F64, value: F64, free: int) -> F64:
    """Least squares (columns, C) in which all columns of ``both`` but the first ``free`` get no negative weight."""
    q, r = np.linalg.qr(both)
    seen = q.T @ value
    lower = r[free:, free:]
    discs = np.stack([optimize.nnls(lower, y)[0] for y in seen[free:].T], axis=1)
    return np.vstack([linalg.solve_triangular(r[:free, :free], seen[:free] - r[:free, free:] @ discs), discs])


def _elliptical_radius(samples: Samples) -> F64 | None:
    """Distance of each sample from the brightest place, (N,), in the metric of the ellipse that the light fills."""
    shown, value = samples.open, samples.value
    plane = np.column_stack([np.ones(len(value)), samples.u, samples.v])
    above = value - plane @ np.linalg.lstsq(plane[shown], value[shown], rcond=None)[0]
    light = (above / np.maximum(above[shown].std(axis=0), 1e-12)).mean(axis=1)
    light -= np.quantile(light[shown], 0.05)
    top = float(np.quantile(light[shown], 0.995))
    brightest = shown & (light >= np.quantile(light[shown], _BRIGHTEST))
    place = np.stack([samples.u, samples.v])
    weight = np.clip(light / max(top, 1e-12), 0.0, 1.0)
    middle = np.average(place[:, brightest], axis=1, weights=weight[brightest] + 1e-9)
    if (np.abs(middle) > (1.0 - _AT_EDGE) * np.abs(place).max(axis=1)).any():
        return None
    place = place - middle[:, None]
    inside = shown & (weight > _READ_ABOVE)
    spread = np.cov(place[:, inside], aweights=weight[inside], ddof=0) if inside.sum() > 2 else np.eye(2)
    spread = spread + np.eye(2) * max(float(np.trace(spread)) * 1e-2, 1e-9)  # a line of samples has a width too
    metric = np.linalg.inv(spread / np.sqrt(np.linalg.det(spread)))
    return np.asarray(np.sqrt(np.einsum("in,ij,jn->n", place, metric, place)))
