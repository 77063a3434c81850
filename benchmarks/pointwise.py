"""Six pointwise steps, 24 MP RGB float32 to 16 bit: background, gain, asinh, saturation in Oklab, sRGB, quantising.

    python benchmarks/pointwise.py [--shape 4000x6000] [--threads 2] [--repeats 5] [--single]

Ways, all from interleaved float32 to interleaved 16-bit samples, in copies of the frame:

* compiled tiles: the project's operations, one kernel each, on planar tiles pulled by two threads; Stretch and Saturate
  each encode to sRGB, so there is one decoding and one encoding more than in the numpy ways;
* numpy tiles: the same formulas, float32, every intermediate in memory that is reused, two threads;
* numpy frame: the same on the full frame in one piece (careful: in place, no temporaries that can be avoided).

Also printed: how far the results are apart, in 16-bit steps. Where other programs use the machine, the processor time
of a thread tells what an idle one would need.
"""

from __future__ import annotations

import argparse
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any

from measuring import best, copy_seconds, machine, table
from pointwise_numpy import Numpy, painted, tilted

# measuring cleans the environment before numpy is loaded
import numpy as np  # isort: skip
from numpy.typing import NDArray  # isort: skip

from workbench.engine.tiles import tile_rects  # isort: skip
from workbench.operations.base import Frame, Geometry, Rect, Tile  # isort: skip
from workbench.operations.color import Saturate  # isort: skip
from workbench.operations.white import CalibrateColor  # isort: skip
from workbench.operations.gradient import RemoveGradient  # isort: skip
from workbench.operations.stretch import Stretch  # isort: skip
from workbench.pixels import deinterleave, interleave, quantise16  # isort: skip
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
            memory.block, memory.picture = np.empty(3 * size * size, f32), np.empty((size, size, 3), f32)
        planes = memory.block[: 3 * rect.height * rect.width].reshape(3, rect.height, rect.width)
        deinterleave(frame[rect.slices], planes)
        for op, plan in steps:
            op.apply(Tile(planes, rect, 0, geometry), plan, planes)
        interleave(planes, memory.picture[: rect.height, : rect.width])
        quantise16(memory.picture[: rect.height, : rect.width], out[rect.slices])

    over_tiles((height, width), size, threads, work)


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
    planes, pixels, samples = (
        np.empty(s, t) for s, t in (((3, 512, 512), f32), ((512, 512, 3), f32), ((512, 512, 3), np.uint16))
    )
    place, geometry = Rect(0, 0, 512, 512), Geometry(*frame.shape[:2], 3)
    jobs: list[tuple[str, Callable[[], Any]]] = [("to planes", lambda: deinterleave(frame[:512, :512], planes))]
    jobs += [
        (op.id, lambda op=op, plan=plan: op.apply(Tile(planes, place, 0, geometry), plan, planes)) for op, plan in plans
    ]
    jobs += [("from planes", lambda: interleave(planes, pixels)), ("16 bit", lambda: quantise16(pixels, samples))]
    jobs += [("copy", lambda: np.copyto(planes, planes[::-1]))]
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
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--single", action="store_true", help="also the time of each step on one thread")
    options = parser.parse_args()
    height, width = (int(n) for n in options.shape.split("x"))
    frame = night((height, width))
    piece = np.ascontiguousarray(np.moveaxis(frame[: PIECE[0], : PIECE[1]], 2, 0))
    steps = measured(piece)
    geometry = Geometry(height, width, 3)
    steps[0] = (steps[0][0], steps[0][1].model_copy(update={"shape": (height, width)}))
    plans = [(op, op.prepare(found, geometry)) for op, found in steps]
    out, other = np.zeros((height, width, 3), np.uint16), np.zeros((height, width, 3), np.uint16)
    unit = copy_seconds((height, width, 3))
    count = options.repeats
    print(f"{machine()}; {height} x {width}; one copy of the frame takes {1e3 * unit:.1f} ms")
    rows: list[list[Any]] = []

    def timed(name: str, work: Callable[[], None], repeats: int) -> None:
        seconds, busy = [], []
        for _ in range(repeats):
            began, used = time.perf_counter(), time.process_time()
            work()
            seconds.append(time.perf_counter() - began)
            busy.append(time.process_time() - used)
        rows.append([name, min(seconds), min(seconds) / unit, min(busy) / options.threads / unit])

    for size in (256, 512):
        timed(f"compiled, tiles of {size}", partial(compiled, frame, plans, out, size, options.threads), count)
    chain = Numpy(steps, tilted)
    for size in (128, 256):
        timed(
            f"numpy, tiles of {size}", lambda size=size: numpy_tiles(frame, chain, other, size, options.threads), count
        )
    memory = np.empty((14, height, width), f32)
    memory[...] = 0  # first touch is not counted
    everything = Rect(0, 0, height, width), (height, width)
    timed("numpy, full frame", lambda: chain.run(frame, memory[:3], memory[3:], other, *everything), max(1, count // 3))
    rows[-1][3] *= options.threads  # it has one thread
    print(table(["way", "seconds", "copies", "copies of processor time a thread"], rows))
    fastest = min(r[1] for r in rows if r[0].startswith("compiled"))
    print(f"compiled against full-frame numpy: {rows[-1][1] / fastest:.1f} times faster")
    numpy_tiles(frame, Numpy(steps, painted(*plans[0])), other, 512, options.threads)
    apart = np.abs(out.astype(np.int32) - other)
    print(
        f"same background: up to {apart.max()} 16-bit steps apart, more than 2 in {np.mean(apart > 2):.1e} of samples"
    )
    if options.single:
        print(single(frame, plans, options.repeats))


if __name__ == "__main__":
    main()
