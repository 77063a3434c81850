"""Fitting the star model to a frame: star after star, brightest first, each with its neighbors taken away."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import inlined_kernel, kernel
from workbench.measure.blocks import in_order
from workbench.measure.statistics import MAD_TO_SIGMA, ranked
from workbench.operations._stars.cutout import VALUES, cut_star, distance, neighbor_lists, profile_at, wing_share
from workbench.operations._stars.star_model import TERMS, StarModel, profile_table
from workbench.operations.rows import copy_into

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
def _dot(a: Floats, b: Floats) -> float:
    """Sum of the products of two rows whose length is a multiple of 8, in eight parts that a processor adds at once.

    The order is written down, so the sum is the same on every processor.
    """
    s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
    for block in range(a.size // 8):
        k = np.uint64(8 * block)
        s0 += a[k] * b[k]
        s1 += a[k + np.uint64(1)] * b[k + np.uint64(1)]
        s2 += a[k + np.uint64(2)] * b[k + np.uint64(2)]
        s3 += a[k + np.uint64(3)] * b[k + np.uint64(3)]
        s4 += a[k + np.uint64(4)] * b[k + np.uint64(4)]
        s5 += a[k + np.uint64(5)] * b[k + np.uint64(5)]
        s6 += a[k + np.uint64(6)] * b[k + np.uint64(6)]
        s7 += a[k + np.uint64(7)] * b[k + np.uint64(7)]
    return ((s0 + s1) + (s2 + s3)) + ((s4 + s5) + (s6 + s7))


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
def _columns_between(rows: Floats, low: float, high: float) -> tuple[Floats, int]:
    """Columns (4 + C, m) of the pixels whose distance is at least ``low`` and below ``high``, and how many there are.

    As many zeros follow as make the columns a multiple of 8.
    """
    n = 0
    for k in range(rows.shape[0]):
        n += low <= rows[k, 2] < high
    chosen = np.zeros((rows.shape[1], -(-n // 8) * 8))
    at = 0
    for k in range(rows.shape[0]):
        if low <= rows[k, 2] < high:
            for c in range(rows.shape[1]):
                chosen[c, at] = rows[k, c]
            at += 1
    return chosen, n


@kernel
def _level_and_spread(mean: Floats, trust: Floats, count: int) -> tuple[float, float]:
    """Median of the trusted ones of ``count`` values and standard deviation by the median deviation."""
    clear, n = np.empty(count), 0
    for k in range(count):
        if trust[k] > 0.5:
            clear[n] = mean[k]
            n += 1
    if n < 8:
        for k in range(count):
            clear[k] = mean[k]
        n = max(count // 4, min(8, count))
        ranked(clear, count, n - 1)  # the darkest come first
    median = _median(clear, n)
    for k in range(n):
        clear[k] = abs(clear[k] - median)
    return median, MAD_TO_SIGMA * _median(clear, n)


@kernel
def _terms(ring: Floats, n: int, scale: float) -> Floats:
    """Terms of a surface at ``n`` pixels of a ring (6, m), with zeros behind them."""
    terms = np.zeros((TERMS, ring.shape[1]))
    one, across, down, saddle, turned, bowl = terms[0], terms[1], terms[2], terms[3], terms[4], terms[5]
    dx, dy = ring[0], ring[1]
    for k in range(n):
        u, v = dx[k] / scale, dy[k] / scale
        one[k], across[k], down[k] = 1.0, u, v
        saddle[k], turned[k], bowl[k] = u * u - v * v, 2.0 * u * v, u * u + v * v
    return terms


@kernel
def _normal_equations(terms: Floats, order: int, weight: Floats, share: Floats, a: Floats) -> None:
    """Weighted products of the first ``order`` terms to the first ones of ``a``; ``share`` is left weighted by each."""
    for p in range(order):
        own, to = terms[p], share[p]
        for k in range(weight.size):
            to[k] = weight[k] * own[k]
        for q in range(p + 1):
            a[p, q] = a[q, p] = _dot(to, terms[q])


@kernel
def _least_squares(
    ring: Floats, n: int, terms: Floats, trust: Floats, mean: Floats, expected: Floats, most: float, order: int,
    out: Floats,
) -> bool:  # fmt: skip
    """Fit the first ``order`` terms to the pixels whose mean is at ``most`` so far from what is expected.

    False, and nothing written, when there are too few.
    """
    channels = out.shape[0]
    a, b, share = np.empty((TERMS, TERMS)), np.zeros((TERMS, channels)), np.empty((order, mean.size))
    weight = np.zeros(mean.size)
    for k in range(n):
        weight[k] = trust[k] if abs(mean[k] - expected[k]) <= most else 0.0
    used = _dot(weight, terms[0])
    if used < 3.0 * order:
        return False
    _normal_equations(terms, order, weight, share, a)
    for p in range(order):
        for c in range(channels):
            b[p, c] = _dot(share[p], ring[VALUES + c])
        a[p, p] += 1e-9 * used
    if order == TERMS:
        a[TERMS - 1, TERMS - 1] += _BOWL
    _solve(a, b, order)
    for c in range(channels):
        for p in range(TERMS):
            out[c, p] = b[p, c]
    return True


@kernel
def _mean_surface(terms: Floats, order: int, ground: Floats, expected: Floats) -> None:
    """Mean over channels of the surface ``ground`` at the pixels of a ring, to ``expected``."""
    expected[:] = 0.0
    for t in range(order):
        level, own = 0.0, terms[t]
        for c in range(ground.shape[0]):
            level += ground[c, t] / ground.shape[0]
        for k in range(expected.size):
            expected[k] += own[k] * level


@kernel
def _mean_and_trust(ring: Floats, n: int, sigma: float) -> tuple[Floats, Floats]:
    """Mean over channels of ``n`` pixels of a ring, and how far neighbors leave them to be trusted, 0 to 1."""
    mean, trust = np.zeros(ring.shape[1]), np.zeros(ring.shape[1])
    channels = ring.shape[0] - VALUES
    for c in range(channels):
        values = ring[VALUES + c]
        for k in range(mean.size):
            mean[k] += values[k] / channels
    beside = ring[3]
    for k in range(n):
        trust[k] = 1.0 / (1.0 + (_KNOWN * beside[k] / sigma) ** 2)
    return mean, trust


@inlined_kernel
def _fit_ground(ring: Floats, n: int, terms: Floats, order: int, sigma: float, out: Floats) -> bool:
    """Ground from ``n`` pixels of a ring: least squares, outliers and neighbors left out.

    Returns False when neighbors leave too little of the ring; ``out`` is as it was then.
    """
    channels = out.shape[0]
    mean, trust = _mean_and_trust(ring, n, sigma)
    trusted = _dot(trust, terms[0])
    if trusted < max(0.15 * n, 4.0):
        return False
    if trusted < 0.5 * n:
        # A ring that neighbors cover for the most part cannot tell a saddle or bowl, nor a slope when little is left.
        order = min(order, 3) if trusted >= 0.3 * n else 1
    median, spread = _level_and_spread(mean, trust, n)
    spread = max(spread, sigma)
    expected = np.empty(mean.size)
    expected[:] = median
    for _ in range(2):
        if not _least_squares(ring, n, terms, trust, mean, expected, 2.5 * spread, order, out):
            out[:, :] = 0.0
            for c in range(channels):
                for k in range(n):
                    expected[k] = ring[VALUES + c, k] - mean[k]
                out[c, 0] = median + _median(expected, n)
            return True
        _mean_surface(terms, order, out, expected)
    return True


@inlined_kernel
def _fit_wings(  # noqa: C901 - sums over pixels and terms
    ring: Floats, n: int, ground: Floats, own: Floats, order: int, sigma: float
) -> float:
    """How much of the field's wings ``own`` (m,) the ring shows, fitted together with the ground, mean over channels.

    1 is expected, within `_WINGS` of it: what thin evidence leaves. ``ground`` are the terms of a surface there.
    """
    size = own.size
    mean, trust = _mean_and_trust(ring, n, sigma)
    if _dot(trust, ground[0]) < max(0.5 * n, 4.0 * (order + 1)):
        return 1.0
    terms, share = np.empty((order + 1, size)), np.empty((order + 1, size))
    for p in range(order):
        copy_into(ground[p], terms[p])
    wings = terms[order]
    for k in range(size):
        wings[k] = own[k] / sigma
    apart, clear, weight, spread = np.empty(size), np.empty(n), trust.copy(), sigma
    a, b = np.empty((TERMS + 1, TERMS + 1)), np.empty((TERMS + 1, 1))
    for _ in range(3):
        _normal_equations(terms, order + 1, weight, share, a)
        for p in range(order + 1):
            b[p, 0] = _dot(share[p], mean)
        for p in range(order):
            a[p, p] += 1e-9 * n
        if order == TERMS:
            a[TERMS - 1, TERMS - 1] += _BOWL
        prior = _GRAINS * (spread / sigma / _WINGS) ** 2
        a[order, order] += prior
        b[order, 0] += prior * sigma
        _solve(a, b, order + 1)
        copy_into(mean, apart)
        for p in range(order + 1):
            found, term = b[p, 0], terms[p]
            for k in range(size):
                apart[k] -= term[k] * found
        for k in range(n):
            clear[k] = abs(apart[k])
        spread = max(MAD_TO_SIGMA * _median(clear, n), sigma)
        for k in range(size):
            weight[k] = trust[k] if abs(apart[k]) <= 2.5 * spread else 0.0
    share_of_wings: float = min(max(b[order, 0] / sigma, _LEAST_WINGS), _MOST_WINGS)
    return share_of_wings


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
    inside: Floats, n: int, c: int, clipped: bool, peak: float, limit: float, core: float, wings: float, table: Table,
    sigma: float,
) -> tuple[float, float]:  # fmt: skip
    """Height in channel ``c`` and its limit, from ``n`` pixels whose values are above the ground."""
    values, rho, beside = inside[VALUES + c], inside[2], inside[3]
    top = values[0]
    for k in range(1, n):
        top = max(top, values[k])
    if clipped:
        limit = max(top, 1e-12)
    up, down = 0.0, 0.0
    for k in range(n):
        if clipped and values[k] > 0.6 * top:
            continue
        u = profile_at(table, rho[k], c) * wing_share(rho[k], core, wings)
        expected = min(peak * u, limit)
        weight = 1.0 / (sigma * sigma + 0.01 * expected * expected + (2.0 * _KNOWN * beside[k]) ** 2)
        up += weight * u * values[k]
        down += weight * u * u
    return (max(up / down, 0.0) if down > 0.0 else peak), limit


@inlined_kernel
def _fit_star(  # noqa: C901 - loops over pixels and channels
    i: int, rows: Floats, core: float, scale: float, clipped: bool, peak: Floats, limit: Floats, wings: Floats,
    ground: Floats, table: Table, sigma: Floats, mean_sigma: float, near: Index, x: Floats, y: Floats, form: Floats,
    scales: Floats,
) -> None:  # fmt: skip
    """Fit ground and height of star ``i`` to its rows, in place."""
    channels = sigma.size
    ring, outside = _columns_between(rows, core, np.inf)
    inside, within = _columns_between(rows, 0.0, max(core, 1.0) if clipped else 1.0)
    if outside < 8 or within == 0:
        peak[i, :] = 0.0  # nothing to judge it by: it will be left as it is
        return
    order = 1 if scale < _SLOPE_FROM else (3 if scale < _CURVE_FROM else TERMS)
    # The star's own wings lie over the ring: take them away first.
    own, mean = np.zeros((channels, ring.shape[1])), np.zeros(ring.shape[1])
    for c in range(channels):
        for k in range(outside):
            own[c, k] = min(peak[i, c] * profile_at(table, ring[2, k], c), limit[i, c])
            mean[k] += own[c, k] / channels
    terms = _terms(ring, outside, scale)
    wings[i] = _fit_wings(ring, outside, terms, mean, order, mean_sigma)
    for k in range(outside):
        ring[3, k] += _OWN * wings[i] * mean[k]
    for c in range(channels):
        for k in range(outside):
            ring[VALUES + c, k] -= wings[i] * own[c, k]
    known = _fit_ground(ring, outside, terms, order, mean_sigma, ground[i])
    if not known and not _borrow_ground(i, near, x, y, form, scales, peak, table, ground):
        ground[i, :, :] = 0.0
        n = max(outside // 4, 1)
        for c in range(channels):
            values = ring[VALUES + c, :outside].copy()
            ranked(values, outside, n - 1)  # the darkest quarter comes first
            ground[i, c, 0] = _median(values, n)
    at = _terms(inside, within, scale)
    for c in range(channels):
        for t in range(TERMS):
            for k in range(within):
                inside[VALUES + c, k] -= at[t, k] * ground[i, c, t]
    for c in range(channels):
        peak[i, c], limit[i, c] = _fit_height(
            inside, within, c, clipped, peak[i, c], limit[i, c], core, wings[i], table, sigma[c]
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
