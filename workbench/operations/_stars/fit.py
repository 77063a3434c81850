"""Fitting the star model to a frame: star after star, brightest first, each with its neighbors taken away."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import in_order
from workbench.measure.statistics import MAD_TO_SIGMA, ranked
from workbench.operations._stars.cutout import VALUES, cut_star, distance, neighbor_lists, profile_at, wing_share
from workbench.operations._stars.star_model import TERMS, StarModel, profile_table

__all__ = ["fit_stars"]

Floats = NDArray[np.float64]
Index = NDArray[np.int64]
Table = NDArray[np.float32]
Planes = NDArray[np.float32]
Coverage = NDArray[np.uint8]

#: A neighbor's light is known to about this share where the ground is sought, and to twice that near its centre.
_KNOWN = 0.1
#: A star's own wings are known better than a neighbor's: they count this much less.
_OWN = 0.5
#: Width of the ring from which the ground is continued, in core radii. Wider rings follow nebulae less well.
_RING = 0.5
#: Pixels that it takes to believe in a bowl under the star; a slope needs none.
_BOWL = 1.0
#: How far, as a share, the wings of a star may lie from those of the field, before the ring is asked; the least and the
#: most that is believed.
_WINGS, _LEAST_WINGS, _MOST_WINGS = 0.6, 0.05, 4.0
#: Pixels that count as one, as the grain of neighbors is alike.
_GRAINS = 4.0
#: Rows of a band of stars that is fitted by itself.
_BAND = 512
#: Core radius in pixels from which the ground gets a slope, and from which a saddle and a bowl.
_SLOPE_FROM, _CURVE_FROM = 2.2, 3.0


@kernel
def _solve(a: Floats, b: Floats, k: int) -> None:
    """Solve the first ``k`` equations in place for every column of ``b``; ``a`` is positive definite."""
    for p in range(k):
        d = a[p, p]
        for q in range(p + 1, k):
            f = a[q, p] / d
            for r in range(p, k):
                a[q, r] -= f * a[p, r]
            for r in range(b.shape[1]):
                b[q, r] -= f * b[p, r]
    for p in range(k - 1, -1, -1):
        for r in range(b.shape[1]):
            s = b[p, r]
            for q in range(p + 1, k):
                s -= a[p, q] * b[q, r]
            b[p, r] = s / a[p, p]


@kernel
def surface_terms(u: float, v: float, terms: Floats) -> None:
    """Terms of a second-order surface: level, slope, saddle, bowl."""
    terms[0], terms[1], terms[2] = 1.0, u, v
    terms[3], terms[4] = u * u - v * v, 2.0 * u * v
    terms[5] = u * u + v * v


# numpy's own median, sort and selection by condition would take ten seconds to compile.


@kernel
def _median(values: Floats, n: int) -> float:
    """Median of the first ``n`` values, which are reordered."""
    upper = ranked(values, n, n // 2)
    if n % 2:
        return upper
    lower = values[0]
    for k in range(1, n // 2):
        lower = max(lower, values[k])
    median: float = 0.5 * (lower + upper)
    return median


@kernel
def _total(values: Floats) -> float:
    total = 0.0
    for k in range(values.size):
        total += values[k]
    return total


@kernel
def _rows_between(rows: Floats, low: float, high: float) -> Floats:
    """Copy of the rows of pixels whose distance is at least ``low`` and below ``high``."""
    n = 0
    for k in range(rows.shape[0]):
        n += low <= rows[k, 2] < high
    chosen = np.empty((n, rows.shape[1]))
    n = 0
    for k in range(rows.shape[0]):
        if low <= rows[k, 2] < high:
            for c in range(rows.shape[1]):
                chosen[n, c] = rows[k, c]
            n += 1
    return chosen


@kernel
def _level_and_spread(mean: Floats, trust: Floats) -> tuple[float, float]:
    """Median of the trusted values and standard deviation by the median deviation."""
    clear, n = np.empty(mean.size), 0
    for k in range(mean.size):
        if trust[k] > 0.5:
            clear[n] = mean[k]
            n += 1
    if n < 8:
        for k in range(mean.size):
            clear[k] = mean[k]
        n = max(mean.size // 4, min(8, mean.size))
        ranked(clear, mean.size, n - 1)  # the darkest come first
    median = _median(clear, n)
    for k in range(n):
        clear[k] = abs(clear[k] - median)
    return median, MAD_TO_SIGMA * _median(clear, n)


@kernel
def _least_squares(  # noqa: C901, PLR0912 - sums over rows, terms and channels
    ring: Floats, trust: Floats, mean: Floats, expected: Floats, most: float, scale: float, order: int, out: Floats
) -> bool:
    """Fit the first ``order`` terms to the ring rows whose mean is at ``most`` so far from what is expected.

    False, and nothing written, when there are too few.
    """
    channels = out.shape[0]
    a, b, terms = np.zeros((TERMS, TERMS)), np.zeros((TERMS, channels)), np.empty(TERMS)
    used = 0.0
    for k in range(ring.shape[0]):
        if abs(mean[k] - expected[k]) <= most:
            used += trust[k]
    if used < 3.0 * order:
        return False
    for k in range(ring.shape[0]):
        if not abs(mean[k] - expected[k]) <= most:
            continue
        surface_terms(ring[k, 0] / scale, ring[k, 1] / scale, terms)
        for p in range(order):
            for q in range(p + 1):
                a[p, q] += trust[k] * terms[p] * terms[q]
            for c in range(channels):
                b[p, c] += trust[k] * terms[p] * ring[k, VALUES + c]
    for p in range(order):
        for q in range(p):
            a[q, p] = a[p, q]
        a[p, p] += 1e-9 * used
    if order == TERMS:
        a[TERMS - 1, TERMS - 1] += _BOWL
    _solve(a, b, order)
    for c in range(channels):
        for p in range(TERMS):
            out[c, p] = b[p, c]
    return True


@kernel
def _mean_surface(ring: Floats, scale: float, ground: Floats, expected: Floats) -> None:
    """Mean over channels of the surface ``ground`` at the ring rows, to ``expected``."""
    terms, surface = np.empty(TERMS), np.zeros(TERMS)
    for t in range(TERMS):
        for c in range(ground.shape[0]):
            surface[t] += ground[c, t] / ground.shape[0]
    for k in range(ring.shape[0]):
        surface_terms(ring[k, 0] / scale, ring[k, 1] / scale, terms)
        expected[k] = 0.0
        for t in range(TERMS):
            expected[k] += terms[t] * surface[t]


@kernel
def _mean_and_trust(ring: Floats, sigma: float, mean: Floats, trust: Floats) -> None:
    """Mean over channels of the ring rows, and how far neighbors leave them to be trusted, 0 to 1."""
    channels = ring.shape[1] - VALUES
    for k in range(ring.shape[0]):
        mean[k] = 0.0
        for c in range(channels):
            mean[k] += ring[k, VALUES + c] / channels
        trust[k] = 1.0 / (1.0 + (_KNOWN * ring[k, 3] / sigma) ** 2)


@kernel
def _fit_ground(ring: Floats, scale: float, order: int, sigma: float, out: Floats) -> bool:
    """Ground from ring rows: least squares, outliers and neighbors left out.

    Returns False when neighbors leave too little of the ring; ``out`` is as it was then.
    """
    n, channels = ring.shape[0], out.shape[0]
    mean, trust = np.empty(n), np.empty(n)
    _mean_and_trust(ring, sigma, mean, trust)
    trusted = _total(trust)
    if trusted < max(0.15 * n, 4.0):
        return False
    if trusted < 0.5 * n:
        # A ring that neighbors cover for the most part cannot tell a saddle or bowl, nor a slope when little is left.
        order = min(order, 3) if trusted >= 0.3 * n else 1
    median, spread = _level_and_spread(mean, trust)
    spread = max(spread, sigma)
    expected = np.empty(n)
    for k in range(n):
        expected[k] = median
    for _ in range(2):
        if not _least_squares(ring, trust, mean, expected, 2.5 * spread, scale, order, out):
            out[:, :] = 0.0
            for c in range(channels):
                for k in range(n):
                    expected[k] = ring[k, VALUES + c] - mean[k]
                out[c, 0] = median + _median(expected, n)
            return True
        _mean_surface(ring, scale, out, expected)
    return True


@kernel
def _fit_wings(  # noqa: C901 - sums over rows and terms
    ring: Floats, own: Floats, scale: float, order: int, sigma: float
) -> float:
    """How much of the field's wings ``own`` (n,) the ring shows, fitted together with the ground, mean over channels.

    1 is expected, within `_WINGS` of it: what thin evidence leaves.
    """
    n = own.size
    mean, trust, apart, clear = np.empty(n), np.empty(n), np.empty(n), np.ones(n)
    _mean_and_trust(ring, sigma, mean, trust)
    if _total(trust) < max(0.5 * n, 4.0 * (order + 1)):
        return 1.0
    terms, spread = np.empty(TERMS + 1), sigma
    a, b = np.empty((TERMS + 1, TERMS + 1)), np.empty((TERMS + 1, 1))
    for _ in range(3):
        a[:], b[:] = 0.0, 0.0
        for k in range(n):
            surface_terms(ring[k, 0] / scale, ring[k, 1] / scale, terms)
            terms[order] = own[k] / sigma
            for p in range(order + 1):
                for q in range(order + 1):
                    a[p, q] += clear[k] * trust[k] * terms[p] * terms[q]
                b[p, 0] += clear[k] * trust[k] * terms[p] * mean[k]
        for p in range(order):
            a[p, p] += 1e-9 * n
        if order == TERMS:
            a[TERMS - 1, TERMS - 1] += _BOWL
        prior = _GRAINS * (spread / sigma / _WINGS) ** 2
        a[order, order] += prior
        b[order, 0] += prior * sigma
        _solve(a, b, order + 1)
        for k in range(n):
            surface_terms(ring[k, 0] / scale, ring[k, 1] / scale, terms)
            terms[order] = own[k] / sigma
            apart[k] = mean[k]
            for p in range(order + 1):
                apart[k] -= terms[p] * b[p, 0]
            clear[k] = abs(apart[k])
        spread = max(MAD_TO_SIGMA * _median(clear, n), sigma)
        for k in range(n):
            clear[k] = 1.0 if abs(apart[k]) <= 2.5 * spread else 0.0
    share: float = min(max(b[order, 0] / sigma, _LEAST_WINGS), _MOST_WINGS)
    return share


@kernel
def _borrow_ground(
    i: int, near: Index, x: Floats, y: Floats, form: Floats, scale: Floats, peak: Floats, table: Table, ground: Floats
) -> bool:
    """Give a star buried in a brighter one the brighter one's ground; False when there is none."""
    channels = peak.shape[1]
    best, light = -1, 0.0
    for j in near:
        rho = distance(form, j, x[i] - x[j], y[i] - y[j])
        there = 0.0
        for c in range(channels):
            there += peak[j, c] * profile_at(table, rho, c)
        if there > light:
            best, light = j, there
    if best < 0:
        return False
    terms = np.empty(TERMS)
    surface_terms((x[i] - x[best]) / scale[best], (y[i] - y[best]) / scale[best], terms)
    for c in range(channels):
        level = 0.0
        for t in range(TERMS):
            level += terms[t] * ground[best, c, t]
        ground[i, c, :] = 0.0
        ground[i, c, 0] = level
    return True


