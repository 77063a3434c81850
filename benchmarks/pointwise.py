"""Six pointwise steps, 24 MP RGB float32 to 16 bit: background, gain, asinh, saturation in Oklab, sRGB, quantising.

    python benchmarks/pointwise.py [--shape 4000x6000] [--repeats 5] [--single]

Ways, all from interleaved float32 to interleaved 16-bit samples, in copies of the frame:

* compiled tiles: the project's operations, one kernel each, on planar tiles pulled by two threads; Stretch and Saturate
  each encode to sRGB, so there is one decoding and one encoding more than in the numpy ways;
* numpy tiles: the same formulas, float32, every intermediate in memory that is reused, two threads;
* numpy frame: the same on the full frame in one piece (careful: in place, no temporaries that can be avoided).

Also printed: how far the results are apart, in 16-bit steps.
"""

from __future__ import annotations

import argparse
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from measuring import best, copy_seconds, machine, table

# measuring cleans the environment before numpy is loaded
import numpy as np  # isort: skip
from numpy.typing import NDArray  # isort: skip

from workbench.engine.tiles import tile_rects  # isort: skip
from workbench.operations.base import Frame, Geometry, Rect, Tile  # isort: skip
from workbench.operations.color import CalibrateColor, Saturate  # isort: skip
from workbench.operations.colorspace import LAB_TO_ROOTS, LMS_TO_RGB, RGB_TO_LMS, ROOTS_TO_LAB  # isort: skip
from workbench.operations.gradient import RemoveGradient  # isort: skip
from workbench.operations.stretch import Stretch  # isort: skip
from workbench.pixels import deinterleave, quantise16_planes  # isort: skip
from workbench.simulate import simulate  # isort: skip

f32 = np.float32
Planes = NDArray[np.float32]
PIECE = (1000, 1500)


