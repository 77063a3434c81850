"""Consensus: how many sky samples agree with a surface within their noise.

Sky seen between objects lies on one smooth surface to within the noise; the light of objects does not. So of several
surfaces the one is right on which most samples lie (Fischler & Bolles 1981, "Random sample consensus"): a surface
that bends too little leaves places where glow is stronger, one that follows an object loses the sky around it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.operations._gradient.fit import Samples

__all__ = ["agreeing", "sample_noise", "second_differences"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: A sample agrees when it lies within this many deviations in every channel: of normal noise 96 % do.
WITHIN_SIGMA = 2.5
#: Misfit that counts as noise, as a share of the glow's height: what nobody sees, and what no smooth surface meets.
ALLOWED_MISFIT = 0.002
#: Quantile of the second differences from which the noise is read: objects may spoil three quarters of them.
_CALMEST = 0.25
#: That quantile of the absolute value of normal noise, in deviations.
_OF_NORMAL = 0.3186
#: Least noise, as a share of the level: samples of a frame without noise still differ by rounding.
_ROUNDING = 1e-7


def second_differences(samples: Samples) -> F64:
    """Second differences of neighboring samples along rows and columns, (M, C): any slope cancels in them."""
    rows, columns = samples.grid
    n, channels = samples.cells, samples.value.shape[1]
    level = samples.value[:n].reshape(rows, columns, channels)
    shown = samples.open[:n].reshape(rows, columns)
    steps = []
    for values, known in ((level, shown), (level.transpose(1, 0, 2), shown.T)):
        if len(values) > 2:
            inside = known[2:] & known[1:-1] & known[:-2]
            steps.append((values[2:] - 2.0 * values[1:-1] + values[:-2])[inside])
    return np.concatenate(steps) if steps else np.empty((0, channels))


def sample_noise(samples: Samples) -> F64:
    """Noise of the samples in each channel, (C,), from second differences.

    Their lower quantile leaves out what stars, nebulae and galaxies add.
    """
    differences = np.abs(second_differences(samples))
    least = _ROUNDING * np.abs(samples.value).max(axis=0) + 1e-12
    if len(differences) < 8:
        return np.asarray(np.maximum(samples.value.std(axis=0), least))
    return np.asarray(np.maximum(np.quantile(differences, _CALMEST, axis=0) / (_OF_NORMAL * np.sqrt(6.0)), least))


def agreeing(samples: Samples, model: F64, noise: F64, height: F64) -> Mask:
    """Open samples that lie on ``model`` (N, C) within their noise in every channel: (N,) bool.

    ``height`` (C,) is the peak-to-peak height of the glow.
    """
    allowed = WITHIN_SIGMA * np.hypot(noise, ALLOWED_MISFIT * height)
    return np.asarray(samples.open & (np.abs(samples.value - model) < allowed).all(axis=1))