@kernel
def _fit_height(
    inside: Floats, c: int, clipped: bool, peak: float, limit: float, core: float, wings: float, table: Table,
    sigma: float,
) -> tuple[float, float]:  # fmt: skip
    """Height in channel ``c`` and its limit, from rows whose values are above the ground."""
    top = inside[0, VALUES + c]
    for k in range(1, inside.shape[0]):
        top = max(top, inside[k, VALUES + c])
    if clipped:
        limit = max(top, 1e-12)
    up, down = 0.0, 0.0
    for k in range(inside.shape[0]):
        value = inside[k, VALUES + c]
        if clipped and value > 0.6 * top:
            continue
        u = profile_at(table, inside[k, 2], c) * wing_share(inside[k, 2], core, wings)
        expected = min(peak * u, limit)
        weight = 1.0 / (sigma * sigma + 0.01 * expected * expected + (2.0 * _KNOWN * inside[k, 3]) ** 2)
        up += weight * u * value
        down += weight * u * u
    return (max(up / down, 0.0) if down > 0.0 else peak), limit


@kernel
def _fit_star(  # noqa: C901 - loops over rows and channels
    i: int, rows: Floats, core: float, scale: float, clipped: bool, peak: Floats, limit: Floats, wings: Floats,
    ground: Floats, table: Table, sigma: Floats, mean_sigma: float, near: Index, x: Floats, y: Floats, form: Floats,
    scales: Floats,
) -> None:  # fmt: skip
    """Fit ground and height of star ``i`` to its rows, in place."""
    channels = sigma.size
    ring = _rows_between(rows, core, np.inf)
    inside = _rows_between(rows, 0.0, max(core, 1.0) if clipped else 1.0)
    if ring.shape[0] < 8 or inside.shape[0] == 0:
        peak[i, :] = 0.0  # nothing to judge it by: it will be left as it is
        return
    order = 1 if scale < _SLOPE_FROM else (3 if scale < _CURVE_FROM else TERMS)
    # The star's own wings lie over the ring: take them away first.
    own, mean = np.empty((ring.shape[0], channels)), np.zeros(ring.shape[0])
    for k in range(ring.shape[0]):
        for c in range(channels):
            own[k, c] = min(peak[i, c] * profile_at(table, ring[k, 2], c), limit[i, c])
            mean[k] += own[k, c] / channels
    wings[i] = _fit_wings(ring, mean, scale, order, mean_sigma)
    for k in range(ring.shape[0]):
        ring[k, 3] += _OWN * wings[i] * mean[k]
        for c in range(channels):
            ring[k, VALUES + c] -= wings[i] * own[k, c]
    known = _fit_ground(ring, scale, order, mean_sigma, ground[i])
    if not known and not _borrow_ground(i, near, x, y, form, scales, peak, table, ground):
        ground[i, :, :] = 0.0
        values, n = np.empty(ring.shape[0]), max(ring.shape[0] // 4, 1)
        for c in range(channels):
            for k in range(values.size):
                values[k] = ring[k, VALUES + c]
            ranked(values, values.size, n - 1)  # the darkest quarter comes first
            ground[i, c, 0] = _median(values, n)
    terms = np.empty(TERMS)
    for k in range(inside.shape[0]):
        surface_terms(inside[k, 0] / scale, inside[k, 1] / scale, terms)
        for c in range(channels):
            for t in range(TERMS):
                inside[k, VALUES + c] -= terms[t] * ground[i, c, t]
    for c in range(channels):
        peak[i, c], limit[i, c] = _fit_height(
            inside, c, clipped, peak[i, c], limit[i, c], core, wings[i], table, sigma[c]
        )


@kernel
def _fit_all(
    which: Index, planes: Planes, coverage: Coverage, x: Floats, y: Floats, form: Floats, half: Floats, peak: Floats,
    limit: Floats, clipped: NDArray[np.bool_], edge: Floats, wings: Floats, radius: Floats, core: Floats,
    outer: Floats, scales: Floats, ground: Floats, table: Table, start: Index, found: Index, sigma: Floats,
    mean_sigma: float,
) -> None:  # fmt: skip
    for i in which:
        near = found[start[i] : start[i + 1]]
        rows = cut_star(
            planes, coverage, i, outer[i], half[i], x, y, form, peak, limit, edge, core, wings, radius, table, near
        )  # fmt: skip
        _fit_star(
            i, rows, core[i], scales[i], clipped[i], peak, limit, wings, ground, table, sigma, mean_sigma, near, x, y,
            form, scales,
        )  # fmt: skip


def fit_stars(
    planes: Planes,
    coverage: Coverage,
    model: StarModel,
    clipped: NDArray[np.bool_],
    sigma: Floats,
    wanted: NDArray[np.bool_] | None = None,
) -> StarModel:
    """One sweep over the wanted stars (default: all): new grounds and heights.

    Bands of the frame are fitted side by side: a star sees what this sweep has found of its neighbors in the same
    band, and what the last sweep found of those in others.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W), uint8, or (0, 0) for all covered
    model : StarModel
        Start values; not changed.
    clipped : ndarray, shape (N,), bool
        Saturated stars, whose upper part is left out of the fit.
    sigma : ndarray, shape (C,)
        Noise of a pixel.
    wanted : ndarray, shape (N,), bool, optional
        The other stars stay as they are.
    """
    outer = model.core + np.maximum(np.maximum(3.0 / model.fwhm, _RING * model.core), 1.2)
    half = outer * model.fwhm * np.sqrt(model.elongation)
    start, found = neighbor_lists(model, half)
    table = profile_table(model.rho, model.profile)
    band = (model.y // _BAND).astype(np.int64)
    chosen = np.arange(len(model)) if wanted is None else np.flatnonzero(wanted)
    bands = [chosen[band[chosen] == b] for b in np.unique(band[chosen])]
    mean_sigma = float(np.sqrt(np.sum(sigma**2)) / sigma.size)
    form, radius, scales = model.form, model.radius, model.core * model.fwhm

    def fitted(which: Index) -> tuple[Floats, Floats, Floats, Floats]:
        peak, limit, ground, wings = (a.copy() for a in (model.peak, model.limit, model.ground, model.wings))
        _fit_all(
            which, planes, coverage, model.x, model.y, form, half, peak, limit, clipped, model.edge, wings, radius,
            model.core, outer, scales, ground, table, start, found, sigma, mean_sigma,
        )  # fmt: skip
        return peak[which], limit[which], ground[which], wings[which]

    peak, limit, ground, wings = (a.copy() for a in (model.peak, model.limit, model.ground, model.wings))
    for which, own in zip(bands, in_order(fitted, bands), strict=True):
        peak[which], limit[which], ground[which], wings[which] = own
    return model.replaced(peak=peak, limit=limit, ground=ground, wings=wings)
