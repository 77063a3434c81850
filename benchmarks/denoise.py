"""Noise reduction against known truth and against scikit-image.

    python benchmarks/denoise.py [--shape 720x1080] [--scenes NAME ...]     gain in dB over the noisy stack
    python benchmarks/denoise.py --speed [--shape 4000x6000]                seconds against total variation
    python benchmarks/denoise.py --look FOLDER                              before / after / truth side by side

Gain is the mean squared error of the noisy stack over that of the result, in noise units and over all channels, for
three kinds of pixels told apart by the truth: *sky* (object below 0.5 and stars below 0.3 noise units), *object*
(object above 1.5, stars below 0.3) and *stars* (stars above 5). The peers work on channels in noise units and are told
the true noise; `Denoise` measures it. The wavelet peer needs PyWavelets and is left out without it.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.restoration import denoise_nl_means, denoise_tv_chambolle, denoise_wavelet

from workbench.engine.tiles import cut, tile_rects, tile_size
from workbench.operations._denoise.facts import DenoiseFacts
from workbench.operations.base import Frame, Geometry, Planes, Tile
from workbench.operations.noise import Denoise
from workbench.simulate import SCENES, Simulation, simulate

KINDS = ("sky", "object", "stars")


def run(op: Denoise, planes: Planes, facts: DenoiseFacts | None = None, threads: int = 1) -> Planes:
    """The operation over a whole frame, tile by tile."""
    facts = facts or op.measure(Frame(planes))
    channels, height, width = planes.shape
    geometry = Geometry(height, width, channels)
    reach, plan = op.reach(facts, geometry), op.prepare(facts, geometry)
    out = np.empty_like(planes)

    def one(core: Any) -> None:
        pixels = np.empty((channels, core.height + 2 * reach, core.width + 2 * reach), np.float32)
        cut(planes, core.grown(reach), pixels)
        part = np.empty((channels, core.height, core.width), np.float32)
        op.apply(Tile(pixels, core, reach, geometry), plan, part)
        out[(slice(None), *core.slices)] = part

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(one, tile_rects(height, width, tile_size(reach))))
    return out


def kinds(made: Simulation, inner: tuple[slice, slice]) -> dict[str, NDArray[np.bool_]]:
    """Pixels of each kind inside ``inner``; hot pixels belong to none."""
    truth = made.truth
    sigma = truth.noise_sigma[:, None, None]
    objects = (truth.as_recorded(truth.object_light) / sigma).max(axis=0)[inner]
    stars = (truth.as_recorded(truth.star_light) / sigma).max(axis=0)[inner]
    hot = np.zeros(made.stack.shape[:2], np.uint8)
    hot[truth.hot_pixels.y, truth.hot_pixels.x] = 1
    good = cv2.dilate(hot, np.ones((7, 7), np.uint8))[inner] == 0
    return {
        "sky": (objects < 0.5) & (stars < 0.3) & good,
        "object": (objects > 1.5) & (stars < 0.3) & good,
        "stars": (stars > 5) & good,
    }


def peers() -> dict[str, Callable[[Planes], Planes]]:
    """Denoisers of scikit-image on (C, H, W) planes in noise units."""

    def last(function: Callable[[Planes], Planes]) -> Callable[[Planes], Planes]:
        return lambda z: np.moveaxis(function(np.moveaxis(z, 0, 2)), 2, 0)

    table: dict[str, Callable[[Planes], Planes]] = {}
    if importlib.util.find_spec("pywt"):
        for method, sigma in (("BayesShrink", 2.0), ("VisuShrink", 0.5), ("VisuShrink", 1.0)):
            table[f"wavelet {method} sigma {sigma}"] = lambda z, m=method, s=sigma: np.stack(
                [denoise_wavelet(p, sigma=s, method=m, mode="soft", wavelet="sym4", rescale_sigma=False) for p in z]
            )
    for weight in (1, 2, 3, 4):
        table[f"total variation weight {weight}"] = last(
            lambda z, w=weight: denoise_tv_chambolle(z, weight=w, channel_axis=2)
        )
    for h in (0.6, 0.8, 1.0):
        table[f"non-local means h {h}"] = last(
            lambda z, h=h: denoise_nl_means(
                z, patch_size=5, patch_distance=6, h=h, sigma=1, fast_mode=True, channel_axis=2
            )
        )
    return table


def gains(made: Simulation, names: list[str] | None = None, **settings: float) -> dict[str, list[float]]:
    """Gain in dB per kind for `Denoise` and its peers."""
    truth, stack = made.truth, made.stack
    height, width, _ = stack.shape
    b = truth.borders
    inner = np.s_[b.top + 8 : height - b.bottom - 8, b.left + 8 : width - b.right - 8]
    noisy = np.ascontiguousarray(stack.planes[:, inner[0], inner[1]])
    ideal = truth.noiseless[:, inner[0], inner[1]]
    sigma = truth.noise_sigma.astype(np.float32)[:, None, None]
    masks = kinds(made, inner)
    level = np.median(noisy, axis=(1, 2), keepdims=True)
    before = ((noisy - ideal) / sigma) ** 2
    table: dict[str, list[float]] = {}

    def judge(name: str, result: Planes) -> None:
        after = ((result - ideal) / sigma) ** 2
        table[name] = [
            float(10 * np.log10(before[:, m].mean(dtype=float) / after[:, m].mean(dtype=float)))
            if m.sum() > 100
            else float("nan")
            for m in masks.values()
        ]

    judge("Denoise", run(Denoise(**settings), noisy))
    for name, peer in peers().items():
        if names is None or name in names:
            judge(name, peer((noisy - level) / sigma).astype(np.float32) * sigma + level)
    return table


def compare(scenes: list[str], shape: tuple[int, int]) -> None:
    print(f"{'scene':24s} {'method':34s}" + "".join(f"{k:>9s}" for k in KINDS) + "   dB over the noisy stack")
    for scene in scenes:
        for name, row in gains(simulate(scene, shape=shape)).items():
            print(f"{scene:24s} {name:34s}" + "".join(f"{g:9.2f}" for g in row), flush=True)


def speed(shape: tuple[int, int]) -> None:
    """Seconds for three channels on all cores against one weight of total variation, and memory copies."""
    rng = np.random.default_rng(1)
    planes = rng.normal(0.1, 1e-3, (3, *shape)).astype(np.float32)
    op = Denoise()
    small = np.ascontiguousarray(planes[:, :600, :600])
    run(op, small)
    threads = os.cpu_count() or 1
    target = np.zeros_like(planes)
    copy = min(_seconds(lambda: np.copyto(target, planes)) for _ in range(5))
    facts = op.measure(Frame(planes))
    measure = min(_seconds(lambda: op.measure(Frame(planes))) for _ in range(3))
    apply = min(_seconds(lambda: run(op, planes, facts, threads)) for _ in range(3))
    busy = time.process_time()
    run(op, planes, facts, threads)
    busy = time.process_time() - busy
    z = np.moveaxis(planes, 0, 2) * 1e3
    tv = _seconds(lambda: denoise_tv_chambolle(z, weight=2.0, channel_axis=2))
    print(f"measure {measure:.2f} s, apply {apply:.2f} s = {apply / copy:.0f} copies of the frame ({copy:.3f} s)")
    print(f"apply keeps {threads} cores busy for {busy:.2f} s in all: {busy / threads:.2f} s each if nothing else runs")
    print(f"total variation {tv:.1f} s: {tv / (measure + apply):.0f} times slower")


def _seconds(function: Callable[[], Any]) -> float:
    start = time.perf_counter()
    function()
    return time.perf_counter() - start


def look(folder: Path, scenes: list[str], shape: tuple[int, int], side: int = 300) -> None:
    """Crops at 2:1, stretched: noisy, denoised, truth; one at the frame's centre, one at a bright star."""
    folder.mkdir(parents=True, exist_ok=True)
    for scene in scenes:
        made = simulate(scene, shape=shape)
        noisy = np.ascontiguousarray(made.stack.planes)
        clean = run(Denoise(), noisy)
        sigma = made.truth.noise_sigma
        height, width = shape
        y, x = made.truth.stars.y, made.truth.stars.x
        far = (np.abs(y - height / 2) < height / 2 - side / 2 - 1) & (np.abs(x - width / 2) < width / 2 - side / 2 - 1)
        star = int(np.argmax(np.where(far, made.truth.stars.flux.max(axis=1), 0)))
        for name, (cy, cx) in {"centre": (height // 2, width // 2), "star": (int(y[star]), int(x[star]))}.items():
            box = np.s_[:, cy - side // 2 : cy + side // 2, cx - side // 2 : cx + side // 2]
            dark = np.quantile(noisy[box], 0.05, axis=(1, 2))
            views = [_shown(p[box], dark, sigma) for p in (noisy, clean, made.truth.noiseless)]
            path = folder / f"{scene}_{name}.png"
            cv2.imwrite(str(path), cv2.resize(np.hstack(views), None, fx=2, fy=2, interpolation=cv2.INTER_NEAREST))
            print(path)


def _shown(planes: Planes, dark: NDArray[np.float64], sigma: NDArray[np.float64]) -> NDArray[np.uint8]:
    t = (planes - dark[:, None, None]) / sigma[:, None, None]
    y = np.arcsinh((t + 3) / 4) / np.arcsinh(60 / 4)
    return (np.clip(np.moveaxis(y, 0, 2)[..., ::-1], 0, 1) * 255).astype(np.uint8)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shape", default=None)
    parser.add_argument("--scenes", nargs="*", default=list(SCENES))
    parser.add_argument("--speed", action="store_true")
    parser.add_argument("--look", type=Path)
    args = parser.parse_args()
    h, w = (args.shape or ("4000x6000" if args.speed else "720x1080")).split("x")
    shape = int(h), int(w)
    if args.speed:
        speed(shape)
    elif args.look:
        look(args.look, args.scenes, shape)
    else:
        compare(args.scenes, shape)


if __name__ == "__main__":
    main()
