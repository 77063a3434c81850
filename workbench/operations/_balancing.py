"""Color balance by range of lightness: the tile kernel, and the plain numpy form that says what it computes."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations._lightness import within_range, within_range_reference
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

__all__ = ["balance", "balance_reference", "range_weights"]

Planes = NDArray[np.float32]
Doubles = NDArray[np.float64]
f32 = np.float32
_ONE, _TWO, _THREE, _ZERO = f32(1), f32(2), f32(3), f32(0)
#: Share of the way from the middle to black, and to white, that belongs to the shadows, or the highlights, alone.
_PURE = 0.3
_B00, _B01, _B02 = ROOTS_TO_LAB[0].astype(f32)
(_, _C01, _C02), (_, _C11, _C12), (_, _C21, _C22) = LAB_TO_ROOTS.astype(f32)
(_D00, _D01, _D02), (_D10, _D11, _D12), (_D20, _D21, _D22) = LMS_TO_RGB.astype(f32)


def range_weights(lightness: NDArray[Any], middle: float) -> Doubles:
    """Share of a lightness in shadows, midtones and highlights: (3, ...), each smooth, together 1 everywhere."""

    def rise(start: float, end: float) -> Doubles:
        t = np.clip((np.asarray(lightness, np.float64) - start) / (end - start), 0, 1)
        return np.asarray(t * t * (3 - 2 * t))

    out_of_shadow, into_light = rise(_PURE * middle, middle), rise(middle, 1 - _PURE * (1 - middle))
    return np.stack([1 - out_of_shadow, out_of_shadow - into_light, into_light])


@kernel
def balance(src: Planes, red: Planes, yellow: Planes, middle: Any, out: Planes) -> None:
    """Move the Oklab color of sRGB-encoded pixels by an amount for each range of lightness; lightness stays.

    Parameters
    ----------
    src, out : ndarray, shape (3, h, w), float32
        Display values 0..1; values outside are clipped.
    red, yellow : ndarray, shape (3,), float32
        How far the color of shadows, midtones and highlights moves along a and b, as a share of lightness.
    middle : float32
        Lightness at which midtones are alone.
    """
    _, h, w = src.shape
    rgb = np.empty((3, w), np.float32)
    roots = np.empty((3, w), np.float32)
    first, last = f32(_PURE) * middle, _ONE - f32(_PURE) * (_ONE - middle)
    up, on = _ONE / (middle - first), _ONE / (last - middle)
    for y in range(h):
        linear_and_roots(src, y, rgb, roots)
        for x in range(w):
            u0, u1, u2 = roots[0, x], roots[1, x], roots[2, x]
            light = _B00 * u0 + _B01 * u1 + _B02 * u2
            s = min(max((light - first) * up, _ZERO), _ONE)
            t = min(max((light - middle) * on, _ZERO), _ONE)
            s, t = s * s * (_THREE - _TWO * s), t * t * (_THREE - _TWO * t)
            p = light * ((_ONE - s) * red[0] + (s - t) * red[1] + t * red[2])
            q = light * ((_ONE - s) * yellow[0] + (s - t) * yellow[1] + t * yellow[2])
            d0, d1, d2 = _C01 * p + _C02 * q, _C11 * p + _C12 * q, _C21 * p + _C22 * q
            # The change of a cube from the change of its root, so that rounding is small beside the change.
            e0 = d0 * (_THREE * u0 * (u0 + d0) + d0 * d0)
            e1 = d1 * (_THREE * u1 * (u1 + d1) + d1 * d1)
            e2 = d2 * (_THREE * u2 * (u2 + d2) + d2 * d2)
            r = rgb[0, x] + _D00 * e0 + _D01 * e1 + _D02 * e2
            g = rgb[1, x] + _D10 * e0 + _D11 * e1 + _D12 * e2
            b = rgb[2, x] + _D20 * e0 + _D21 * e1 + _D22 * e2
            if max(r, g, b) > _ONE or min(r, g, b) < _ZERO:
                r, g, b = within_range(light, u0 + d0 - light, u1 + d1 - light, u2 + d2 - light)
            rgb[0, x], rgb[1, x], rgb[2, x] = r, g, b
        for c in range(3):
            encode_into(rgb[c], out[c, y])


def balance_reference(src: NDArray[Any], red: Any, yellow: Any, middle: float) -> Doubles:
    """What `balance` computes, in double precision."""
    lab = linear_to_oklab(srgb_decode(np.clip(np.asarray(src, np.float64), 0, 1)))
    weights = range_weights(lab[0], middle)
    lab[1:] += lab[0] * np.tensordot(np.asarray([red, yellow], np.float64), weights, axes=1)
    rgb = oklab_to_linear(lab)
    outside = (rgb.max(axis=0) > 1) | (rgb.min(axis=0) < 0)
    rgb = np.where(outside, within_range_reference(lab), rgb)
    return np.asarray(srgb_encode(np.clip(rgb, 0, 1)))
