"""The pixels of the color operations: tile kernels, and the plain numpy forms that say what they compute.

The simple kernels change planes in place: with input and output apart a compiler must allow for their overlapping,
and where they do (the usual case here) it takes the slow way, three times slower.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations.colorspace import (
    LAB_TO_ROOTS,
    LMS_TO_RGB,
    ROOTS_TO_LAB,
    linear_to_oklab,
    oklab_to_linear,
    srgb_decode,
    srgb_encode,
)
from workbench.operations.rows import encode_into, linear_and_roots

__all__ = [
    "calibrate",
    "calibrate_reference",
    "limit_green",
    "limit_green_reference",
    "saturate",
    "saturate_reference",
]

Planes = NDArray[np.float32]
Doubles = NDArray[np.float64]
f32 = np.float32
_ONE, _TWO, _THREE, _ZERO, _TINY = f32(1), f32(2), f32(3), f32(0), f32(1e-30)
(_B00, _B01, _B02), (_B10, _B11, _B12), (_B20, _B21, _B22) = ROOTS_TO_LAB.astype(f32)
(_, _C01, _C02), (_, _C11, _C12), (_, _C21, _C22) = LAB_TO_ROOTS.astype(f32)
(_D00, _D01, _D02), (_D10, _D11, _D12), (_D20, _D21, _D22) = LMS_TO_RGB.astype(f32)


@kernel
def calibrate(planes: Planes, sky: Planes, gain: Planes, clip: Planes, near: Any) -> None:
    """Multiply what lies above the sky by a gain per channel, in place; pixels at the clip level become neutral.

    Parameters
    ----------
    planes : ndarray, shape (3, h, w), float32
    sky, gain, clip : ndarray, shape (3,), float32
        Sky level, gain, and the value at which the channel's record ends.
    near : float32
        Share of the clip level from which neutral begins to be mixed in; 1/16 below the clip level it is complete.
    """
    _, h, w = planes.shape
    s0, s1, s2 = sky[0], sky[1], sky[2]
    g0, g1, g2 = gain[0], gain[1], gain[2]
    c0, c1, c2 = _ONE / clip[0], _ONE / clip[1], _ONE / clip[2]
    slope = _ONE / (f32(0.9375) - near)
    for y in range(h):
        for x in range(w):
            r, g, b = planes[0, y, x], planes[1, y, x], planes[2, y, x]
            t = min(max((max(r * c0, g * c1, b * c2) - near) * slope, _ZERO), _ONE)
            t = t * t * (_THREE - _TWO * t)
            r, g, b = (r - s0) * g0, (g - s1) * g1, (b - s2) * g2
            top = max(r, g, b)
            planes[0, y, x] = s0 + r + t * (top - r)
            planes[1, y, x] = s1 + g + t * (top - g)
            planes[2, y, x] = s2 + b + t * (top - b)


def calibrate_reference(src: NDArray[Any], sky: Any, gain: Any, clip: Any, near: float) -> Doubles:
    """What `calibrate` computes, in double precision."""
    sky, gain, clip = (np.asarray(v, np.float64)[:, None, None] for v in (sky, gain, clip))
    t = np.clip(((src / clip).max(axis=0) - near) / (0.9375 - near), 0, 1)
    t = t * t * (3 - 2 * t)
    light = (src - sky) * gain
    result: Doubles = sky + light + t * (light.max(axis=0) - light)
    return result


@kernel
def limit_green(planes: Planes, sky: Planes, amount: Any, threshold: Any) -> None:
    """Take down, in place, green that exceeds the larger of red and blue by more than noise.

    Parameters
    ----------
    planes : ndarray, shape (3, h, w), float32
    sky : ndarray, shape (3,), float32
    amount : float32
        Share of the excess that goes, 0 to 1.
    threshold : float32
        Excess at which half of that share goes.
    """
    _, h, w = planes.shape
    s0, s1, s2 = sky[0], sky[1], sky[2]
    square = max(threshold * threshold, _TINY)
    for y in range(h):
        for x in range(w):
            g = planes[1, y, x]
            excess = max((g - s1) - max(planes[0, y, x] - s0, planes[2, y, x] - s2), _ZERO)
            planes[1, y, x] = g - amount * excess * (excess * excess / (excess * excess + square))


def limit_green_reference(src: NDArray[Any], sky: Any, amount: float, threshold: float) -> Doubles:
    """What `limit_green` computes, in double precision."""
    light = src.astype(np.float64) - np.asarray(sky, np.float64)[:, None, None]
    excess = np.maximum(light[1] - np.maximum(light[0], light[2]), 0)
    out = src.astype(np.float64)
    out[1] -= amount * excess * (excess**2 / (excess**2 + max(threshold**2, 1e-30)))
    return out


@kernel
def _scale_chroma(rgb: Planes, roots: Planes, factor: Any, start: Any, rise: Any, noise: Any) -> None:
    """Scale the Oklab chroma of one row of linear pixels (3, w), in place, no further than the range 0..1 allows.

    Only the change is computed: with u the cube root of a cone response and d what more chroma adds to it, the
    response changes by ``(u + d)^3 - u^3 = d (3 u^2 + 3 u d + d^2)``. So rounding is small beside the change, and a
    pixel that should stay does stay.
    """
    for x in range(rgb.shape[1]):
        r, g, b = rgb[0, x], rgb[1, x], rgb[2, x]
        u0, u1, u2 = roots[0, x], roots[1, x], roots[2, x]
        p = _B10 * u0 + _B11 * u1 + _B12 * u2
        q = _B20 * u0 + _B21 * u1 + _B22 * u2
        t = min(max((_B00 * u0 + _B01 * u1 + _B02 * u2 - start) * rise, _ZERO), _ONE)
        square = p * p + q * q
        more = factor * (t * t * (_THREE - _TWO * t)) * (square / (square + noise))
        dr, dg, db, k = _ZERO, _ZERO, _ZERO, _ONE
        # Toward the target, stop where a channel reaches 0 or 1. The way is slightly bent in linear light, so the
        # first answer gives the chroma to aim at, and the second what still exceeds.
        for _ in range(2):
            more = more * k
            d0 = more * (_C01 * p + _C02 * q)
            d1 = more * (_C11 * p + _C12 * q)
            d2 = more * (_C21 * p + _C22 * q)
            d0 = d0 * (_THREE * u0 * (u0 + d0) + d0 * d0)
            d1 = d1 * (_THREE * u1 * (u1 + d1) + d1 * d1)
            d2 = d2 * (_THREE * u2 * (u2 + d2) + d2 * d2)
            dr = _D00 * d0 + _D01 * d1 + _D02 * d2
            dg = _D10 * d0 + _D11 * d1 + _D12 * d2
            db = _D20 * d0 + _D21 * d1 + _D22 * d2
            kr = (_ONE - r if dr > _ZERO else r) / max(abs(dr), _TINY)
            kg = (_ONE - g if dg > _ZERO else g) / max(abs(dg), _TINY)
            kb = (_ONE - b if db > _ZERO else b) / max(abs(db), _TINY)
            k = min(kr, kg, kb, _ONE)
        rgb[0, x], rgb[1, x], rgb[2, x] = r + k * dr, g + k * dg, b + k * db


@kernel
def saturate(src: Planes, amount: Any, start: Any, rise: Any, noise: Any, out: Planes) -> None:
    """Scale the Oklab chroma of sRGB-encoded pixels by ``amount``, less where there is only noise.

    Parameters
    ----------
    src, out : ndarray, shape (3, h, w), float32
        Display values 0..1; values outside are clipped.
    amount : float32
        Factor on the chroma.
    start, rise : float32
        Lightness from which the factor begins to act, and one over the lightness over which it comes to full.
    noise : float32
        Square of the chroma at which half the factor acts.
    """
    _, h, w = src.shape
    rgb = np.empty((3, w), np.float32)
    roots = np.empty((3, w), np.float32)
    for y in range(h):
        linear_and_roots(src, y, rgb, roots)
        _scale_chroma(rgb, roots, amount - _ONE, start, rise, noise)
        for c in range(3):
            encode_into(rgb[c], out[c, y])


def saturate_reference(src: NDArray[Any], amount: float, start: float, rise: float, noise: float) -> Doubles:
    """What `saturate` computes, in double precision."""
    rgb = srgb_decode(np.clip(src.astype(np.float64), 0, 1))
    lab = linear_to_oklab(rgb)
    t = np.clip((lab[0] - start) * rise, 0, 1)
    square = lab[1] ** 2 + lab[2] ** 2
    more = (amount - 1) * (t * t * (3 - 2 * t)) * square / np.maximum(square + noise, 1e-30)
    step, keep = np.zeros_like(rgb), np.ones_like(more)
    for _ in range(2):
        more = more * keep
        step = oklab_to_linear(np.stack([lab[0], lab[1] * (1 + more), lab[2] * (1 + more)])) - rgb
        room = np.where(step > 0, 1 - rgb, rgb) / np.maximum(np.abs(step), 1e-30)
        keep = np.minimum(room.min(axis=0), 1)
    result: Doubles = srgb_encode(np.clip(rgb + keep * step, 0, 1))
    return result
