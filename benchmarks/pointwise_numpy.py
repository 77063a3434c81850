"""Six pointwise steps in careful float32 numpy: the peer of the compiled kernels in `pointwise`."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.operations.base import Geometry, Rect, Tile
from workbench.operations.colorspace import LAB_TO_ROOTS, LMS_TO_RGB, LUMINANCE, RGB_TO_LMS, ROOTS_TO_LAB

f32 = np.float32
Planes = NDArray[np.float32]


def tilted(p: Planes, place: Rect, total: tuple[int, int]) -> None:
    """A tilted plane by broadcasting, cheaper than any real model: in favor of numpy."""
    y = np.arange(place.y0, place.y1, dtype=f32)[:, None] / f32(total[0])
    x = np.arange(place.x0, place.x1, dtype=f32)[None] / f32(total[1])
    p -= f32(1e-3) * y
    p -= f32(2e-3) * x


def painted(op: Any, plan: Any) -> Callable[..., None]:
    """The project's own background, to compare results."""

    def background(p: Planes, place: Rect, total: tuple[int, int]) -> None:
        op.apply(Tile(p, place, 0, Geometry(*total, 3)), plan, p)

    return background


class Numpy:
    """The same steps in float32 numpy, on a block of any size, with memory that is used again."""

    def __init__(self, steps: list[tuple[Any, Any]], background: Callable[..., None]) -> None:
        _, (_, color), (stretch, tone), (saturate, chroma) = steps
        self.background = background
        self.sky, self.gains = ([f32(v) for v in found] for found in (color.sky, color.gains))
        self.clip = [f32(1 / v) for v in color.clip]
        self.plan = stretch.prepare(tone, Geometry(1, 1, 3))
        self.amount, self.start, self.rise, self.noise = saturate.prepare(chroma, Geometry(1, 1, 3))

    def run(self, src: Planes, p: Planes, w: Planes, out: NDArray[np.uint16], place: Rect, total: Any) -> None:
        """Interleaved ``src`` to ``out``, through planes ``p`` (3, h, w) and working memory ``w`` (11, h, w)."""
        for c in range(3):
            np.copyto(p[c], src[:, :, c])
        self.background(p, place, total)
        self.gain(p, w)
        self.asinh(p, w[:5])
        self.saturation(p, w[:5], w[5:8], w[8:])
        for c in range(3):
            self.encode(p[c], w[0], w[1])
            np.multiply(p[c], f32(65535), out=w[0])
            np.add(w[0], f32(0.5), out=w[0])
            np.clip(w[0], f32(0), f32(65535), out=w[0])
            out[:, :, c] = w[0]

    def gain(self, p: Planes, w: Planes) -> None:
        near, top, t = w[:3]
        np.multiply(p[0], self.clip[0], out=near)
        for c in (1, 2):
            np.multiply(p[c], self.clip[c], out=t)
            np.maximum(near, t, out=near)
        near -= f32(0.75)
        near *= f32(1 / (0.9375 - 0.75))
        np.clip(near, f32(0), f32(1), out=near)
        np.multiply(near, f32(-2), out=t)
        t += f32(3)
        t *= near
        near *= t
        for c in range(3):
            p[c] -= self.sky[c]
            p[c] *= self.gains[c]
        np.maximum(p[0], p[1], out=top)
        np.maximum(top, p[2], out=top)
        for c in range(3):
            np.subtract(top, p[c], out=t)
            t *= near
            p[c] += t
            p[c] += self.sky[c]

    def asinh(self, p: Planes, w: Planes) -> None:
        light, code, a, b, t = w
        for c in range(3):
            p[c] -= self.plan.black[c]
            p[c] *= f32(1 / self.plan.span)
        self.weigh(LUMINANCE, p, light, t)
        np.maximum(light, f32(self.plan.floor), out=light)
        scale, height = (f32(v) for v in self.plan.curve.constants())
        np.multiply(light, scale, out=code)
        np.arcsinh(code, out=code)
        code *= height
        knee, inverse = (f32(v) for v in self.plan.shoulder.constants())
        room = f32(1) - knee
        np.subtract(code, knee, out=a)
        a /= room
        np.maximum(a, f32(0), out=a)
        np.multiply(a, inverse, out=b)
        b += f32(1)
        b *= a
        a += f32(1)
        b /= a
        b *= room
        np.minimum(code, knee, out=code)
        code += b
        np.minimum(code, f32(1), out=code)
        np.add(code, f32(0.055), out=a)  # decode
        a /= f32(1.055)
        np.power(a, f32(2.4), out=a)
        np.divide(code, f32(12.92), out=b)
        np.copyto(a, b, where=code <= f32(0.04045))
        a /= light
        p *= a
        self.weigh(LUMINANCE, p, light, t)
        np.clip(light, f32(0), f32(1), out=light)
        self.into_range(p, light, a, b, t)

    @staticmethod
    def weigh(weights: Any, p: Planes, out: Planes, t: Planes) -> None:
        np.multiply(p[0], f32(weights[0]), out=out)
        for c in (1, 2):
            np.multiply(p[c], f32(weights[c]), out=t)
            out += t

    @staticmethod
    def into_range(p: Planes, gray: Planes, a: Planes, b: Planes, t: Planes) -> None:
        """Toward gray as far as needed."""
        np.maximum(p[0], p[1], out=a)
        np.maximum(a, p[2], out=a)
        a -= gray
        np.subtract(f32(1), gray, out=t)
        np.maximum(a, t, out=a)
        np.maximum(a, f32(1e-30), out=a)
        np.divide(t, a, out=a)
        np.minimum(p[0], p[1], out=b)
        np.minimum(b, p[2], out=b)
        np.subtract(gray, b, out=b)
        np.maximum(b, gray, out=b)
        np.maximum(b, f32(1e-30), out=b)
        np.divide(gray, b, out=b)
        np.minimum(a, b, out=a)
        for c in range(3):
            p[c] -= gray
            p[c] *= a
            p[c] += gray
        np.clip(p, f32(0), f32(1), out=p)  # rounding

    def saturation(self, p: Planes, w: Planes, cone: Planes, step: Planes) -> None:
        lightness, more, t, u, v = w
        for c in range(3):
            self.weigh(RGB_TO_LMS[c], p, cone[c], t)
            np.cbrt(cone[c], out=cone[c])
        self.weigh(ROOTS_TO_LAB[0], cone, lightness, t)
        self.weigh(ROOTS_TO_LAB[1], cone, u, t)
        self.weigh(ROOTS_TO_LAB[2], cone, v, t)
        np.subtract(lightness, self.start, out=more)
        more *= self.rise
        np.clip(more, f32(0), f32(1), out=more)
        np.multiply(more, f32(-2), out=t)
        t += f32(3)
        t *= more
        more *= t
        np.multiply(u, u, out=t)
        t += v * v
        more *= t
        t += self.noise
        more /= t
        more *= self.amount - f32(1)
        more += f32(1)
        u *= more
        v *= more
        for c in range(3):
            np.multiply(u, f32(LAB_TO_ROOTS[c, 1]), out=cone[c])
            np.multiply(v, f32(LAB_TO_ROOTS[c, 2]), out=t)
            cone[c] += t
            cone[c] += lightness
            np.multiply(cone[c], cone[c], out=t)
            cone[c] *= t
        # One step toward the range (the compiled kernel takes two).
        more[...] = 1
        for c in range(3):
            self.weigh(LMS_TO_RGB[c], cone, step[c], t)
            step[c] -= p[c]
            np.copyto(v, p[c])
            np.subtract(f32(1), p[c], out=v, where=step[c] > 0)
            np.abs(step[c], out=t)
            np.maximum(t, f32(1e-30), out=t)
            v /= t
            np.minimum(more, v, out=more)
        step *= more
        p += step

    @staticmethod
    def encode(x: Planes, a: Planes, b: Planes) -> None:
        np.clip(x, f32(0), f32(1), out=x)
        np.power(x, f32(1 / 2.4), out=a)
        a *= f32(1.055)
        a -= f32(0.055)
        np.multiply(x, f32(12.92), out=b)
        np.copyto(a, b, where=x <= f32(0.0031308))
        np.copyto(x, a)
