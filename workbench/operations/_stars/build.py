"""From a star list to a star model: shapes, profile, heights and grounds, in a few sweeps over the frame."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.lazy import on_first_use
from workbench.measure.stars import Stars
from workbench.measure.stars.moffat import moffat_gamma, moffat_profile
from workbench.measure.stars.psf import PsfModel, without_knots
from workbench.operations._stars.fit import fit_stars
from workbench.operations._stars.star_model import TERMS, StarModel, edges, profile_table
from workbench.operations._stars.wings import FARTHEST, LARGEST, moffat_nodes, with_wings

if TYPE_CHECKING:
    from scipy import spatial
else:
    spatial = on_first_use("scipy.spatial")

__all__ = ["FAINT", "build_model"]

Floats = NDArray[np.float64]
Planes = NDArray[np.float32]
Coverage = NDArray[np.uint8]

#: A footprint ends where the star falls below this share of the noise.
FAINT = 0.1
#: A star hides the ground where it stands above this many times the noise: a model good to a few percent shows
#: the ground up to there. Against 1.5 it halves the worst holes in a bright nebula.
HIDES = 8.0
_SWEEPS = 3
_SHAPE_STARS = 15
#: A star has settled when a sweep changes its heights by less than this share and its grounds by less than this many
#: times the noise: the next would change them by about a tenth of that.
_SETTLED, _SETTLED_GROUND = 0.02, 0.1


def local_shapes(stars: Stars, psf: PsfModel) -> tuple[Floats, Floats, Floats]:
    """FWHM, elongation and angle of the point spread at each star, by the median of its good neighbors.

    A star's own shape is noisy where it is faint and wrong where it is saturated or blended; the field's changes
    slowly. Medians of the second-moment matrix of the nearest good stars follow curvature, coma and drift.
    """
    good = without_knots(stars.select(~stars.saturated & (stars.snr > 30) & (stars.elongation < 1.6)), psf.shape)
    n = len(stars)
    if len(good) < _SHAPE_STARS:
        fwhm = np.broadcast_to(np.asarray(psf.fwhm_at(stars.x, stars.y), np.float64), (n,))
        return fwhm.copy(), np.full(n, psf.elongation), np.full(n, psf.angle_deg)
    angle = 2 * np.deg2rad(good.angle_deg)
    k = good.elongation
    mean, half = 0.5 * (k + 1 / k), 0.5 * (k - 1 / k)
    moments = good.fwhm[:, None] ** 2 * np.stack([mean, half * np.cos(angle), half * np.sin(angle)], axis=1)
    tree = spatial.cKDTree(np.stack([good.x, good.y], axis=1))
    _, nearest = tree.query(np.stack([stars.x, stars.y], axis=1), k=_SHAPE_STARS)
    m, c, s = np.median(moments[nearest], axis=1).T
    h = np.hypot(c, s)
    major, minor = np.sqrt(m + h), np.sqrt(np.maximum(m - h, 0.05 * m))
    return np.sqrt(major * minor), major / minor, np.rad2deg(0.5 * np.arctan2(s, c))


def build_model(
    planes: Planes, coverage: Coverage, stars: Stars, psf: PsfModel, sigma: Floats, known: StarModel | None = None
) -> StarModel:
    """Fit the star model.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W), uint8, or (0, 0) for all covered
    stars : Stars
        Brightest first.
    psf : PsfModel
    sigma : ndarray, shape (C,)
        Noise of a pixel.
    known : StarModel, optional
        A model of these stars, fitted among others that were none: heights and grounds begin with it, but shapes and
        wings, which all tell together, are found anew.
    """
    n, channels = len(stars), planes.shape[0]
    mean_sigma = max(float(np.sqrt(np.sum(sigma**2))) / channels, 1e-12)
    fwhm, elongation, angle = local_shapes(stars, psf)
    flat = np.asarray(stars.saturated, np.bool_)
    rho, profile = moffat_nodes(psf.alpha, channels)
    # Heights to begin with: the list's flux is less bound to one pixel than its peak, but wrong when saturated.
    share = moffat_profile(0.0, moffat_gamma(1.0, psf.alpha), psf.alpha) / fwhm**2
    height = np.where(flat, np.maximum(2 * stars.peak, stars.flux * share), stars.flux * share)
    start = np.repeat(np.maximum(height, 0.0)[:, None], channels, axis=1)
    most = start * np.where(flat, 50.0, 2.5)[:, None]
    model = StarModel(
        np.asarray(stars.x, np.float64), np.asarray(stars.y, np.float64), fwhm, elongation, angle, start,
        np.full((n, channels), np.inf), np.zeros(n), np.zeros(n), np.ones(n), np.zeros((n, channels, TERMS)), rho,
        profile,
    )  # fmt: skip
    sweeps = _SWEEPS
    if known is not None:
        model = _sized(model.replaced(peak=known.peak, limit=known.limit, ground=known.ground), mean_sigma)
        model, sweeps = with_wings(planes, coverage, model, flat, mean_sigma), _SWEEPS - 1
    unsettled: NDArray[np.bool_] | None = None
    for sweep in range(sweeps):
        before = model
        model = _sized(model, mean_sigma)
        model = fit_stars(planes, coverage, model, flat, sigma, unsettled)
        model = model.replaced(peak=np.minimum(model.peak, most))
        if sweep < sweeps - 1:
            unsettled = _changed(before, model, sigma)
            model = with_wings(planes, coverage, model, flat, mean_sigma)
    return _sized(model, mean_sigma)


def _changed(before: StarModel, after: StarModel, sigma: Floats) -> NDArray[np.bool_]:
    """Stars whose heights or grounds a sweep has changed so much that one more matters."""
    height = np.abs(after.peak - before.peak) > _SETTLED * np.abs(after.peak)
    ground = np.abs(after.ground[:, :, 0] - before.ground[:, :, 0]) > _SETTLED_GROUND * sigma
    return np.asarray((height | ground).any(axis=1))


def _sized(model: StarModel, sigma: float) -> StarModel:
    """Footprints and cores by the heights and the profile as they are now."""
    table = profile_table(model.rho, model.profile)
    height = model.peak.mean(axis=1)
    largest = np.minimum(LARGEST / (model.fwhm * np.sqrt(model.elongation)), FARTHEST)
    edge = np.minimum(edges(table, height * model.wings, FAINT * sigma, 2.0), largest)
    core = np.minimum(edges(table, height, HIDES * sigma, 0.75), 0.6 * edge)
    return model.replaced(edge=edge, core=core)
