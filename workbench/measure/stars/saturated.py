"""Saturated stars: the level where they are cut, one entry for each plateau, its centre, its light from the wings."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes

__all__ = ["SATURATED", "measure_saturated", "saturation_levels", "tops"]

Floats = NDArray[np.float64]

#: A stack is in units of its white level: from here on a pixel is saturated whatever its neighbors do.
WHITE = 0.98
#: A peak is flat when its four neighbors are this close to it, as a share of its height above the sky.
_FLAT = 0.04
#: Flat peaks this close to the highest one share its plateau level.
_ALIKE = 0.03
_FEWEST = 2

#: What `measure_saturated` writes of a star; ``key`` is the same for peaks of one plateau, and -1 where there is none.
SATURATED = np.dtype([(name, np.float64) for name in ("key", "x", "y", "radius", "flux", "background", "peak")])

_LARGEST, _SPAN = 8192, 257  #: pixels of a clipped patch, and of the square that is searched for it


@kernel
def _tops(
    planes: Planes, coverage: Coverage, xs: NDArray[np.int64], ys: NDArray[np.int64], top: Floats, low: Floats
) -> None:
    channels, h, w = planes.shape
    for k in range(xs.size):
        for c in range(channels):
            v = planes[c, ys[k], xs[k]]
            m = v
            for i in range(max(ys[k] - 1, 0), min(ys[k] + 2, h)):
                for j in range(max(xs[k] - 1, 0), min(xs[k] + 2, w)):
                    if coverage.size > 0 and coverage[i, j] == 0:
                        continue
                    p = planes[c, i, j]
                    v = max(v, p)
                    if i == ys[k] or j == xs[k]:
                        m = min(m, p)
            top[k, c] = v
            low[k, c] = m


def tops(planes: Planes, coverage: Coverage, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Highest value of 3 x 3 pixels, and lowest of the middle cross, in each channel: two (N, C) arrays.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    x, y : ndarray, shape (N,)
        Columns and rows, pixel centres at integers.

    Returns
    -------
    tuple of two ndarray, each of shape (N, C)
    """
    c, h, w = planes.shape
    top, low = np.empty((x.size, c)), np.empty((x.size, c))
    xs = np.clip(np.rint(x), 0, w - 1).astype(np.int64)
    ys = np.clip(np.rint(y), 0, h - 1).astype(np.int64)
    _tops(planes, coverage, xs, ys, top, low)
    return top, low


def saturation_levels(planes: Planes, top: Floats, low: Floats, saturation: float | None) -> Floats:
    """Value of each channel from which a star counts as saturated: (C,).

    Stars cut at one level have flat tops of one height, the highest of the frame, wherever processing has put it;
    two such stars tell the level. ``saturation`` is used where it is lower, and `WHITE` in any case.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    top, low : ndarray, shape (N, C)
        As `tops` gives them.
    saturation : float or None

    Returns
    -------
    ndarray, shape (C,)
    """
    channels = planes.shape[0]
    levels = np.full(channels, WHITE if saturation is None else saturation)
    if len(top) == 0:
        return levels
    for c in range(channels):
        sky = float(np.median(planes[c, ::16, ::16]))
        flat = top[:, c] - low[:, c] < _FLAT * (top[:, c] - sky)
        heights = top[flat, c]
        if heights.size == 0:
            continue
        alike = heights >= sky + (1 - _ALIKE) * (heights.max() - sky)
        tallest = top[:, c].max()
        if np.count_nonzero(alike) >= _FEWEST and heights.max() - sky > 0.9 * (tallest - sky):
            level = float(np.median(heights[alike])) - sky
            levels[c] = min(levels[c], sky + (1 - _ALIKE) * level)
    return levels


@kernel
def _is_over(planes: Planes, levels: Floats, y: int, x: int) -> bool:
    over = False
    for c in range(planes.shape[0]):
        over = over or planes[c, y, x] >= levels[c]
    return over


@kernel
def _mean_at(planes: Planes, y: int, x: int) -> float:
    total = 0.0
    for c in range(planes.shape[0]):
        total += planes[c, y, x]
    mean: float = total / planes.shape[0]
    return mean


@kernel
def _saturated_area(
    planes: Planes,
    coverage: Coverage,
    levels: Floats,
    y: int,
    x: int,
    seen: NDArray[np.uint8],
    queue: NDArray[np.int64],
) -> tuple[int, float, float, int]:
    """Connected pixels over the level from (y, x): (first pixel's index, mean y, mean x, count)."""
    _, h, w = planes.shape
    half = _SPAN // 2
    seen[:] = 0
    key = y * w + x
    sum_y = sum_x = 0.0
    queue[0] = key
    seen[half, half] = 1
    head, tail = 0, 1
    while head < tail:
        py, px = queue[head] // w, queue[head] % w
        head += 1
        sum_y += py
        sum_x += px
        key = min(key, py * w + px)
        for dy in range(-1, 2):
            for dx in range(-1, 2):
                ny, nx = py + dy, px + dx
                sy, sx = ny - y + half, nx - x + half
                if ny < 0 or nx < 0 or ny >= h or nx >= w or sy < 0 or sx < 0 or sy >= _SPAN or sx >= _SPAN:
                    continue
                if coverage.size > 0 and coverage[ny, nx] == 0:
                    continue
                if seen[sy, sx] or tail >= _LARGEST or not _is_over(planes, levels, ny, nx):
                    continue
                seen[sy, sx] = 1
                queue[tail] = ny * w + nx
                tail += 1
    return key, sum_y / tail, sum_x / tail, tail


