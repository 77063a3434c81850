"""Surfaces that are tried: each settled on the samples that it takes for sky."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.fit import Samples, clip_both_sides, kept_with_samples
from workbench.operations._gradient.profile import galaxy_beside
from workbench.operations._gradient.surfaces import Polynomial, Surface

__all__ = ["Trial", "galaxy_trial", "height_of", "simple_trial"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Trial:
    """A surface settled on its samples.

    Attributes
    ----------
    coefficients : ndarray, shape (size, C), float64
    weight : float
        Regularization weight.
    used : ndarray, shape (N,), bool
    model : ndarray, shape (N, C)
        Values of the surface at all samples.
    beside : bool
        Whether a galaxy's light was fitted beside it.
    error : float or None
        Likely error (68 %), RMS without its mean, as a share of the height.
    taken : float
        Share of its height that is left of it.
    one_color : bool
        Whether it was read from sums of the channels that are blind to the objects' color.
    """

    surface: Surface
    weight: float
    coefficients: F64
    used: Mask
    model: F64
    beside: bool = False
    error: float | None = None
    taken: float = 1.0
    one_color: bool = False


def height_of(trial: Trial) -> F64:
    """Peak-to-peak height of a surface over the samples, (C,)."""
    return np.asarray(np.maximum(np.ptp(trial.model, axis=0), 1e-12))


@kept_with_samples
def simple_trial(samples: Samples, degree: int) -> Trial:
    """The simple robust surface of this degree."""
    surface = Polynomial(degree)
    design = surface.design(samples.u, samples.v)
    coefficients, used = clip_both_sides(samples, design)
    return Trial(surface, 0.0, coefficients, used, design @ coefficients)


@kept_with_samples
def galaxy_trial(samples: Samples, degree: int) -> tuple[Trial, float] | None:
    """Glow of this degree fitted together with a galaxy, and the share of what lies beside it that no galaxy explains.

    None where there is nothing to fit.
    """
    found = galaxy_beside(samples, degree)
    if found is None:
        return None
    surface, (coefficients, light, used) = Polynomial(degree), found
    model = surface.design(samples.u, samples.v) @ coefficients
    beside = (samples.value - model)[samples.open]
    scale = np.maximum(beside.std(axis=0), 1e-12)
    unexplained = float(((beside - light[samples.open]) / scale).var() / max((beside / scale).var(), 1e-12))
    return Trial(surface, 0.0, coefficients, used, model, beside=True), unexplained