def night(shape: tuple[int, int]) -> Planes:
    """A frame (H, W, 3): one simulated piece repeated, which is quick to make and has real values."""
    piece = simulate("lantern_nebula", shape=PIECE).stack.pixels
    times = [-(-n // m) for n, m in zip(shape, PIECE, strict=True)]
    return np.ascontiguousarray(np.tile(piece, (*times, 1))[: shape[0], : shape[1]])


def measured(planes: Planes) -> list[tuple[Any, dict[str, Any]]]:
    """The operations and their facts, measured step by step on one piece."""
    steps: list[tuple[Any, dict[str, Any]]] = []
    for op in (RemoveGradient(model="thin_plate"), CalibrateColor(), Stretch(), Saturate()):
        facts = op.measure(Frame(planes, op.takes))
        out = np.empty_like(planes)
        geometry = Frame(planes).geometry
        op.apply(Tile(planes.copy(), Rect(0, 0, *planes.shape[1:]), 0, geometry), op.prepare(facts, geometry), out)
        steps.append((op, facts))
        planes = out
    return steps


def over_tiles(shape: tuple[int, int], size: int, threads: int, work: Callable[[Rect], None]) -> None:
    """Call ``work`` for every tile; threads take the next tile when they are done."""
    if threads == 1:
        for rect in tile_rects(*shape, size):
            work(rect)
        return
    with ThreadPoolExecutor(threads) as pool:
        for done in [pool.submit(work, rect) for rect in tile_rects(*shape, size)]:
            done.result()


def compiled(frame: Planes, steps: list[tuple[Any, Any]], out: NDArray[np.uint16], size: int, threads: int) -> None:
    """The project's way."""
    height, width, _ = frame.shape
    geometry = Geometry(height, width, 3)
    memory = threading.local()

    def work(rect: Rect) -> None:
        if not hasattr(memory, "block"):
            memory.block = np.empty(3 * size * size, f32)
        planes = memory.block[: 3 * rect.height * rect.width].reshape(3, rect.height, rect.width)
        deinterleave(frame[rect.slices], planes)
        for op, plan in steps:
            op.apply(Tile(planes, rect, 0, geometry), plan, planes)
        quantise16_planes(planes, out[rect.slices])

    over_tiles((height, width), size, threads, work)


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

    def __init__(self, steps: list[tuple[Any, dict[str, Any]]], background: Callable[..., None]) -> None:
        _, (_, color), (stretch, tone), (saturate, chroma) = steps
        self.background = background
        self.sky, self.gains = ([f32(v) for v in color[k]] for k in ("sky", "gains"))
        self.clip = [f32(1 / v) for v in color["clip"]]
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
        self.weigh((0.2126, 0.7152, 0.0722), p, light, t)
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
        self.weigh((0.2126, 0.7152, 0.0722), p, light, t)
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


def numpy_tiles(frame: Planes, chain: Numpy, out: NDArray[np.uint16], size: int, threads: int) -> None:
    memory = threading.local()
    total = frame.shape[:2]

    def work(rect: Rect) -> None:
        if not hasattr(memory, "block"):
            memory.block = np.empty((14, size * size), f32)
        block = memory.block.reshape(-1)[: 14 * rect.height * rect.width].reshape(14, rect.height, rect.width)
        chain.run(frame[rect.slices], block[:3], block[3:], out[rect.slices], rect, total)

    over_tiles(total, size, threads, work)


def single(frame: Planes, plans: list[tuple[Any, Any]], repeats: int) -> str:
    """Nanoseconds a pixel of each step on one thread, on one tile in the cache."""
    planes, samples = np.empty((3, 512, 512), f32), np.empty((512, 512, 3), np.uint16)
    place, geometry = Rect(0, 0, 512, 512), Geometry(*frame.shape[:2], 3)
    jobs: list[tuple[str, Callable[[], Any]]] = [("to planes", lambda: deinterleave(frame[:512, :512], planes))]
    jobs += [
        (op.id, lambda op=op, plan=plan: op.apply(Tile(planes, place, 0, geometry), plan, planes)) for op, plan in plans
    ]
    jobs += [("16 bit", lambda: quantise16_planes(planes, samples)), ("copy", lambda: np.copyto(planes, planes[::-1]))]
    rows: list[list[Any]] = []
    for name, job in jobs:
        times = []
        for _ in range(20 * repeats):
            deinterleave(frame[:512, :512], planes)
            for op, plan in plans[: [j[0] for j in jobs].index(name) - 1]:
                op.apply(Tile(planes, place, 0, geometry), plan, planes)
            times.append(best(job, 1))
        rows.append([name, min(times) / 512**2 * 1e9])
    return table(["step", "ns a pixel"], rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shape", default="4000x6000")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--single", action="store_true", help="also the time of each step on one thread")
    options = parser.parse_args()
    height, width = (int(n) for n in options.shape.split("x"))
    frame = night((height, width))
    piece = np.ascontiguousarray(np.moveaxis(frame[: PIECE[0], : PIECE[1]], 2, 0))
    steps = measured(piece)
    geometry = Geometry(height, width, 3)
    facts = steps[0][1]
    facts["shape"] = [height, width]
    plans = [(op, op.prepare(found, geometry)) for op, found in steps]
    out, other = np.zeros((height, width, 3), np.uint16), np.zeros((height, width, 3), np.uint16)
    unit = copy_seconds((height, width, 3))
    print(f"{machine()}; {height} x {width}; one copy of the frame takes {1e3 * unit:.1f} ms")
    rows = []
    for size in (256, 512):
        seconds = best(lambda size=size: compiled(frame, plans, out, size, 2), options.repeats)
        rows.append([f"compiled, tiles of {size}, 2 threads", seconds, seconds / unit])
    chain = Numpy(steps, tilted)
    for size in (128, 256):
        seconds = best(lambda size=size: numpy_tiles(frame, chain, other, size, 2), options.repeats)
        rows.append([f"numpy, tiles of {size}, 2 threads", seconds, seconds / unit])
    memory = np.empty((14, height, width), f32)
    memory[...] = 0  # first touch is not counted
    seconds = best(
        lambda: chain.run(frame, memory[:3], memory[3:], other, Rect(0, 0, height, width), (height, width)),
        max(1, options.repeats // 2),
    )
    rows.append(["numpy, full frame in one piece", seconds, seconds / unit])
    print(table(["way", "seconds", "copies"], rows))
    fastest = min(r[1] for r in rows if r[0].startswith("compiled"))
    print(f"compiled against full-frame numpy: {rows[-1][1] / fastest:.1f} times faster")
    numpy_tiles(frame, Numpy(steps, painted(*plans[0])), other, 512, 2)
    apart = np.abs(out.astype(np.int32) - other)
    print(
        f"same background: up to {apart.max()} 16-bit steps apart, more than 2 in {np.mean(apart > 2):.1e} of samples"
    )
    if options.single:
        print(single(frame, plans, options.repeats))


if __name__ == "__main__":
    main()
