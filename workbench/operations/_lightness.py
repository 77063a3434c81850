"""Changing how light a pixel of a picture is while its hue stays: tile kernels and their plain numpy forms.

Lightness is Oklab's (Ottosson 2020). Told as a *shade*, the display value of the gray that is as light, it lies on the
axis of a display histogram. Multiplying linear light by f multiplies L, a and b by the cube root of f, so one factor
for all channels changes lightness and keeps both hue and the ratio of chroma to lightness, without a way into Oklab and
back. What leaves the range goes toward the gray of its own lightness in Oklab, hue kept there too.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations import fastmath
from workbench.operations.colorspace import (
    LAB_TO_ROOTS,
    LMS_TO_RGB,
    RGB_TO_LMS,
    ROOTS_TO_LAB,
    linear_to_oklab,
    oklab_to_linear,
    srgb_decode,
    srgb_encode,
)
from workbench.operations.rows import decode_into, encode_row, linear_and_roots

__all__ = [
    "open_highlights",
    "open_highlights_reference",
    "relight",
    "relight_reference",
    "shade",
    "shade_reference",
    "shades",
    "through_table",
    "through_table_reference",
    "within_range",
    "within_range_reference",
]

Plane = NDArray[np.float32]
Planes = NDArray[np.float32]
Doubles = NDArray[np.float64]
f32 = np.float32
_ONE, _ZERO, _HALF = f32(1), f32(0), f32(0.5)
#: Light below which a color is not to be believed: what is lifted from there is lifted gray.
_DARK = f32(1e-5)
_COLORS = 3
#: Halvings of the chroma's share until the edge of the range is met, to a fortieth of a percent.
_HALVINGS = 12

(_A00, _A01, _A02), (_A10, _A11, _A12), (_A20, _A21, _A22) = RGB_TO_LMS.astype(f32)
_L0, _L1, _L2 = ROOTS_TO_LAB[0].astype(f32)
(_D00, _D01, _D02), (_D10, _D11, _D12), (_D20, _D21, _D22) = LMS_TO_RGB.astype(f32)
assert np.allclose(LAB_TO_ROOTS[:, 0], 1, atol=1e-6)  # a gray's three roots are its lightness


@kernel
def shade(src: Planes, out: Plane) -> None:
    """Shade of every pixel: the display value of the gray that is as light in Oklab.

    Parameters
    ----------
    src : ndarray, shape (C, h, w), float32
        Display values; those outside 0..1 are clipped.
    out : ndarray, shape (h, w), float32
        Apart from ``src``.
    """
    channels, h, w = src.shape
    if channels != _COLORS:
        for y in range(h):
            for x in range(w):
                out[y, x] = min(max(src[0, y, x], _ZERO), _ONE)
        return
    rgb = np.empty((3, w), np.float32)
    roots = np.empty((3, w), np.float32)
    for y in range(h):
        linear_and_roots(src, y, rgb, roots)
        to = out[y]
        for x in range(w):
            light = _L0 * roots[0, x] + _L1 * roots[1, x] + _L2 * roots[2, x]
            to[x] = light * light * light
        encode_row(to)


def shade_reference(src: NDArray[Any]) -> Doubles:
    """What `shade` computes, in double precision: (h, w)."""
    code = np.clip(np.asarray(src, np.float64), 0, 1)
    if len(code) != _COLORS:
        return np.asarray(code[0])
    return np.asarray(srgb_encode(linear_to_oklab(srgb_decode(code))[0] ** 3))


def shades(src: Planes) -> Plane:
    """Shade of every pixel, as `shade` gives it, in an array of its own: (h, w), float32."""
    out = np.empty(src.shape[1:], np.float32)
    shade(src, out)
    return out


@kernel
def _from_roots(v0: Any, v1: Any, v2: Any) -> Any:
    """Linear pixel of three cube roots of cone responses."""
    v0, v1, v2 = v0 * v0 * v0, v1 * v1 * v1, v2 * v2 * v2
    return (
        _D00 * v0 + _D01 * v1 + _D02 * v2,
        _D10 * v0 + _D11 * v1 + _D12 * v2,
        _D20 * v0 + _D21 * v1 + _D22 * v2,
    )


@kernel
def within_range(gray: Any, u0: Any, u1: Any, u2: Any) -> Any:
    """Linear pixel with as much chroma as the range allows at a lightness: all of it, or all but a little too much.

    ``gray`` is the lightness, to which all three roots of a gray come; ``u0 .. u2`` are the wanted roots less that.
    """
    low, high = _ZERO, _ONE
    for _ in range(_HALVINGS):
        share = _HALF * (low + high)
        r, g, b = _from_roots(gray + share * u0, gray + share * u1, gray + share * u2)
        if max(r, g, b) > _ONE or min(r, g, b) < _ZERO:
            high = share
        else:
            low = share
    return _from_roots(gray + low * u0, gray + low * u1, gray + low * u2)


@kernel
def _relit_row(rgb: Planes, before: Plane, after: Plane) -> None:
    """Bring one row of linear pixels (3, w) from one light of their gray to another, in place."""
    over = False
    for x in range(rgb.shape[1]):
        factor = after[x] / max(before[x], _DARK)
        gray = max(after[x] - factor * before[x], _ZERO) if before[x] < _DARK else _ZERO
        r, g, b = factor * rgb[0, x] + gray, factor * rgb[1, x] + gray, factor * rgb[2, x] + gray
        rgb[0, x], rgb[1, x], rgb[2, x] = r, g, b
        over |= max(r, g, b) > _ONE
    if over:
        for x in range(rgb.shape[1]):
            if max(rgb[0, x], rgb[1, x], rgb[2, x]) > _ONE:
                r, g, b = rgb[0, x], rgb[1, x], rgb[2, x]
                gray = fastmath.cbrt(after[x])
                u0 = fastmath.cbrt(_A00 * r + _A01 * g + _A02 * b) - gray
                u1 = fastmath.cbrt(_A10 * r + _A11 * g + _A12 * b) - gray
                u2 = fastmath.cbrt(_A20 * r + _A21 * g + _A22 * b) - gray
                rgb[0, x], rgb[1, x], rgb[2, x] = within_range(gray, u0, u1, u2)


@kernel
def relight(src: Planes, old: Plane, new: Plane, out: Planes) -> None:
    """Bring pixels from one shade to another; a pixel whose shade stays is not touched, to the last bit.

    Parameters
    ----------
    src, out : ndarray, shape (C, h, w), float32
        Display values; ``out`` may be ``src``.
    old, new : ndarray, shape (h, w), float32
        Shades as `shade` tells them, and as wanted, 0..1.
    """
    channels, h, w = src.shape
    if channels != _COLORS:
        for c in range(channels):
            for y in range(h):
                for x in range(w):
                    out[c, y, x] = src[c, y, x] if new[y, x] == old[y, x] else new[y, x]
        return
    rgb = np.empty((3, w), np.float32)
    before = np.empty(w, np.float32)
    after = np.empty(w, np.float32)
    for y in range(h):
        if np.array_equal(old[y], new[y]):
            out[:, y] = src[:, y]
            continue
        for c in range(3):
            decode_into(src[c, y], rgb[c])
        decode_into(old[y], before)
        decode_into(new[y], after)
        _relit_row(rgb, before, after)
        for c in range(3):
            encode_row(rgb[c])
            for x in range(w):
                out[c, y, x] = src[c, y, x] if new[y, x] == old[y, x] else rgb[c, x]


def within_range_reference(lab: NDArray[Any]) -> Doubles:
    """What `within_range` computes for Oklab planes (3, h, w), in double precision."""
    low, high = np.zeros(lab.shape[1:]), np.ones(lab.shape[1:])
    for _ in range(_HALVINGS):
        share = (low + high) / 2
        rgb = oklab_to_linear(np.stack([lab[0], share * lab[1], share * lab[2]]))
        outside = (rgb.max(axis=0) > 1) | (rgb.min(axis=0) < 0)
        low, high = np.where(outside, low, share), np.where(outside, share, high)
    return np.asarray(oklab_to_linear(np.stack([lab[0], low * lab[1], low * lab[2]])))


def relight_reference(src: NDArray[Any], old: NDArray[Any], new: NDArray[Any]) -> Doubles:
    """What `relight` computes, in double precision."""
    code = np.asarray(src, np.float64)
    same = np.asarray(old) == np.asarray(new)
    if len(code) != _COLORS:
        return np.where(same, code, new)
    before, after = (srgb_decode(np.asarray(v, np.float64)) for v in (old, new))
    factor = after / np.maximum(before, _DARK)
    rgb = factor * srgb_decode(np.clip(code, 0, 1)) + np.maximum(after - factor * before, 0)
    inside = within_range_reference(np.stack([np.cbrt(after), *linear_to_oklab(rgb)[1:]]))
    rgb = np.where(rgb.max(axis=0) > 1, inside, rgb)
    return np.where(same, code, srgb_encode(np.clip(rgb, 0, 1)))


@kernel
def through_table(values: Plane, table: NDArray[np.float32], out: Plane) -> None:
    """Values 0..1 through a curve that is given at even steps from 0 to 1, straight between them.

    Parameters
    ----------
    values, out : ndarray, shape (h, w), float32
        ``out`` may be ``values``.
    table : ndarray, shape (n,), float32
    """
    last = table.size - 1
    scale = f32(last)
    for y in range(values.shape[0]):
        for x in range(values.shape[1]):
            place = min(max(values[y, x], _ZERO), _ONE) * scale
            i = min(int(place), last - 1)
            t = place - f32(i)
            out[y, x] = table[i] + t * (table[i + 1] - table[i])


def through_table_reference(values: NDArray[Any], table: NDArray[Any]) -> Doubles:
    """What `through_table` computes, in double precision."""
    return np.interp(np.asarray(values, np.float64), np.linspace(0, 1, len(table)), np.asarray(table, np.float64))


@kernel
def open_highlights(values: Plane, base: Plane, knee: Any, top: Any, detail: Any, out: Plane) -> None:
    """Press what is lighter than the knee together, by how light its surroundings are; see the reference.

    Parameters
    ----------
    values, base, out : ndarray, shape (h, w), float32
        Shades, their surroundings, and the shades wanted.
    knee, top, detail : float32
    """
    room = _ONE - knee
    bend = room / (top - knee) - _ONE
    for y in range(values.shape[0]):
        for x in range(values.shape[1]):
            value, around = values[y, x], min(base[y, x], _ONE)
            if value <= knee or around <= knee:
                out[y, x] = value
            else:
                ratio = _ONE / (_ONE + bend * (around - knee) / room)
                above = (value - knee) / (around - knee)
                raised = fastmath.power(above, _ONE + detail * (_ONE / ratio - _ONE))
                out[y, x] = min(knee + ratio * (around - knee) * raised, value)


def open_highlights_reference(
    values: NDArray[Any], base: NDArray[Any], knee: float, top: float, detail: float
) -> Doubles:
    """What `open_highlights` computes, in double precision.

    The surroundings B above the knee k become ``k + r (B - k)``, ``r = 1 / (1 + c (B - k) / (1 - k))``, a hyperbola
    that leaves the knee with slope 1 and leads 1 to ``top``. A value v becomes ``k + r (B - k) u^p`` with ``u = (v -
    k) / (B - k)`` and ``p = 1 + detail (1 / r - 1)``: the slope at v = B is r p, 1 at full detail. No value becomes
    lighter.
    """
    value, around = np.asarray(values, np.float64), np.minimum(np.asarray(base, np.float64), 1)
    over = (value > knee) & (around > knee)
    room = np.where(over, around - knee, 1)
    ratio = 1 / (1 + ((1 - knee) / (top - knee) - 1) * room / (1 - knee))
    above = np.where(over, value - knee, 0) / room
    return np.where(over, np.minimum(knee + ratio * room * above ** (1 + detail * (1 / ratio - 1)), value), value)
