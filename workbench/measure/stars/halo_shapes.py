"""Halos around stars as sums of what optics out of focus make of a star: discs, blurred as stars are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.stars.moffat import moffat_gamma, moffat_profile
from workbench.measure.stars.sizes import TYPICAL_ALPHA

if TYPE_CHECKING:
    from scipy import optimize, signal
else:
    optimize, signal = on_first_use("scipy.optimize"), on_first_use("scipy.signal")

__all__ = ["halo_profile"]

Floats = NDArray[np.float64]

#: A disc counts when it takes that much from chi-square: two standard errors.
_COUNTS = 4.0
#: Radius of the largest disc against the last ring's: a larger one cannot be told from the ground around a star.
#: With 0.5 twice as much is left of wide halos; with 1 light of dust was taken for a halo of 61 % of a star's light.
_LARGEST = 0.7
#: Discs are drawn at pixels, or this often along a star's width where that is closer.
_PER_FWHM = 4.0


def halo_profile(bounds: Floats, fwhm: float, values: Floats, errors: Floats) -> Floats:
    """What rings show, as the sum of the fewest blurred discs that explain it.

    A color that is out of focus makes a disc of each star, and a lens with many faults discs of many sizes. Blurred as
    stars are they fall off smoothly, so that what is taken has no edge where its evidence ends.

    Parameters
    ----------
    bounds : ndarray, shape (R + 3,)
        Of the core, the rings and the ring of the ground, px, from 0 on.
    fwhm : float
        Of a star, px.
    values, errors : ndarray, shape (R,)
        Light of the rings above that of the ground, and their errors; infinite where nothing is known.

    Returns
    -------
    ndarray, shape (R,)
        Light at the rings' radii (root mean square of their bounds), never negative and never rising.

    Notes
    -----
    Discs are added as long as one takes more than 4 from chi-square, each time the one that takes most, no amount
    being negative (Lawson & Hanson 1974, Solving Least Squares Problems). With wider stars among the shapes, GalSim's
    discs lose their edge and nebulae around the brightest stars 4 % of their light in place of 1.
    """
    at_rings, at_radii = _discs(bounds, fwhm)
    known = np.isfinite(errors) & np.isfinite(values)
    told, target = at_rings[known] / errors[known, None], values[known] / errors[known]
    chosen: list[int] = []
    amounts, chi2 = np.zeros(0), float(target @ target)
    while len(chosen) < told.shape[1]:
        trials = {k: optimize.nnls(told[:, [*chosen, k]], target) for k in range(told.shape[1]) if k not in chosen}
        best = min(trials, key=lambda k: float(trials[k][1]))
        if trials[best][1] ** 2 > chi2 - _COUNTS:
            break
        chosen.append(best)
        amounts, chi2 = trials[best][0], float(trials[best][1] ** 2)
    return np.asarray(at_radii[:, chosen] @ amounts)


def _discs(bounds: Floats, fwhm: float) -> tuple[Floats, Floats]:
    """Discs as large as inner rings: means over rings less the ground (R, K), and values at the rings' radii (R, K)."""
    step = min(1.0, fwhm / _PER_FWHM)
    n = int(np.ceil(bounds[-1] / step))
    y, x = np.mgrid[-n : n + 1, -n : n + 1] * step
    r = np.hypot(y, x)
    core = moffat_profile(r, moffat_gamma(fwhm, TYPICAL_ALPHA), TYPICAL_ALPHA)
    ring, inside = np.digitize(r.ravel(), bounds) - 1, slice(1, bounds.size - 1)
    counts = np.maximum(np.bincount(ring, minlength=bounds.size)[inside], 1)
    radii = np.sqrt((bounds[1:-2] ** 2 + bounds[2:-1] ** 2) / 2)
    means, along = [], []
    for edge in bounds[1:-2][bounds[1:-2] <= _LARGEST * bounds[-2]]:
        disc = np.clip((edge - r) / step + 0.5, 0, 1)
        blurred = signal.fftconvolve(disc / disc.sum(), core, mode="same")
        means.append(np.bincount(ring, blurred.ravel(), bounds.size)[inside] / counts)
        along.append(np.interp(radii, x[n, n:], blurred[n, n:]))
    mean, value = np.stack(means, axis=1), np.stack(along, axis=1)
    return mean[:-1] - mean[-1:], np.maximum(value, 0)
