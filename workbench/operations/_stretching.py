"""The pixels of the stretch: tile kernels, and the plain numpy form that says what they compute."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.operations.colorspace import LUMINANCE, srgb_decode, srgb_encode
from workbench.operations.curves import Curve, Shoulder, bend, lift
from workbench.operations.rows import decode_row, encode_into, encode_row

__all__ = ["StretchPlan", "stretch", "stretch_reference"]

Planes = NDArray[np.float32]
f32 = np.float32
_ONE, _ZERO, _TINY = f32(1), f32(0), f32(1e-30)
_WR, _WG, _WB = (f32(w) for w in LUMINANCE)


@dataclass(frozen=True, slots=True)
class StretchPlan:
    """Everything a stretched pixel depends on besides itself.

    Attributes
    ----------
    black : ndarray, shape (C,), float32
        Value of each channel that becomes black.
    span : float
        From black to white, in the same unit, common to the channels.
    curve : Curve
    shoulder : Shoulder
    floor : float
        Normalised luminance below which the color-keeping factor stays what it is there, so that noise around
        black is not blown up.
    color : float
        1: channels scaled together; 0: each channel through the curve by itself; between: a mix of code values.
    """

    black: NDArray[np.float32]
    span: float
    curve: Curve
    shoulder: Shoulder
    floor: float
    color: float


def stretch(src: Planes, plan: StretchPlan, out: Planes) -> None:
    """Stretch planes (C, h, w) of linear light into sRGB code values 0..1; ``out`` may be ``src``."""
    p, q = (f32(v) for v in plan.curve.constants())
    knee, inverse_square = (f32(v) for v in plan.shoulder.constants())
    scale = f32(1 / plan.span)
    if src.shape[0] == 1:
        _stretch_plane(src[0], out[0], plan.black[0], scale, plan.curve.number, p, q, knee, inverse_square)
    else:
        _stretch_color(
            src, out, plan.black, scale, plan.curve.number, p, q, knee, inverse_square, f32(plan.floor), f32(plan.color)
        )


def stretch_reference(src: NDArray[Any], plan: StretchPlan) -> NDArray[np.float64]:
    """What `stretch` computes, in double precision.

    Light above black ``v``, luminance ``Y``; the curve makes of it the code value ``y`` that a gray pixel of this
    luminance gets. All channels are multiplied by ``decode(y) / Y``. A channel that would leave 0..1 draws the
    pixel toward the gray of its own luminance just far enough, so hue stays and nothing is cut.
    """
    v = (src - plan.black[:, None, None].astype(np.float64)) / plan.span
    each = plan.shoulder.forward(plan.curve.forward(np.maximum(v, 0)))
    if src.shape[0] == 1:
        alone: NDArray[np.float64] = np.clip(each, 0, 1)
        return alone
    luminance = np.tensordot(LUMINANCE, v, axes=1)
    held = np.maximum(luminance, plan.floor)
    light = srgb_decode(plan.shoulder.forward(plan.curve.forward(held)))
    rgb = v * (light / held)
    gray = np.clip(luminance * (light / held), 0, 1)
    high, low = rgb.max(axis=0), rgb.min(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        keep = np.minimum(np.where(high > 1, (1 - gray) / (high - gray), 1), np.where(low < 0, gray / (gray - low), 1))
    together = srgb_encode(np.clip(gray + keep * (rgb - gray), 0, 1))
    mixed: NDArray[np.float64] = plan.color * together + (1 - plan.color) * np.clip(each, 0, 1)
    return mixed


@kernel
def _stretch_plane(
    src: Any, out: Any, black: Any, scale: Any, number: int, p: Any, q: Any, knee: Any, inverse_square: Any
) -> None:
    h, w = src.shape
    row = np.empty(w, np.float32)
    for y in range(h):
        for x in range(w):
            row[x] = max((src[y, x] - black) * scale, _ZERO)
        lift(number, row, p, q)
        bend(row, knee, inverse_square)
        for x in range(w):
            out[y, x] = row[x]


@kernel
def _together(red: Any, green: Any, blue: Any, held: Any, light: Any) -> None:
    """Scale one row of channels from luminance ``held`` to ``light``, in place, and bring it into 0..1."""
    for x in range(held.size):
        factor = light[x] / held[x]
        r, g, b = red[x] * factor, green[x] * factor, blue[x] * factor
        gray = min(max(_WR * r + _WG * g + _WB * b, _ZERO), _ONE)
        above = max(r, g, b) - gray
        below = gray - min(r, g, b)
        # Ratios of at most 1: where a channel fits the ratio is 1.
        keep = min((_ONE - gray) / max(above, _ONE - gray, _TINY), gray / max(below, gray, _TINY))
        red[x] = gray + keep * (r - gray)
        green[x] = gray + keep * (g - gray)
        blue[x] = gray + keep * (b - gray)


@kernel
def _alone(rgb: Any, number: int, p: Any, q: Any, knee: Any, inverse_square: Any, share: Any, out: Any, y: int) -> None:
    """Each channel of a row through the curve by itself, times ``share``, into row ``y`` of ``out``."""
    row = np.empty(rgb.shape[1], np.float32)
    for c in range(3):
        for x in range(row.size):
            row[x] = max(rgb[c, x], _ZERO)
        lift(number, row, p, q)
        bend(row, knee, inverse_square)
        for x in range(row.size):
            out[c, y, x] = row[x] * share


@kernel
def _stretch_color(
    src: Any,
    out: Any,
    black: Any,
    scale: Any,
    number: int,
    p: Any,
    q: Any,
    knee: Any,
    inverse_square: Any,
    floor: Any,
    color: Any,
) -> None:
    _, h, w = src.shape
    rgb = np.empty((3, w), np.float32)
    held = np.empty(w, np.float32)
    code = np.empty(w, np.float32)
    for y in range(h):
        for x in range(w):
            r = (src[0, y, x] - black[0]) * scale
            g = (src[1, y, x] - black[1]) * scale
            b = (src[2, y, x] - black[2]) * scale
            rgb[0, x], rgb[1, x], rgb[2, x] = r, g, b
            held[x] = max(_WR * r + _WG * g + _WB * b, floor)
            code[x] = held[x]
        lift(number, code, p, q)
        bend(code, knee, inverse_square)
        decode_row(code)
        mixed = color < _ONE
        if mixed:
            _alone(rgb, number, p, q, knee, inverse_square, _ONE - color, out, y)
        _together(rgb[0], rgb[1], rgb[2], held, code)
        for c in range(3):
            if mixed:
                encode_row(rgb[c])
                for x in range(w):
                    out[c, y, x] += color * rgb[c, x]
            else:
                encode_into(rgb[c], out[c, y])
