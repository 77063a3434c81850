"""Glow fitted with what is known of glow beforehand: it is smooth, and has nearly one shape in all channels.

Objects that were not recognised lie among the samples: alike in neighbors, in a color of their own. A surface that may
bend follows them. So each of its coefficients has an expected size (a prior), smaller the higher its degree, and those
of the channels go together; and the misfit is weighed by how much of it neighbors share, in each color (generalized
least squares, Aitken 1936). Where the sky is clear the samples say everything; where objects cover it, hardly more is
taken for glow than must be. How fast the expected sizes fall, and how alike the channels are, the samples choose
(empirical Bayes: MacKay 1992, "Bayesian interpolation").
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations._gradient.fit import Samples, darker_side_sigma, leave_out
from workbench.operations._gradient.halos import HALO_WIDTHS, halo_strengths, spread_light
from workbench.operations._gradient.surfaces import Polynomial, term_degrees
from workbench.operations._gradient.trials import Trial

__all__ = ["fit_with_prior", "settle_with_prior", "shared_misfit", "without_halos"]

F64 = NDArray[np.float64]
Mask = NDArray[np.bool_]

#: Expected size of a coefficient over that of one a degree lower: fast for a slope, slowly for a lamp at the corner.
FADES = (0.15, 0.25, 0.4, 0.6, 0.85)
#: Correlation of the glow's coefficients between channels.
ALIKE = (0.9, 0.98, 0.995)
#: Samples along the side of the window over which neighbors are asked what misfit they share.
_WINDOW = 5
#: The level is free: its expected size, in heights of the glow.
_FREE = 1e3
#: Misfit that is always allowed, as a share of the glow's height: no glow is a polynomial.
_MISFIT = 1e-3
#: Weight of a sample placed by hand: it is known to be sky, and does not share the misfit of its neighbors.
_BY_HAND = float(_WINDOW**2)
#: Diagonal of a scaled system, with a whiff of ridge; and what stands in the corner of one with its right side below.
_DIAGONAL, _LARGE_CORNER = 1.0 + 1e-12, float(np.finfo(np.float64).max)
#: Fits and rejections repeat until nothing changes, or this often.
_ROUNDS = 10


def settle_with_prior(
    samples: Samples, degree: int, start: Trial, used: Mask, stiffness: float, strength: float
) -> Trial:
    """Fit and leave out in turn, beginning with the samples ``used`` and the surface of ``start``.

    Parameters
    ----------
    stiffness : float
        Factor on the variance of the misfit: larger keeps nearer to what is expected of glow.
    strength : float
        Limit in deviations of `leave_out`.
    """
    surface = Polynomial(degree)
    design = surface.design(samples.u, samples.v)
    least, model = max(3, surface.size // 4), start.model
    for _ in range(_ROUNDS):
        coefficients, _ = fit_with_prior(samples, design, samples.value, used, model, stiffness)
        model = design @ coefficients
        again = leave_out(samples, model, strength)
        if again.sum() < least or np.array_equal(again, used):
            break
        used = again
    return Trial(surface, stiffness, coefficients, used, model)


def without_halos(samples: Samples, trial: Trial) -> Trial:
    """The same surface fitted anew to its samples without the halos of bright objects that lie over them."""
    design = trial.surface.design(samples.u, samples.v)
    residual, used = samples.value - trial.model, trial.used
    sigma = np.array([darker_side_sigma(rest[used]) for rest in residual.T])
    if used.sum() < 3 * len(HALO_WIDTHS) or not (sigma > 0).all():
        return trial
    wide = spread_light(samples, residual, sigma, used)
    if wide.shape[2] == 0:
        return trial
    misfit = np.sqrt(trial.weight * np.diagonal(shared_misfit(samples, residual, used)) + 1e-30)
    height = np.maximum(trial.model[samples.open].std(axis=0), 1e-12)
    known = np.diag(1.0 / fit_with_prior(samples, design, samples.value, used, trial.model, trial.weight)[1])
    nothing = np.zeros((len(known), wide.shape[2]))
    strength = halo_strengths(
        [np.concatenate([design[used] / m, known / h]) for m, h in zip(misfit, height, strict=True)],
        [np.concatenate([y[used] / m, nothing[:, 0]]) for y, m in zip(samples.value.T, misfit, strict=True)],
        [np.concatenate([wide[used, c] / m, nothing]) for c, m in enumerate(misfit)],
    )
    if not strength.any():
        return trial
    coefficients, _ = fit_with_prior(samples, design, samples.value - wide @ strength, used, trial.model, trial.weight)
    return replace(trial, coefficients=coefficients, model=design @ coefficients)


def fit_with_prior(
    samples: Samples, design: F64, value: F64, used: Mask, before: F64, stiffness: float
) -> tuple[F64, F64]:
    """Coefficients (size, C) of the likeliest glow through the used samples, and their expected sizes (size,).

    Parameters
    ----------
    design : ndarray, shape (N, size)
        Basis of a `Polynomial`.
    value : ndarray, shape (N, C)
        Samples, without light that is known not to be glow.
    used : ndarray, shape (N,), bool
    before : ndarray, shape (N, C)
        A surface fitted before: it tells the height of the glow and the misfit.
    stiffness : float
        Factor on the variance of the misfit.
    """
    channels = value.shape[1]
    middle = np.median(value[used], axis=0)
    height = np.maximum(before[samples.open].std(axis=0), 1e-6 * np.abs(middle) + 1e-12)
    shared = stiffness * shared_misfit(samples, value - before, used) + np.diag((_MISFIT * height) ** 2)
    weight = np.where(np.arange(len(design)) < samples.cells, 1.0, _BY_HAND)[used]
    rows, y = design[used], value[used] - middle
    weighted = rows * weight[:, None]
    gram, side, power = weighted.T @ rows, weighted.T @ y, (y * weight[:, None]).T @ y

    # Sums of the channels in which the misfits of a unit prior are independent: each is fitted alone.
    alike = np.array(ALIKE if channels > 1 else (0.0,))[:, None, None]
    lower = height[:, None] * np.linalg.cholesky((1.0 - alike) * np.eye(channels) + alike)
    inverse = np.linalg.inv(lower)
    misfit, turn = np.linalg.eigh(inverse @ shared @ inverse.swapaxes(1, 2))
    misfit = np.maximum(misfit, 1e-12)
    sums = inverse.swapaxes(1, 2) @ turn  # (A, C, C): y @ sums are the sums of the channels
    right = (side @ sums).swapaxes(1, 2)  # (A, C, size)
    spread = np.einsum("acj,cd,adj->aj", sums, power, sums)

    size = design.shape[1]
    expected = _expected(size)  # (F, size)
    per_variance = expected**-2.0
    diagonal = np.diagonal(gram) / misfit[:, None, :, None] + per_variance[None, :, None, :]  # (A, F, C, size)
    scale = 1.0 / np.sqrt(diagonal)
    # Each system with its right side below: of its Cholesky factor the last row is then the right side divided by the
    # factor of the system alone, whatever stands in the corner, if it is large enough.
    right = np.ascontiguousarray(right / misfit[:, :, None])
    factored = np.zeros((*scale.shape[:-1], size + 1, size + 1))
    _lay_out(gram, misfit, scale, right, factored)
    light = (spread / misfit)[:, None, :]
    factor = np.linalg.cholesky(factored)

    # Logarithm of the evidence, but for constants.
    told = 0.5 * ((factor[..., size, :size] ** 2).sum(axis=-1) - light).sum(axis=-1)
    freedom = 2.0 * (np.log(np.diagonal(factor, axis1=-2, axis2=-1)[..., :size]) - np.log(scale)).sum(axis=-1)
    told -= 0.5 * freedom.sum(axis=-1) + channels * np.log(expected).sum(axis=1)
    told -= 0.5 * len(y) * (np.log(misfit).sum(axis=1) + 2.0 * np.log(np.abs(np.linalg.det(lower))))[:, None]
    a, f = np.unravel_index(int(told.argmax()), told.shape)
    system = scale[a, f, :, :, None] * scale[a, f, :, None, :] * (gram / misfit[a, :, None, None])
    np.einsum("...ii->...i", system)[...] = _DIAGONAL
    found = scale[a, f] * np.linalg.solve(system, (scale[a, f] * right[a])[..., None])[..., 0]  # (C, size)
    coefficients = found.T @ turn[a].T @ lower[a].T
    coefficients[0] += middle  # the first of the basis is 1
    return np.asarray(coefficients), np.asarray(expected[f])


@kernel
def _lay_out(gram: F64, misfit: F64, scale: F64, right: F64, out: F64) -> None:
    """Lower halves (A, F, C, size + 1, size + 1) of the systems, scaled to a diagonal of 1, with their right sides."""
    hypotheses, fades, channels, size = scale.shape
    system = np.empty((size, size))
    for a in range(hypotheses):
        for c in range(channels):
            for i in range(size):
                for j in range(i):
                    system[i, j] = gram[i, j] / misfit[a, c]
            for f in range(fades):
                own, lower = scale[a, f, c], out[a, f, c]
                last = lower[size]
                for i in range(size):
                    to, row = lower[i], system[i]
                    for j in range(i):
                        to[j] = own[i] * own[j] * row[j]
                    to[i] = _DIAGONAL
                    last[i] = own[i] * right[a, c, i]
                last[size] = _LARGE_CORNER


def _expected(size: int) -> F64:
    """Expected sizes of the coefficients, in heights of the glow, for each of `FADES`: (F, size)."""
    degree = term_degrees(size)
    faded = np.array(FADES)[:, None] ** (np.maximum(degree, 1) - 1.0)
    return np.asarray(np.where(degree == 0, _FREE, faded))


def shared_misfit(samples: Samples, misfit: F64, used: Mask) -> F64:
    """Covariance (C, C) of the misfit of a sample as if neighbors were independent: that of sums over windows.

    Of white noise it is the covariance of single samples; of light that neighbors share it is many times larger.
    """
    n, channels = samples.cells, misfit.shape[1]
    misfit = misfit - misfit[used].mean(axis=0)
    size = min(_WINDOW, *samples.grid)
    inside = used[:n].reshape(samples.grid)
    count = _sum(inside.astype(np.float64), size)
    full = count >= max(1.0, size * size / 3)
    if full.sum() < 2 * channels + 4:
        return np.asarray(misfit[used].T @ misfit[used] / max(int(used.sum()), 1))
    planes = [np.where(inside, misfit[:n, c].reshape(samples.grid), 0.0) for c in range(channels)]
    sums = np.stack([_sum(p, size)[full] for p in planes], axis=1) / np.sqrt(count[full])[:, None]
    return np.asarray(sums.T @ sums / len(sums))


def _sum(plane: F64, size: int) -> F64:
    return np.asarray(cv2.boxFilter(plane, -1, (size, size), normalize=False, borderType=cv2.BORDER_CONSTANT))
