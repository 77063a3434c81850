"""Glow under nebulosity that fills the frame: the smooth surface on which the darkest samples rest.

Where no sample is sky, a fit through the middle of the samples takes the nebula's own slopes for glow. But light only
adds: nowhere is a sample darker than the glow, and where the nebula is thin it is hardly brighter. So samples below
the surface weigh fully and those above it next to nothing (expectiles, Newey & Powell 1987). Glow comes from beyond
the frame's edges and is smooth for it: beyond its plane, every degree is penalized more than the one before, and most
what one channel shows and the others do not.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from workbench.operations._gradient.fit import Samples
from workbench.operations._gradient.surfaces import Polynomial

__all__ = ["lower_envelope"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

DEGREE = 5
#: Weight of a sample above the surface; one below it weighs 1.
_ABOVE = 0.0005
#: Samples further above it, in deviations of typical ones, pull no harder.
_FAR = 5.0
#: Least deviation of nebulosity, relative to the glow's: 0.009 to 0.1 was seen.
_LEAST = 0.005
#: Regularization weight of bending where nebulosity varies as much as the glow does.
_PENALTY = 0.0035
#: How much weaker one degree of a glow is expected to be than the one before.
_FADES = 0.3
#: How much weaker the differences between the channels' bending are expected to be than the bending itself.
_DIFFERS = 0.3
_ROUNDS = 60


def lower_envelope(samples: Samples, typical: Mask) -> tuple[Polynomial, F64, Mask] | None:
    """Surface below the open samples, its coefficients (size, C), and the samples it rests on, (N,) bool.

    None where what shows beside a smooth surface is so little that it may well be glow.

    Parameters
    ----------
    typical : ndarray, shape (N,), bool
        Samples without outstanding objects, which tell how strong glow and nebulosity are.
    """
    degree = DEGREE
    while degree > 0 and Polynomial(degree).size > typical.sum() // 4:
        degree -= 1
    surface = Polynomial(degree)
    design = surface.design(samples.u, samples.v)
    broad, middle = (
        b @ np.linalg.lstsq(b[typical], samples.value[typical], rcond=None)[0] for b in (design[:, :6], design)
    )
    glow = np.maximum(broad.std(axis=0), 1e-12)
    nebula = (samples.value - middle)[typical].std(axis=0) / glow
    if nebula.mean() < _LEAST:
        return None
    of_degree = np.repeat(np.arange(degree + 1), np.arange(degree + 1) + 1)
    bends = np.where(of_degree < 2, 0.0, _PENALTY * np.mean(nebula**2) * _FADES ** (-2.0 * (of_degree - 1)))
    channels = len(glow)
    common = np.full((channels, channels), 1.0 / channels)
    penalty = np.kron(common + (np.eye(channels) - common) / _DIFFERS**2, np.diag(bends))
    by_hand = np.arange(len(design)) >= samples.cells  # sky, as we were told: weighs fully on both sides
    use = samples.open
    coefficients = glow * _settled(design[use], samples.value[use] / glow, by_hand[use], penalty, _FAR * nebula)
    below = (samples.value <= design @ coefficients).any(axis=1)
    return surface, coefficients, use & (below | by_hand)


def _settled(design: F64, value: F64, sure: Mask, penalty: F64, far: F64) -> F64:
    """Coefficients (size, C), all channels together."""
    size, channels = design.shape[1], value.shape[1]
    weight = np.ones_like(value)
    for _ in range(_ROUNDS):
        left = block_diag(*(design.T @ (w[:, None] * design) for w in weight.T))
        right = (design.T @ (weight * value)).T.ravel()
        regularization = penalty * weight.sum() / channels
        coefficients = np.linalg.solve(left + regularization, right).reshape(channels, size).T
        rest = value - design @ coefficients
        above = (rest > 0) & ~sure[:, None]
        again = np.where(above, _ABOVE / np.maximum(rest / far, 1.0), 1.0)
        if np.allclose(again, weight, rtol=1e-3, atol=0.0):
            break
        weight = again
    return np.asarray(coefficients)
