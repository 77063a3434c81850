"""A network that was trained to take noise away, against ``Denoise``, on scenes drawn by GalSim and on pure noise.

    torchrun --nproc_per_node 2 -m workbench.learned.training.train --target clean --minutes 25 --out FOLDER
    python benchmarks/denoise_learned.py FOLDER/network.onnx

Gain is the mean squared error of the stack over that of the result, in dB: of the sky, of objects (1.5 times the noise
and more), of stars (5 and more) and of faint light of stars (1 to 10). ``kept`` is the light that lone stars of 4 to 10
times the noise keep. Pure noise is white, or smoothed as aligning smooths it: what is left of it, RMS and largest, in
units of the noise. A network would be offered only where it is better in every column of every scene, keeps 95 % and
leaves no more than 0.1, and nowhere more than 1, of pure noise.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import onnxruntime

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from independent.scenes import Grain, Optics, Plan, Scene, make_scene

from workbench import Denoise, Recipe, Stack
from workbench.measure.background.sky import common_level
from workbench.measure.noise import noises

SHAPE = (400, 600)
COMMON = {"shape": SHAPE, "stars": 350, "height": 0.05}
PLANS = {
    "plain": Plan(seed=911, **COMMON),
    "sharp stars": Plan(seed=912, optics=Optics(fwhm=(1.3,) * 3), **COMMON),
    "gray": Plan(seed=920, optics=Optics(fwhm=(1.6,) * 3), channels=1, **COMMON),
    "demosaiced nebula": Plan(
        seed=915, optics=Optics(fwhm=(2.6,) * 3), grain=Grain("demosaic bilinear"), objects=("emission",),
        brightness=40.0, **COMMON,
    ),
    "bright nebula": Plan(seed=916, objects=("emission",), brightness=200.0, **COMMON),
    "galaxies": Plan(seed=917, objects=("galaxy", "small galaxies"), brightness=100.0, **COMMON),
    "dust": Plan(seed=918, objects=("dust",), brightness=15.0, **COMMON),
    "tails": Plan(seed=919, grain=Grain(tails=0.03), **COMMON),
    "dense": Plan(seed=921, shape=SHAPE, stars=2500, cluster=0.3, height=0.05),
}  # fmt: skip
KERNELS = {"white": [1.0], "aligned": [0.25, 0.5, 0.25], "coarse": [0.05, 0.25, 0.4, 0.25, 0.05]}
Method = Callable[[np.ndarray], np.ndarray]


def by_network(path: Path) -> Method:
    session = onnxruntime.InferenceSession(str(path))

    def run(pixels: np.ndarray) -> np.ndarray:
        planes = np.ascontiguousarray(np.moveaxis(pixels, 2, 0))
        sigma = np.array([n.sigma for n in noises(planes, None)], np.float32)[:, None, None]
        level = np.array([common_level(p, None) for p in planes], np.float32)[:, None, None]
        seen = np.broadcast_to((planes - level) / sigma, (3, *planes.shape[1:]))
        made = session.run(None, {"recorded": np.ascontiguousarray(seen[None], np.float32)})[0][0]
        made = made if len(planes) == 3 else made.mean(axis=0, keepdims=True)
        return np.moveaxis(made * sigma + level, 0, 2)

    return run


def classical(pixels: np.ndarray) -> np.ndarray:
    return Recipe([Denoise()]).run(Stack.from_array(pixels), progress=False).image.pixels


def judged(scene: Scene, made: np.ndarray) -> str:
    clean, floor = np.minimum(scene.clean, 1), np.median(scene.noise, axis=(0, 1))
    before, after = ((p - clean) / scene.noise for p in (scene.stack.pixels, made))
    objects, stars = ((p / floor).max(axis=2) for p in (scene.objects, scene.stars))
    kinds = {
        "sky": (objects < 0.5) & (stars < 0.3),
        "objects": (objects > 1.5) & (stars < 0.3),
        "stars": stars > 5,
        "faint": (stars > 1) & (stars < 10),
    }
    row = ""
    for kind in kinds.values():
        gain = 10 * np.log10((before[kind] ** 2).mean() / (after[kind] ** 2).mean()) if kind.sum() > 100 else np.nan
        row += f"{gain:8.2f}"
    return row + f"{np.mean(kept(scene, after)):7.3f}"


def kept(scene: Scene, after: np.ndarray) -> list[float]:
    """Light that each lone star of 4 to 10 times the noise keeps, by its own profile."""
    table, shares = scene.table, []
    bright = table.peak > 20
    for x, y, peak in zip(table.x, table.y, table.peak, strict=True):
        col, row = int(x), int(y)
        inside = 12 < x < SHAPE[1] - 12 and 12 < y < SHAPE[0] - 12
        if 4 <= peak <= 10 and inside and np.hypot(table.x[bright] - x, table.y[bright] - y).min() > 14:
            box = np.s_[row - 6 : row + 7, col - 6 : col + 7]
            light = scene.stars[box]
            shares.append(1 + float((light * after[box] * scene.noise[box]).sum() / (light**2).sum()))
    return shares


def noise_left(method: Method, kernel: list[float]) -> str:
    white = np.random.default_rng(3).normal(size=(600, 600, 3)).astype(np.float32)
    taps = np.array(kernel)
    noise = cv2.sepFilter2D(white, -1, taps, taps) / (taps**2).sum()
    left = (method((0.05 + 1e-3 * noise).astype(np.float32)) - 0.05) / 1e-3
    return f"{left.std():8.3f}{np.abs(left - left.mean()).max():8.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("network", type=Path)
    methods: dict[str, Method] = {"Denoise": classical, "network": by_network(parser.parse_args().network)}
    print(f"{'scene':18} {'method':9}     sky objects   stars   faint   kept")
    for name, plan in PLANS.items():
        scene = make_scene(plan)
        for method, run in methods.items():
            print(f"{name:18} {method:9}{judged(scene, run(scene.stack.pixels))}", flush=True)
    print("\npure noise         method        rms largest")
    for name, kernel in KERNELS.items():
        for method, run in methods.items():
            print(f"{name:18} {method:9}{noise_left(run, kernel)}", flush=True)


if __name__ == "__main__":
    main()
