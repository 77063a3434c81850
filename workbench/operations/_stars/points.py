"""Which of the stars found are points: knots of nebulae and galaxies are wider than the field's stars."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.measure.stars import Stars
from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations._stars.model import STEP, StarModel, profile_table
from workbench.operations._stars.remove import plan_stars, take_light

__all__ = ["are_points", "growths", "is_cut_off"]

Floats = NDArray[np.float64]
Planes = NDArray[np.float32]

#: What is wider than the field's stars by more than this share is no star; more where it is faint, by `_FAINT_WIDER`
#: over its signal-to-noise ratio, and where the field's stars scatter, by `_SCATTERED` times that.
_WIDER, _FAINT_WIDER, _SCATTERED = 0.04, 1.5, 2.0
#: Growth on bent ground from which, beside the width, a star is none.
_GROWN = 0.1
#: Signal-to-noise ratio from which a star's width tells how those of the field scatter.
_CLEAR = 30.0
#: Half side, in FWHM, of the square in which a growth is fitted.
_HALF = 1.5
#: On ground that stands above the sky by a share of a saturated star's limit, so many of the pixels that should stand
#: above the limit by a factor must reach a share of it. All did in 16 stars of 10 scenes, 0.73 in a galaxy's core.
_GROUND, _ENOUGH, _ABOVE_LIMIT, _AT_LIMIT = 0.1, 0.85, 1.2, 0.85
#: Height, in units of white, from which pixels would count beside the model: never.
_NO_TRUST = 1e9


def are_points(planes: Planes, stars: Stars, model: StarModel, sigma: float) -> NDArray[np.bool_]:
    """Which stars are as narrow as the field's stars.

    Two widths must agree that a star is none. The moments that the list holds see the narrower axis, as a close pair
    is long but no wider than a star; bent ground and neighbors mislead them. The growth of the model that fits best
    knows both. The width of a saturated star is not known; on bright ground it passes where it is cut off as widely as
    its height says, which the core of a galaxy is not.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    stars : Stars
    model : StarModel
        Of these stars.
    sigma : float
        Noise of a pixel of the mean of channels.

    Returns
    -------
    ndarray, shape (N,), bool
    """
    across = stars.fwhm / model.fwhm * np.sqrt(np.minimum(model.elongation / stars.elongation, 1.0))
    # Signal over noise through a Gaussian of the star's width: the noise of that is sigma times sqrt(4 pi) times its
    # standard deviation. The noise of the sky counts, not a nebula's rough ground, from which such a star is not told.
    filtered = sigma * model.fwhm * np.sqrt(4 * np.pi / (8 * np.log(2)))
    snr = np.maximum(stars.flux / filtered, 1.0)
    # Only those narrower than the field tell the scatter of stars: among the wider are those that are none.
    narrower = ~stars.saturated & (stars.snr > _CLEAR) & (across < 1)
    scatter = MAD_TO_SIGMA * float(np.median(1 - across[narrower])) if narrower.any() else 0.0
    most = 1 + max(_WIDER, _SCATTERED * scatter) + _FAINT_WIDER / snr
    points = np.asarray(stars.saturated | (across <= most))
    doubtful = np.flatnonzero(~points)
    points[doubtful] = growths(planes, model, doubtful) <= _GROWN
    above = model.ground[:, :, 0].mean(axis=1) - np.median(planes[:, ::8, ::8].mean(axis=0))
    on_light = np.flatnonzero(stars.saturated & (above > _GROUND * model.limit.mean(axis=1)))
    points[on_light] = [is_cut_off(planes, model, int(i)) for i in on_light]
    return points


def is_cut_off(planes: Planes, model: StarModel, which: int) -> bool:
    """Whether a saturated star is cut off where its height says that it should be.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    model : StarModel
    which : int
        The star, by its place in the model.

    Returns
    -------
    bool
        True too where it should be cut off within less than a pixel.
    """
    profile = profile_table(model.rho, model.profile).mean(axis=1, dtype=np.float64)
    limit, x, y = float(model.limit[which].mean()), model.x[which], model.y[which]
    inner = STEP * np.count_nonzero(profile * model.peak[which].mean() > _ABOVE_LIMIT * limit)
    half = int(np.ceil(inner * model.fwhm[which] * np.sqrt(model.elongation[which])))
    rows = np.arange(max(round(y) - half, 0), min(round(y) + half + 1, planes.shape[1]))
    columns = np.arange(max(round(x) - half, 0), min(round(x) + half + 1, planes.shape[2]))
    dx, dy = np.meshgrid(columns - x, rows - y)
    f0, f1, f2 = model.form[which]
    inside = f0 * dx * dx + 2 * f1 * dx * dy + f2 * dy * dy < inner**2
    if not inside.any():
        return True
    light = planes[:, rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].mean(axis=0)[inside]
    return bool(np.mean(light - model.ground[which, :, 0].mean() >= _AT_LIMIT * limit) >= _ENOUGH)


def growths(planes: Planes, model: StarModel, which: NDArray[np.int64]) -> Floats:
    """By what share stars of a model should be wider to fit the frame, on a quadratic ground, without their neighbors.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    model : StarModel
    which : ndarray, shape (n,), int
        The stars, by their place in the model.

    Returns
    -------
    ndarray, shape (n,), float64
        Infinite where nothing of a star is left to fit.
    """
    out = np.empty(which.size)
    if which.size == 0:
        return out
    height, width = planes.shape[1:]
    nothing = np.zeros(len(model))
    plan = plan_stars(model, nothing + 1, nothing, 1.0, height, width)
    left = np.empty_like(planes)
    # Without trust in the pixels, what is taken off is the model.
    take_light(planes, 0, 0, plan, _NO_TRUST, left)
    mean = left.mean(axis=0)
    profile = profile_table(model.rho, model.profile).mean(axis=1, dtype=np.float64)
    grown = -np.gradient(profile) * np.arange(profile.size)  # by the logarithm of the width
    for at, i in enumerate(which):
        out[at] = _growth(mean, model, int(i), profile, grown)
    return out


def _growth(left: NDArray[np.float32], model: StarModel, i: int, profile: Floats, grown: Floats) -> float:
    """Growth of one star from what its model has left of the mean of channels."""
    half = max(round(_HALF * float(model.fwhm[i])), 3)
    y, x = round(float(model.y[i])), round(float(model.x[i]))
    rows = np.arange(max(y - half, 0), min(y + half + 1, left.shape[0]))
    cols = np.arange(max(x - half, 0), min(x + half + 1, left.shape[1]))
    values = left[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1].ravel()
    dx, dy = (a.ravel() for a in np.meshgrid(cols - model.x[i], rows - model.y[i]))
    f0, f1, f2 = model.form[i]
    at = np.sqrt(f0 * dx * dx + 2 * f1 * dx * dy + f2 * dy * dy) / STEP
    steps = np.arange(profile.size)
    star, growth = np.interp(at, steps, profile), np.interp(at, steps, grown)
    slope = growth / np.maximum(at * STEP, 1e-9) ** 2
    shifts = slope * (f0 * dx + f1 * dy), slope * (f1 * dx + f2 * dy)
    u, v = dx / half, dy / half
    ground = np.ones_like(u), u, v, u * u, u * v, v * v
    terms = np.stack([star, growth, *shifts, *ground], axis=1)
    found = np.linalg.lstsq(terms, values.astype(np.float64), rcond=None)[0]
    height = float(model.peak[i].mean()) + found[0]
    return float(found[1] / height) if height > 0 else np.inf
