"""Restoration of a tile: Richardson-Lucy towards a narrower point spread, held by total variation in units of noise.

Model of the light: a pixel less the sky, plus a pedestal P, is ``H f`` plus noise whose variance is in proportion to
it; P = sigma / shot is where the variance that does not come from the light would be zero (Snyder, Hammoud & White
1993, JOSA A 10, 1014). An iteration multiplies f by

    1 + w (c / (1 - l div(grad f / |grad f|)) - 1),    c = H^T(g / H f)

with c of Richardson (1972, JOSA 62, 55) and Lucy (1974, AJ 79, 745), the total variation of Dey et al. (2006,
Microsc. Res. Tech. 69, 260), its weight ``l = strength noise(f) / f`` so that it is the same against the noise
everywhere, and w above 1 to come sooner to where it leads.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["Blur", "ChannelPlan", "blurred", "restored", "restored_reference", "update", "update_reference"]

Plane = NDArray[np.float32]
f32 = np.float32
_ONE, _ZERO = f32(1), f32(0)
#: Least value, over the pedestal, that the restoration works with.
_LEAST = f32(0.05)
#: Least factor of an iteration.
_LEAST_FACTOR = f32(0.2)


@dataclass(frozen=True, slots=True)
class Blur:
    """A kernel as separable parts: columns and rows (k, 4 m) float32, of 4 m - 1 taps and a zero."""

    columns: Plane
    rows: Plane


@dataclass(frozen=True, slots=True)
class ChannelPlan:
    """Everything that the restoration of one channel needs.

    Attributes
    ----------
    blurs : tuple of Blur
        One where stars are equally wide all over the frame; else those of the narrowest and the widest.
    sky, sigma, pedestal : float32
        In units of the pixels.
    strength, relaxation : float32
        Of the total variation, and w.
    iterations : int
    """

    blurs: tuple[Blur, ...]
    sky: Any
    sigma: Any
    pedestal: Any
    strength: Any
    relaxation: Any
    iterations: int


@kernel
def _add_taps(r0: Plane, r1: Plane, r2: Plane, r3: Plane, taps: Plane, out: Plane) -> None:
    a, b, c, d = taps[0], taps[1], taps[2], taps[3]
    for x in range(out.size):
        out[x] += (a * r0[x] + b * r1[x]) + (c * r2[x] + d * r3[x])


@kernel
def _blur_into(plane: Plane, columns: Plane, rows: Plane, out: Plane) -> None:
    """Sum of separable filters of 4 m - 1 taps, each with a zero after them."""
    h, w = plane.shape
    parts, taps = columns.shape
    radius = taps // 2 - 1
    line = np.empty(w + taps, np.float32)
    middle = line[radius : radius + w]
    for y in range(h):
        to = out[y]
        to[:] = _ZERO
        for k in range(parts):
            middle[:] = _ZERO
            for t in range(0, taps, 4):
                i0, i1 = _folded(y + t - radius, h), _folded(y + t + 1 - radius, h)
                i2, i3 = _folded(y + t + 2 - radius, h), _folded(y + t + 3 - radius, h)
                _add_taps(plane[i0], plane[i1], plane[i2], plane[i3], columns[k, t : t + 4], middle)
            for x in range(radius):
                line[x] = middle[_folded(x - radius, w)]
            for x in range(radius + w, w + taps):
                line[x] = middle[_folded(x - radius, w)]
            for t in range(0, taps, 4):
                _add_taps(line[t:], line[t + 1 :], line[t + 2 :], line[t + 3 :], rows[k, t : t + 4], to)


@kernel
def _folded(i: int, n: int) -> int:
    """Row or column ``i`` brought into 0..n-1 by mirroring, the edge not repeated."""
    if n == 1:
        return 0
    i = abs(i) % (2 * n - 2)
    return i if i < n else 2 * n - 2 - i


def blurred(plane: Plane, blur: Blur) -> Plane:
    """A plane through a separable kernel that is the same when turned by half a turn; mirrored at its edges."""
    out = np.empty_like(plane)
    _blur_into(plane, blur.columns, blur.rows, out)
    return out


@kernel
def update(f: Plane, factor: Plane, sigma: Any, pedestal: Any, strength: Any, relaxation: Any, out: Plane) -> None:
    """One iteration's change of ``f`` by the correction ``factor``, held by total variation; see the module.

    Parameters
    ----------
    f, factor, out : ndarray, shape (h, w), float32
        ``out`` apart from both.
    sigma, pedestal, strength, relaxation : float32
    """
    h, w = f.shape
    inverse = _ONE / sigma
    per_light = sigma * sigma / pedestal
    down = np.zeros(w, np.float32)  # vertical part of the unit gradient, a row above
    across = np.empty(w, np.float32)
    for y in range(h):
        row, below = f[y], f[min(y + 1, h - 1)]
        before = down.copy()
        for x in range(w - 1):
            gx, gy = (row[x + 1] - row[x]) * inverse, (below[x] - row[x]) * inverse
            length = _ONE / np.sqrt(gx * gx + gy * gy + _ONE)
            across[x], down[x] = gx * length, gy * length
        gy = (below[w - 1] - row[w - 1]) * inverse
        across[w - 1], down[w - 1] = _ZERO, gy / np.sqrt(gy * gy + _ONE)
        left = _ZERO
        for x in range(w):
            bend = across[x] - left + down[x] - before[x]
            left = across[x]
            weight = strength * np.sqrt(per_light / row[x])
            change = factor[y, x] / (_ONE - weight * bend) - _ONE
            out[y, x] = row[x] * max(_ONE + relaxation * change, _LEAST_FACTOR)


def update_reference(
    f: NDArray[Any], factor: NDArray[Any], sigma: float, pedestal: float, strength: float, relaxation: float
) -> NDArray[np.float64]:
    """What `update` computes, in double precision; gradients are in noise of the sky, smoothed below one of it."""
    f = np.asarray(f, np.float64)
    gx = np.diff(f, axis=1, append=f[:, -1:]) / sigma
    gy = np.diff(f, axis=0, append=f[-1:]) / sigma
    length = np.sqrt(gx**2 + gy**2 + 1)
    px, py = gx / length, gy / length
    bend = np.diff(px, axis=1, prepend=0) + np.diff(py, axis=0, prepend=0)
    weight = strength * np.sqrt(sigma**2 / pedestal / f)
    change = factor / (1 - weight * bend) - 1
    return np.asarray(f * np.maximum(1 + relaxation * change, _LEAST_FACTOR))


def _seen(f: Plane, blurs: tuple[Blur, ...], share: Plane | None) -> Plane:
    """H f: the kernels' pictures mixed by the share of the second."""
    near = blurred(f, blurs[0])
    return near if share is None else np.asarray(near + share * (blurred(f, blurs[1]) - near))


