"""Which of the stars found are points: knots of nebulae and galaxies are wider than the field's stars."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import in_order
from workbench.measure.stars import Stars
from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations._stars.remove import StarPlan, left_by_model, plan_stars
from workbench.operations._stars.star_model import STEP, StarModel, profile_table

__all__ = ["are_points", "cut_off", "growths"]

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
#: Stars that are fitted together.
_TOGETHER = 128
#: What a star's own wings have more than those of the field counts beside the growth, the more for what is wide by its
#: moments: galaxies and knots too small to be wide have more light around them. Of 5,287 stars in 20 GalSim scenes 34
#: have 1.4 times the wings, which is too much by itself, of 57 galaxies and knots above 10 times the noise 48; at 1.2
#: it is 283 and 50, at 1.5 19 and 45.
_AROUND, _AROUND_WIDE = 0.25, 0.5
#: So many of the pixels that should stand above a saturated star's limit by a factor must reach a share of it, the most
#: of them on ground that stands above the sky by a share of the limit, where cores of galaxies are. 0.98 and more did
#: in 22 of 23 stars of 11 scenes, 0.67 and 0.86 in cores of galaxies there, 0.05 to 0.6 in those of a deep field.
_ENOUGH, _ENOUGH_ON_GROUND, _GROUND, _ABOVE_LIMIT, _AT_LIMIT = 0.6, 0.85, 0.1, 1.2, 0.85


def are_points(planes: Planes, stars: Stars, model: StarModel, sigma: float) -> NDArray[np.bool_]:
    """Which stars are as narrow as the field's stars.

    What has much more light around it than the field's stars, measured together with the ground, is none. Else two
    widths must agree on it: the moments that the list holds see the narrower axis, as a close pair is long but no wider
    than a star; bent ground and neighbors mislead them. The growth of the model that fits best knows both. The width of
    a saturated star is not known; it passes where it is cut off as widely as its height says, which the core of a
    galaxy is not.

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
    doubtful = np.flatnonzero(~stars.saturated & (across > most))
    grown = np.zeros(len(stars))
    grown[doubtful] = np.maximum(growths(planes, model, doubtful), 0)
    around = np.where(across > most, _AROUND_WIDE, _AROUND) * np.maximum(model.wings - 1, 0)
    points = np.asarray(stars.saturated | (grown + around <= _GROWN))
    above = model.ground[:, :, 0].mean(axis=1) - np.median(planes[:, ::8, ::8].mean(axis=0))
    on_light = above > _GROUND * model.limit.mean(axis=1)
    for i in np.flatnonzero(stars.saturated & points):
        points[i] = cut_off(planes, model, int(i)) >= (_ENOUGH_ON_GROUND if on_light[i] else _ENOUGH)
    return points


def cut_off(planes: Planes, model: StarModel, which: int) -> float:
    """The share of a saturated star's middle that is cut off, of what its height says should be.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    model : StarModel
    which : int
        The star, by its place in the model.

    Returns
    -------
    float
        1 too where it should be cut off within less than a pixel.
    """
    profile = profile_table(model.rho, model.profile).mean(axis=1, dtype=np.float64)
    limit, x, y = float(model.limit[which].mean()), model.x[which], model.y[which]
    inner = STEP * np.count_nonzero(profile * model.peak[which].mean() > _ABOVE_LIMIT * limit)
    half = int(np.ceil(inner * model.fwhm[which] * np.sqrt(model.elongation[which])))
    rows = np.arange(max(round(y) - half, 0), min(round(y) + half + 1, planes.shape[1]))
    columns = np.arange(max(round(x) - half, 0), min(round(x) + half + 1, planes.shape[2]))
    dx, dy = np.meshgrid(columns - x, rows - y)
    f0, f1, f2 = model.select(np.array([which])).form[0]
    inside = f0 * dx * dx + 2 * f1 * dx * dy + f2 * dy * dy < inner**2
    if not inside.any():
        return 1.0
    light = planes[:, rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].mean(axis=0)[inside]
    return float(np.mean(light - model.ground[which, :, 0].mean() >= _AT_LIMIT * limit))


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
    nothing = np.zeros(len(model))
    plan = plan_stars(model, nothing + 1, nothing, 1.0, *planes.shape[1:])
    doubtful = model.select(which)
    halves = np.maximum(np.rint(_HALF * doubtful.fwhm).astype(np.int64), 3)
    alike = [np.flatnonzero(halves == half) for half in np.unique(halves)]
    parts = [part[k : k + _TOGETHER] for part in alike for k in range(0, part.size, _TOGETHER)]

    def fitted(part: NDArray[np.int64]) -> Floats:
        return _growths(planes, plan, doubtful.select(part), int(halves[part[0]]))

    for part, own in zip(parts, in_order(fitted, parts), strict=True):
        out[part] = own
    return out


def _growths(planes: Planes, plan: StarPlan, stars: StarModel, half: int) -> Floats:
    """Growths (n,) of stars from what the model has left of the mean of channels, in squares of one half side."""
    side = np.arange(-half, half + 1)
    ys, xs = (np.rint(at).astype(np.int64) for at in (stars.y, stars.x))
    rows, cols = ys[:, None] + side, xs[:, None] + side
    # Beyond the frame's sides nothing is there to fit.
    rows_there, cols_there = (rows >= 0) & (rows < planes.shape[1]), (cols >= 0) & (cols < planes.shape[2])
    left = left_by_model(planes, plan, ys, xs, half)
    dx, dy = (cols - stars.x[:, None])[:, None, :], (rows - stars.y[:, None])[:, :, None]
    f0, f1, f2 = stars.form.T[:, :, None, None]
    at = np.sqrt(f0 * dx * dx + 2 * f1 * dx * dy + f2 * dy * dy) / STEP
    profile = profile_table(stars.rho, stars.profile).mean(axis=1, dtype=np.float64)
    steps = np.arange(profile.size)
    grown = -np.gradient(profile) * steps  # by the logarithm of the width
    star, growth = np.interp(at, steps, profile), np.interp(at, steps, grown)
    slope = growth / np.maximum(at * STEP, 1e-9) ** 2
    shifts = slope * (f0 * dx + f1 * dy), slope * (f1 * dx + f2 * dy)
    u, v = dx / half, dy / half
    terms = np.stack(np.broadcast_arrays(star, growth, *shifts, np.ones_like(u), u, v, u * u, u * v, v * v), axis=1)
    terms = (terms * (rows_there[:, None, :, None] & cols_there[:, None, None, :])).reshape(*terms.shape[:2], -1)
    normal = terms @ terms.transpose(0, 2, 1)
    diagonal = np.arange(normal.shape[1])
    normal[:, diagonal, diagonal] *= 1 + 1e-12
    right = terms @ left.reshape(len(stars), -1, 1)
    found = np.linalg.solve(normal, right)[:, :, 0]
    height = stars.peak.mean(axis=1) + found[:, 0]
    return np.where(height > 0, found[:, 1] / np.where(height > 0, height, 1.0), np.inf)
