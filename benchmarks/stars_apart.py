"""Stars taken off scenes with known truth, drawn by GalSim: what is left, what is lost, and how long it takes.

    python benchmarks/stars_apart.py                    # the table
    python benchmarks/stars_apart.py --methods learned,classical --seed 7
    python benchmarks/stars_apart.py --empty            # what is made of skies without a star
    python benchmarks/stars_apart.py --time 4000x6000   # seconds and memory for a frame of this size

Columns, in units of the local noise unless they are shares:

unsat    RMS of starless minus true starless where unsaturated stars exceed the noise
sat      the same around saturated stars (7 px), where they exceed the noise
ring     lowest and highest mean of 5 x 5 pixels of that difference under unsaturated stars
flux     light in the star layer over the stars' light, unsaturated
lone     the same for lone stars of 30 to 2,000 times the noise: median, and half the range of the middle 68 %
color    how far their channels' shares lie from the true ones: median
kept     light of objects kept where no star is, over what there is
grain    finest detail of the starless layer under stars (2 sigma and more) over that of the true one there
elsewhere  RMS change where no star is (below 0.05 sigma), and the largest

``learned`` gives the grain back, ``bare`` is the same without; ``inpainted`` is biharmonic inpainting (scikit-image) in
the TRUE mask of the stars, which nobody has. Noise that is added cannot be the noise that was there, so grain given
back raises ``unsat``.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from independent.scenes import KERNELS, Grain, Optics, Plan, Scene, make_scene
from measuring import peak_memory
from scipy.spatial import cKDTree

from workbench import Recipe, Stack
from workbench.operations.layers import SplitStars

SHAPE = (480, 720)


def plans(seed: int) -> dict[str, Plan]:
    hard = Optics(fwhm=(2.0, 2.0, 2.4), diffraction=1.5, struts=4, coma=0.15)
    nebula = {"shape": SHAPE, "objects": ("emission",), "brightness": 80}
    galaxy = {"shape": SHAPE, "brightness": 150, "stars": 500}
    return {
        "emission nebula": Plan(seed=seed + 1, stars=900, **nebula),
        "sharp stars": Plan(seed=seed + 2, stars=900, optics=Optics(fwhm=(1.8,) * 3), **nebula),
        "spikes, coma": Plan(seed=seed + 9, stars=700, optics=hard, **nebula),
        "galaxies": Plan(seed=seed + 3, objects=("galaxy", "small galaxies"), **galaxy),
        "broad stars": Plan(seed=seed + 4, objects=("galaxy",), optics=Optics(fwhm=(5.5,) * 3), **galaxy),
        "filling galaxy": Plan(seed=seed + 10, objects=("overfilling galaxy", "knots"), **galaxy),
        "dust": Plan(seed=seed + 5, shape=SHAPE, objects=("dust",), brightness=20, stars=900),
        "star field": Plan(seed=seed + 6, shape=SHAPE, stars=1200),
        "dense": Plan(seed=seed + 7, shape=SHAPE, stars=3000, cluster=0.3),
        "demosaiced": Plan(
            seed=seed + 8, shape=SHAPE, objects=("reflection",), stars=900, grain=Grain(kernel="demosaic bilinear")
        ),
    }


def taken_off(method: str, scene: Scene) -> np.ndarray:
    if method == "inpainted":
        return inpainted(scene)
    settings = {"method": "classical"} if method == "classical" else {"grain": float(method == "learned")}
    step = SplitStars(**{"method": "learned"} | settings)
    return Recipe([step]).run(scene.stack, progress=False).starless.pixels


def inpainted(scene: Scene) -> np.ndarray:
    from skimage.restoration import inpaint_biharmonic

    mask = (scene.stars / scene.noise > 1).any(axis=2)
    pixels = scene.stack.pixels.astype(np.float64)
    return inpaint_biharmonic(pixels, mask, channel_axis=2, split_into_regions=True).astype(np.float32)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def judged(scene: Scene, made: np.ndarray) -> str:
    pixels, light = scene.stack.pixels, scene.stars / scene.noise
    saturated = scene.sky + scene.objects + scene.stars >= 0.97
    near = cv2.dilate(saturated.astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    error = (made - scene.starless) / scene.noise
    under, around, nowhere = (light > 1) & ~near, (light > 1) & near, light < 0.05
    means = cv2.blur(error, (5, 5))[under]
    flux = (pixels - made)[under].sum() / scene.stars[under].sum()
    shining = nowhere & (scene.objects > 3 * scene.noise)
    lost = (pixels - made)[shining].sum() / scene.objects[shining].sum() if shining.any() else float("nan")
    dim = (light > 2) & ~near & (scene.objects < 0.5 * scene.noise)
    fine, true = (((layer - cv2.blur(layer, (5, 5))) / scene.noise)[dim] for layer in (made, scene.starless))
    grain = rms(fine) / rms(true) if fine.size > 500 else float("nan")
    change = error[nowhere]
    share, scatter, color = lone(scene, pixels - made)
    return (
        f"{rms(error[under]):6.2f} {rms(error[around]):6.2f} {means.min():6.1f} {means.max():5.1f} {flux:6.3f} "
        f"{share:6.3f}+-{scatter:.3f} {color:5.3f} {1 - lost:6.4f} {grain:6.2f} {rms(change):6.3f} "
        f"{np.abs(change).max():5.1f}"
    )


def lone(scene: Scene, layer: np.ndarray) -> tuple[float, float, float]:
    """Share of the light of lone stars that the layer of stars has, how it scatters, and how far their color is off."""
    table, (height, width) = scene.table, layer.shape[:2]
    reach = round(3 * max(scene.fwhm))
    near = cKDTree(np.c_[table.x, table.y])
    shares, colors = [], []
    for i in np.flatnonzero((table.peak > 30) & (table.peak < 2000) & ~table.saturated):
        x, y = round(table.x[i]), round(table.y[i])
        if not (reach <= x < width - reach and reach <= y < height - reach):
            continue
        others = [j for j in near.query_ball_point((table.x[i], table.y[i]), 2 * reach) if j != i]
        if table.flux[others].sum() > 0.02 * table.flux[i].sum():
            continue
        box = np.s_[y - reach : y + reach + 1, x - reach : x + reach + 1]
        taken, true = layer[box].sum(axis=(0, 1)), scene.stars[box].sum(axis=(0, 1))
        shares.append(taken.sum() / true.sum())
        colors.append(np.abs((taken / taken.sum()) / (true / true.sum()) - 1).max())
    if len(shares) < 5:
        return float("nan"), float("nan"), float("nan")
    low, high = np.quantile(shares, (0.16, 0.84))
    return float(np.median(shares)), float(high - low) / 2, float(np.median(colors))


def empty(method: str, seed: int) -> None:
    """Skies of a million samples each, of noise alone, in every correlation."""
    for kernel in KERNELS:
        scene = make_scene(Plan(seed=seed, shape=(600, 600), stars=0, grain=Grain(kernel=kernel)))
        change = (taken_off(method, scene) - scene.stack.pixels) / scene.noise
        above = np.count_nonzero(np.abs(change) > 1)
        print(f"{kernel:20} {method:10} rms {rms(change):.3f}, largest {np.abs(change).max():.2f}, above 1: {above}")


def timed(shape: tuple[int, int], method: str, threads: int) -> None:
    small = make_scene(Plan(seed=1, shape=(480, 720), stars=900)).stack.pixels
    rows, columns = -(-shape[0] // 480), -(-shape[1] // 720)
    stack = Stack.from_array(np.ascontiguousarray(np.tile(small, (rows, columns, 1))[: shape[0], : shape[1]]))
    Recipe([SplitStars(method=method)]).run(Stack.from_array(small), threads=threads, progress=False)
    began, worked = time.perf_counter(), time.process_time()
    with peak_memory() as told:
        Recipe([SplitStars(method=method)]).run(stack, threads=threads, progress=False)
    seconds, worked = time.perf_counter() - began, time.process_time() - worked
    frames = told["rise"] / stack.pixels.nbytes
    print(
        f"{method:10} {shape[0]} x {shape[1]}: {seconds:.1f} s on {threads} threads ({worked:.1f} s of CPU), "
        f"{frames:.2f} frames beside it"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--methods", default="learned,bare,classical,inpainted")
    parser.add_argument("--scenes", default="", help="only those whose names hold this")
    parser.add_argument("--empty", action="store_true", help="skies without a star instead")
    parser.add_argument("--time", default="", help="measure time and memory for HEIGHTxWIDTH instead")
    parser.add_argument("--threads", type=int, default=2)
    wanted = parser.parse_args()
    methods = wanted.methods.split(",")
    if wanted.time:
        height, width = map(int, wanted.time.split("x"))
        for method in (m for m in methods if m in {"learned", "classical"}):
            timed((height, width), method, wanted.threads)
        return
    if wanted.empty:
        for method in (m for m in methods if m in {"learned", "classical"}):
            empty(method, wanted.seed)
        return
    print(f"{'scene':16} {'method':10}  unsat    sat   ring         flux   lone         color   kept  grain  elsewhere")
    for name, plan in plans(wanted.seed).items():
        if wanted.scenes not in name:
            continue
        scene = make_scene(plan)
        for method in methods:
            print(f"{name:16} {method:10} {judged(scene, taken_off(method, scene))}", flush=True)


if __name__ == "__main__":
    main()