def _back(ratio: Plane, blurs: tuple[Blur, ...], share: Plane | None) -> Plane:
    """H^T of a ratio: each kernel is its own transpose, being the same turned by half a turn."""
    if share is None:
        return blurred(ratio, blurs[0])
    return np.asarray(blurred(ratio * (_ONE - share), blurs[0]) + blurred(ratio * share, blurs[1]))


def restored(plane: Plane, plan: ChannelPlan, share: Plane | None = None) -> Plane:
    """A plane (h, w) float32 as it would be with narrower stars.

    Parameters
    ----------
    plane : ndarray, shape (h, w), float32
        Linear light.
    plan : ChannelPlan
    share : ndarray, shape (h, w), float32, optional
        How much of each pixel the second kernel blurs, 0..1; needed where there are two.
    """
    offset = plan.pedestal - plan.sky
    seen = np.maximum(plane + offset, _LEAST * plan.pedestal)
    f, other = seen.copy(), np.empty_like(seen)
    floor = f32(1e-3) * plan.pedestal
    for _ in range(plan.iterations):
        made = _seen(f, plan.blurs, share)
        np.maximum(made, floor, out=made)
        np.divide(seen, made, out=made)
        update(f, _back(made, plan.blurs, share), plan.sigma, plan.pedestal, plan.strength, plan.relaxation, other)
        f, other = other, f
    return np.asarray(f - offset, np.float32)


def restored_reference(plane: NDArray[Any], kernel_2d: NDArray[Any], plan: ChannelPlan) -> NDArray[np.float64]:
    """What `restored` computes with one kernel, in double precision, the kernel whole."""
    n = kernel_2d.shape[0] // 2

    def blur(values: NDArray[Any]) -> NDArray[np.float64]:
        wide = np.pad(values, n, mode="reflect")
        out = np.zeros(values.shape)
        for i, j in np.ndindex(kernel_2d.shape):
            out += kernel_2d[i, j] * wide[i : i + values.shape[0], j : j + values.shape[1]]
        return out

    p, offset = float(plan.pedestal), float(plan.pedestal) - float(plan.sky)
    seen = np.maximum(np.asarray(plane, np.float64) + offset, float(_LEAST) * p)
    f = seen.copy()
    for _ in range(plan.iterations):
        factor = blur(seen / np.maximum(blur(f), 1e-3 * p))
        f = update_reference(f, factor, float(plan.sigma), p, float(plan.strength), float(plan.relaxation))
    return np.asarray(f - offset)