@kernel
def _centre(planes: Planes, coverage: Coverage, y: float, x: float, window: float, sky: float) -> tuple[float, float]:
    """Centre of the clipped light under a Gaussian window, iterated."""
    _, h, w = planes.shape
    reach = 3 * window
    y_first, x_first = y, x
    for _ in range(20):
        total = sy = sx = 0.0
        for i in range(max(int(y - reach), 0), min(int(y + reach) + 2, h)):
            for j in range(max(int(x - reach), 0), min(int(x + reach) + 2, w)):
                if coverage.size > 0 and coverage[i, j] == 0:
                    continue
                dy, dx = i - y, j - x
                weight = np.exp(-0.5 * (dy * dy + dx * dx) / (window * window))
                light = weight * (_mean_at(planes, i, j) - sky)
                total += light
                sy += light * dy
                sx += light * dx
        if not total > 0:
            break
        # The plateau is wider than a star: steps of twice the shift, as for a star, still converge.
        y += 2 * sy / total
        x += 2 * sx / total
        if abs(y - y_first) > 0.5 * window or abs(x - x_first) > 0.5 * window:
            return y_first, x_first
        if abs(sy) + abs(sx) < 1e-4 * total:
            break
    return y, x


@kernel
def _wings(
    planes: Planes,
    coverage: Coverage,
    levels: Floats,
    y: float,
    x: float,
    inner: float,
    outer: float,
    gamma: float,
    alpha: float,
) -> tuple[float, float]:
    """Flux and background by least squares of ``flux * moffat + background`` over a ring of unsaturated pixels."""
    _, h, w = planes.shape
    height = (alpha - 1) / (np.pi * gamma * gamma)
    n = 0
    s1 = sp = spp = sv = spv = 0.0
    for i in range(max(int(y - outer), 0), min(int(y + outer) + 2, h)):
        for j in range(max(int(x - outer), 0), min(int(x + outer) + 2, w)):
            r2 = (i - y) ** 2 + (j - x) ** 2
            if r2 < inner * inner or r2 > outer * outer or _is_over(planes, levels, i, j):
                continue
            if coverage.size > 0 and coverage[i, j] == 0:
                continue
            p = height * (1 + r2 / (gamma * gamma)) ** -alpha
            v = _mean_at(planes, i, j)
            n += 1
            s1 += 1.0
            sp += p
            spp += p * p
            sv += v
            spv += p * v
    det = s1 * spp - sp * sp
    if n < 8 or not det > 0:
        return np.nan, np.nan
    return (s1 * spv - sp * sv) / det, (spp * sv - sp * spv) / det


@kernel
def measure_saturated(
    planes: Planes,
    coverage: Coverage,
    levels: Floats,
    xs: Floats,
    ys: Floats,
    fwhms: Floats,
    backgrounds: Floats,
    alpha: float,
    out: NDArray[Any],
) -> None:
    """Measure the saturated star at each place (its field's FWHM and background given) into rows of `SATURATED`.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear.
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    levels : ndarray, shape (C,)
        As `saturation_levels` gives them.
    xs, ys : ndarray, shape (N,)
        Columns and rows, pixel centres at integers.
    fwhms : ndarray, shape (N,)
        In pixels.
    backgrounds : ndarray, shape (N,)
        In units of the planes.
    alpha : float
        Index of the Moffat profile.
    out : ndarray, shape (N,), of dtype `SATURATED`
        To be written.

    Notes
    -----
    Position: clipped light is as symmetric as the star, so a Gaussian window as wide as the plateau finds its centre.
    Flux: the field's Moffat profile fitted to the unsaturated wings.
    """
    seen = np.zeros((_SPAN, _SPAN), np.uint8)
    queue = np.empty(_LARGEST, np.int64)
    _, h, w = planes.shape
    for k in range(xs.size):
        x, y, fwhm, sky = xs[k], ys[k], fwhms[k], backgrounds[k]
        yi = min(max(int(np.rint(y)), 0), h - 1)
        xi = min(max(int(np.rint(x)), 0), w - 1)
        best = -1.0
        for i in range(max(yi - 1, 0), min(yi + 2, h)):
            for j in range(max(xi - 1, 0), min(xi + 2, w)):
                if coverage.size > 0 and coverage[i, j] == 0:
                    continue
                v = _mean_at(planes, i, j)
                if v > best and _is_over(planes, levels, i, j):
                    best, y, x = v, i, j
        if best < 0:
            out[k].key = -1.0
            continue
        key, cy, cx, count = _saturated_area(planes, coverage, levels, int(y), int(x), seen, queue)
        radius = np.sqrt(count / np.pi)
        gamma = fwhm / (2 * np.sqrt(2 ** (1 / alpha) - 1))
        inner, outer = radius + 1.0, radius + 3.5 * fwhm
        _, background = _wings(planes, coverage, levels, cy, cx, inner, outer, gamma, alpha)
        if np.isnan(background):
            background = sky
        cy, cx = _centre(planes, coverage, cy, cx, max(radius, fwhm / 2.355), background)
        flux, background = _wings(planes, coverage, levels, cy, cx, inner, outer, gamma, alpha)
        star = out[k]
        star.key, star.x, star.y, star.radius, star.flux = key, cx, cy, radius, flux
        star.background = sky if np.isnan(background) else background
        star.peak = best - star.background
