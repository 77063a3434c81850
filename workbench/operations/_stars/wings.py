"""The wings of the field's profile, as its brightest stars show them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.stars.moffat import moffat_gamma, moffat_profile
from workbench.measure.statistics import MAD_TO_SIGMA, count_below, weighted_median
from workbench.operations._stars.cutout import VALUES, cut_star, neighbor_lists
from workbench.operations._stars.star_model import STEP, StarModel, edges, profile_table

__all__ = ["FARTHEST", "LARGEST", "moffat_nodes", "ring_means", "with_wings"]

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
Table = NDArray[np.float32]
Planes = NDArray[np.float32]
Coverage = NDArray[np.uint8]

#: Largest footprint radius in pixels.
LARGEST = 128.0
#: Largest footprint radius in FWHM: the end of the profile.
FARTHEST = 40.0

_RINGS = np.concatenate([[0.0], np.geomspace(0.55, FARTHEST, 28)])
_PROFILE_STARS = 400  #: brightest ones that tell the profile
#: Share to which neighbors' light is known.
_KNOWN = 0.1


def moffat_nodes(alpha: float, channels: int) -> tuple[Floats, Floats]:
    """Nodes in FWHM, and the Moffat profile of unit FWHM and height there, (K, C)."""
    rho = np.concatenate([np.arange(0, 1.2, 0.08), np.geomspace(1.2, FARTHEST, 33)])
    gamma = moffat_gamma(1.0, alpha)
    height = moffat_profile(rho, gamma, alpha) / moffat_profile(0.0, gamma, alpha)
    return rho, np.repeat(height[:, None], channels, axis=1)


@kernel
def _rings(
    planes: Planes, coverage: Coverage, which: Index, x: Floats, y: Floats, form: Floats, half: Floats, peak: Floats,
    limit: Floats, edge: Floats, core: Floats, wings: Floats, radius: Floats, table: Table, start: Index, found: Index,
    bounds: Floats, far: Floats, sums: Floats, counts: Floats,
) -> None:  # fmt: skip
    for s in range(which.size):
        i = which[s]
        near = found[start[i] : start[i + 1]]
        rows = cut_star(
            planes, coverage, i, far[s], half[i], x, y, form, peak, limit, edge, core, wings, radius, table, near
        )
        for k in range(rows.shape[0]):
            ring = count_below(bounds, bounds.size, rows[k, 2], False) - 1
            if 0 <= ring < bounds.size - 1:
                counts[s, ring] += 1.0
                sums[s, ring, planes.shape[0]] += rows[k, 3]
                for c in range(planes.shape[0]):
                    sums[s, ring, c] += rows[k, VALUES + c]


def ring_means(
    planes: Planes, coverage: Coverage, model: StarModel, which: Index, bounds: Floats, far: Floats
) -> tuple[Floats, Floats]:
    """Mean light in rings around the stars ``which`` without their neighbors' light.

    Returns
    -------
    means : ndarray, shape (n, rings, C + 1)
        Last, the neighbors' light that was taken away, mean over channels. NaN where a ring has no pixel.
    counts : ndarray, shape (n, rings)
    """
    half = np.zeros(len(model))
    half[which] = far * model.fwhm[which] * np.sqrt(model.elongation[which])
    start, found = neighbor_lists(model, half)
    sums = np.zeros((which.size, bounds.size - 1, model.channels + 1))
    counts = np.zeros((which.size, bounds.size - 1))
    _rings(
        planes, coverage, which, model.x, model.y, model.form, half, model.peak, model.limit, model.edge, model.core,
        model.wings, model.radius, profile_table(model.rho, model.profile), start, found, bounds, far, sums, counts,
    )  # fmt: skip
    with np.errstate(invalid="ignore", divide="ignore"):
        return sums / counts[:, :, None], counts


def with_wings(
    planes: Planes, coverage: Coverage, model: StarModel, flat: NDArray[np.bool_], sigma: float
) -> StarModel:
    """The profile's wings from the brightest stars.

    Differences of neighboring rings, over the star's height, are free of the level of the ground; their weighted
    median over stars is summed from the outside inwards. It never rises, by construction.
    """
    height = model.peak.mean(axis=1)
    which = np.argsort(-height, kind="stable")[:_PROFILE_STARS]
    which = np.sort(which[height[which] > 60 * sigma])
    if which.size < 5:
        return model
    first = profile_table(model.rho, np.maximum(model.profile, moffat_nodes(2.0, model.channels)[1] * 2e-3))
    far = np.minimum(edges(first, height[which], 0.05 * sigma, 4.0), LARGEST / model.fwhm[which])
    means, counts = ring_means(planes, coverage, model, which, _RINGS, far)
    means, beside = means[:, :, :-1], np.nan_to_num(means[:, :, -1])
    drop = (means[:, :-1] - means[:, 1:]) / np.maximum(model.peak[which], 1e-12)[:, None, :]
    bad = (counts[:, :-1] < 4) | (counts[:, 1:] < 4)
    # The flat top of a saturated star says nothing: skip rings where the model exceeds half of what is recorded.
    table = profile_table(model.rho, model.profile)
    at = np.minimum((_RINGS[:-1] / STEP).astype(int), len(table) - 1)
    hidden = (
        table[at].mean(axis=1)[None, :] * height[which][:, None]
        > 0.5 * np.where(flat[which], model.limit[which].min(axis=1), np.inf)[:, None]
    )
    bad |= hidden[:, :-1]
    middle = np.sqrt(np.maximum(_RINGS[:-1], 0.3) * _RINGS[1:])
    before = _interp_log(middle, model.rho, model.profile)
    expected = np.diff(-before, axis=0)
    halo = np.diff(-_interp_log(middle, *moffat_nodes(2.0, model.channels)), axis=0)
    doubt = expected + 0.05 * halo  # how far real wings may lie from the profile so far
    # A saturated star's height rests on these very wings: it may tell the far ones, where others have drowned.
    noise = sigma * np.sqrt(1 / np.maximum(counts[:, :-1], 1) + 0.1) / np.maximum(height[which], 1e-12)[:, None]
    unsure = np.where(flat[which], 0.3, 0.03)[:, None] * expected.mean(axis=1)[None, :]
    # Neighbors were taken away with this same profile: in a dense group an error of it feeds itself.
    blended = _KNOWN * np.maximum(beside[:, :-1], beside[:, 1:]) / np.maximum(height[which], 1e-12)[:, None]
    weight = np.where(bad, 0.0, 1.0 / (noise**2 + unsure**2 + blended**2))
    drops = expected.copy()
    for c in range(model.channels):
        seen, error = _column_medians(drop[:, :, c], weight, blended)
        share = doubt[:, c] ** 2 / (doubt[:, c] ** 2 + error**2)
        drops[:, c] = np.maximum(expected[:, c] + np.where(share > 0, share * (seen - expected[:, c]), 0.0), 0.0)
    rings = np.concatenate([np.cumsum(drops[::-1], axis=0)[::-1], np.zeros((1, model.channels))])
    rings += before[-1]
    return model.replaced(profile=_corrected(model, middle, rings / before))


def _interp_log(at: Floats, rho: Floats, profile: Floats) -> Floats:
    logs = [np.interp(np.log1p(4 * at**2), np.log1p(4 * rho**2), np.log(np.maximum(c, 1e-30))) for c in profile.T]
    return np.asarray(np.exp(np.stack(logs, axis=1)))


def _corrected(model: StarModel, middle: Floats, ratio: Floats) -> Floats:
    """The profile times a correction that leaves the core (below 0.8 FWHM) as it is."""
    inside = middle < 0.8
    ratio = np.where(inside[:, None], 1.0, np.clip(ratio, 0.02, 100.0))
    logs = np.stack([np.interp(model.rho, middle, np.log(r)) for r in ratio.T], axis=1)
    new = model.profile * np.exp(logs)
    return np.asarray(np.minimum.accumulate(new, axis=0))


def _column_medians(values: Floats, weight: Floats, shared: Floats) -> tuple[Floats, Floats]:
    """Weighted median of each column and its error; (0, inf) with less than three values.

    The error holds the scatter, and the part ``shared`` by all values, which no number of them averages out.
    """
    out, error = np.zeros(values.shape[1]), np.full(values.shape[1], np.inf)
    for k in range(values.shape[1]):
        known = (weight[:, k] > 0) & np.isfinite(values[:, k])
        if np.count_nonzero(known) < 3:
            continue
        v, w = values[known, k], weight[known, k]
        w = np.minimum(w, 0.34 * w.sum())
        out[k] = weighted_median(v, w)
        error[k] = MAD_TO_SIGMA * weighted_median(np.abs(v - out[k]), w) * np.sqrt(np.sum(w**2)) / np.sum(w)
        error[k] = np.hypot(error[k], np.sum(w * shared[known, k]) / np.sum(w))
    return out, error
