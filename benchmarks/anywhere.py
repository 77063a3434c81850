"""The whole suggested recipe on random scenes that the simulator had no part in, with truth: the worst case counts.

    python benchmarks/anywhere.py                      200 scenes
    python benchmarks/anywhere.py --scenes 20 --first 500 --jobs 2
    python benchmarks/anywhere.py --seeds 17 41        only these
    python benchmarks/anywhere.py --height 480 --width 720 --json anywhere.json

Scenes come from `tests/independent` (GalSim and numpy). For each the recipe of `suggest` is run whole, and again up to
single steps for what they did. Shown are median, 95th percentile and worst; then the ten worst with their seeds.

left    RMS over the cropped frame of ``model - sky - mean``, as a share of the true sky's peak-to-peak there, %, worst
        channel. Where no gradient is taken away the model is constant. ``polynomial``: degree 5 in both directions
        together, fitted to all channels' block means with joint clipping (numpy alone, in this file); ``photutils``:
        Background2D (box 64, filter 3, clipping at 3 sigma); ``sep``: its Background, same boxes. All four see the
        same pixels.
kept    light of objects after RemoveGradient over light before, %, where they are brighter than a twentieth of their
        99.9 % quantile (the brightest quarter where they fill the frame), zero where they are darkest; worst channel.
        Scenes with objects above 3 sigma.
hole    the deepest that the mean of 3 x 3 pixels falls below sky and objects (and what demosaicing leaves around sharp
        stars) within one FWHM of a star of 20 sigma or more that is not clipped, nor lies on a burnt-out core, just
        before the stretch, in the noise of a pixel of the stack; mean over channels; the worst star of each scene.
color   error of the measured gains against sunlike white, %, the larger of red and blue. Scenes whose stars average to
        the Sun's color; ``covered`` is the share of all scenes whose truth lies within twice the stated uncertainty.
borders each side of a stack, against where its own edge leaves nine tenths of the frames; ``corners whole``: against
        the largest rectangle that nine tenths recorded to its corners. ``frames``: share of them in the worst row or
        column of the cropped frame.
noise   decibels by which noise falls on plain sky, by standard deviation, from before Denoise to after.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

import numpy as np
import sep
from astropy.stats import SigmaClip
from independent.scenes import Scene, make_scene, random_plan
from measuring import machine, table
from photutils.background import Background2D
from scipy.ndimage import binary_dilation

import workbench as wb

#: Steps that move, choose or scale pixels by place alone: the truth goes through them, too.
_FRAME = ("crop", "resample", "turn", "straighten", "align_channels", "correct_falloff")


# --- what is compared with


def joint_polynomial(pixels: np.ndarray, degree: int = 5, block: int = 8, rounds: int = 12) -> np.ndarray:
    """Sky (H, W, C) as one polynomial per channel: all terms x^i y^j with i + j <= degree, on block medians.

    A block is left out of all channels when it lies more than 1.5 scatters above or 3 below the fit in any.
    """
    height, width, channels = pixels.shape
    rows, cols = height // block, width // block
    blocks = pixels[: rows * block, : cols * block].reshape(rows, block, cols, block, channels)
    value = np.median(blocks, axis=(1, 3)).reshape(-1, channels).astype(float)
    y, x = (np.mgrid[:rows, :cols] + 0.5) * block - 0.5
    terms = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]

    def basis(y: np.ndarray, x: np.ndarray) -> np.ndarray:
        u, v = 2 * x / (width - 1) - 1, 2 * y / (height - 1) - 1
        legendre = [np.polynomial.legendre.legval(u, np.eye(degree + 1)[i]) for i in range(degree + 1)]
        other = [np.polynomial.legendre.legval(v, np.eye(degree + 1)[j]) for j in range(degree + 1)]
        return np.stack([legendre[i] * other[j] for i, j in terms], axis=-1)

    design = basis(y.ravel(), x.ravel())
    good = np.ones(len(value), bool)
    for _ in range(rounds):
        fit, *_ = np.linalg.lstsq(design[good], value[good], rcond=None)
        off = value - design @ fit
        scatter = 1.4826 * np.median(np.abs(off[good] - np.median(off[good], axis=0)), axis=0) + 1e-12
        now = ((off < 1.5 * scatter) & (off > -3 * scatter)).all(axis=1)
        if now.sum() < 3 * len(terms) or (now == good).all():
            break
        good = now
    yy, xx = np.mgrid[:height, :width].astype(float)
    out = np.empty(pixels.shape, np.float32)
    for row in range(0, height, 64):
        part = slice(row, row + 64)
        out[part] = basis(yy[part], xx[part]) @ fit
    return out


def meshes(pixels: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Sky by photutils and by sep, each (H, W, C)."""
    clip = SigmaClip(sigma=3.0)  # in crowds it takes more than a tenth out of every box
    planes = [np.ascontiguousarray(pixels[:, :, c]) for c in range(pixels.shape[2])]
    ours = np.stack(
        [Background2D(p, 64, filter_size=3, sigma_clip=clip, exclude_percentile=50).background for p in planes], axis=2
    )
    theirs = np.stack([sep.Background(p, bw=64, bh=64).back() for p in planes], axis=2)
    return ours, theirs


# --- measures


def left(model: np.ndarray, sky: np.ndarray) -> float:
    """RMS of the error over the truth's peak-to-peak, %, worst channel."""
    off = model.astype(float) - sky
    return float((100 * off.std(axis=(0, 1)) / np.ptp(sky, axis=(0, 1))).max())


def kept(model: np.ndarray, sky: np.ndarray, objects: np.ndarray, noise: float) -> float | None:
    """Share of the objects' light that stays, %, the channel that is farthest from all; None without objects."""
    shares = []
    for c in range(sky.shape[2]):
        light = objects[:, :, c].astype(float)
        top = np.quantile(light, 0.999)
        if top < 3 * noise:
            continue
        fills = np.median(light) > 0.1 * top
        bright = light > max(0.05 * top, np.quantile(light, 0.75) if fills else 0.0)
        off = model[:, :, c].astype(float) - sky[:, :, c]
        dark = light <= np.quantile(light, 0.1)
        off -= off[dark].mean()
        light = light - light[dark].mean()
        shares.append(100 * (1 - off[bright].sum() / light[bright].sum()))
    return float(max(shares, key=lambda s: abs(s - 100))) if shares else None


def mean3(plane: np.ndarray) -> np.ndarray:
    """Mean of 3 x 3 pixels, edges repeated."""
    p = np.pad(plane, 1, mode="edge")
    height, width = plane.shape
    return sum(p[i : i + height, j : j + width] for i in range(3) for j in range(3)) / 9


class Judged:
    """A scene, its suggested recipe, and pictures of it after single steps."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.recipe = wb.suggest(scene.stack)
        self.ids = [step.operation.id for step in self.recipe]
        self.result = self.recipe.run(scene.stack, progress=False, threads=1)
        self.facts = self.result.record.facts

    def upto(self, count: int) -> np.ndarray:
        """Pixels after the first ``count`` steps."""
        steps = self.recipe.steps[:count]
        if not steps:
            return np.nan_to_num(self.scene.stack.pixels)
        facts = {i: f for i, f in self.facts.items() if i < count}
        return wb.Recipe(steps).run(self.scene.stack, facts=facts, progress=False, threads=1).image.pixels

    def same_steps(self, light: np.ndarray, chosen: tuple[str, ...], count: int) -> np.ndarray:
        """What the ``chosen`` of the first ``count`` steps make of other light, by the facts of the run."""
        picked = [i for i, name in enumerate(self.ids[:count]) if name in chosen and self.recipe.steps[i].on]
        if not picked:
            return light
        facts = {new: self.facts[i] for new, i in enumerate(picked) if i in self.facts}
        stack = wb.Stack.from_array(np.ascontiguousarray(light, np.float32))
        steps = [self.recipe.steps[i] for i in picked]
        return wb.Recipe(steps).run(stack, facts=facts, progress=False, threads=1).image.pixels

    def place(self, name: str) -> int | None:
        """Where the step stands."""
        return self.ids.index(name) if name in self.ids else None


def judge(seed: int, shape: tuple[int, int]) -> dict:
    """Everything that is shown of one scene."""
    plan = random_plan(seed, shape)
    out: dict = {"seed": seed, "plan": plan.told()}
    began = time.perf_counter()
    try:
        scene = make_scene(plan)
        out |= _judge(scene)
    except Exception as error:  # noqa: BLE001 - a scene that breaks the recipe is a result
        where = traceback.extract_tb(error.__traceback__)[-1]
        out["failed"] = f"{type(error).__name__}: {error} ({Path(where.filename).name}:{where.lineno})"
    out["seconds"] = time.perf_counter() - began
    return out


def _judge(scene: Scene) -> dict:
    done = Judged(scene)
    out: dict = {"steps": done.ids}
    noise = float(np.mean(scene.noise[scene.inside]))

    # The gradient: the same pixels for all four.
    at = done.place("remove_gradient")
    moved = [i for i, name in enumerate(done.ids) if name in (*_FRAME, "mend_pixels")]
    before = at if at is not None else (max(moved) + 1 if moved else 0)
    sky, objects = (done.same_steps(light, _FRAME, before) for light in (scene.sky, scene.objects))
    pixels = done.upto(before)
    model = pixels - done.upto(before + 1) if at is not None else np.zeros_like(pixels)
    out["left"] = left(model, sky)
    out["kept"] = kept(model, sky, objects, noise)
    polynomial = joint_polynomial(pixels)
    out["left_polynomial"], out["kept_polynomial"] = left(polynomial, sky), kept(polynomial, sky, objects, noise)
    out["left_photutils"], out["left_sep"] = (left(mesh, sky) for mesh in meshes(pixels))

    out |= _borders(scene, done)

    # White.
    white = done.place("calibrate_color")
    if white is not None and done.facts[white].reference == "stars":
        facts = done.facts[white]
        truth = scene.gains[1] / np.array(scene.gains)
        off = np.abs(np.array(facts.gains) / truth - 1)
        stated = np.array(facts.uncertainty) / np.array(facts.gains)
        out["color"] = float(100 * off.max())
        out["covered"] = bool((off <= 2 * stated + 1e-3).all())
        out["population"] = scene.plan.population

    # Just before the stretch, against sky and objects that went through the same steps without noise and stars.
    stretch = done.place("stretch")
    if stretch is None:
        return out
    even = (*_FRAME, "remove_gradient", "level_sky", "calibrate_color", "limit_green")
    linear = done.upto(stretch)
    # What demosaicing takes off the sky around sharp stars was never recorded: no step took it.
    base = done.same_steps(scene.sky + scene.objects + np.minimum(scene.stars, 0), even, stretch)
    unit = done.same_steps(scene.sky + scene.noise, even, stretch) - done.same_steps(scene.sky, even, stretch)
    off = ((linear - base) / np.maximum(unit, 1e-9)).mean(axis=2)
    # Where least starlight lies is level: in a dense field of broad stars their wings are everywhere.
    starlight = done.same_steps((scene.stars / scene.noise).astype(np.float32), _FRAME, stretch).mean(axis=2)
    off -= np.median(off[starlight <= np.quantile(starlight, 0.1)])
    out["hole"] = _hole(scene, done, off, stretch)
    denoise = done.place("denoise")
    if denoise is not None:
        plain = _plain(scene, done, stretch)
        if plain.sum() > 500:
            was, now = ((done.upto(n) - base)[plain] for n in (denoise, denoise + 1))
            flat = [np.std(v - np.median(v, axis=0), axis=0).mean() for v in (was, now)]
            out["noise"] = float(20 * np.log10(flat[0] / max(flat[1], 1e-12)))
    return out


def _borders(scene: Scene, done: Judged) -> dict:
    """Borders against the truth, side by side; what is cut beyond a measured border is no part of them."""
    crop = done.place("crop")
    cut = np.array(done.facts[crop].margins if crop is not None else (0, 0, 0, 0))
    safety = done.recipe.steps[crop].operation.safety if crop is not None else 0
    found = np.where(cut > 0, cut - safety, 0)
    if scene.plan.frames is None:
        return {"border_false": int(found.max())}
    height, width = scene.coverage.shape
    kept = scene.coverage[cut[0] : height - cut[2], cut[3] : width - cut[1]]
    return {
        "border_off": [int(off) for off in found - scene.side_borders],
        "border_off_corners": [int(off) for off in found - scene.borders],
        "border_share": float(min(line.mean() for line in (kept[0], kept[-1], kept[:, 0], kept[:, -1]))),
    }


def _hole(scene: Scene, done: Judged, off: np.ndarray, count: int) -> float | None:
    """Deepest mean of 3 x 3 pixels at any star, in noise."""
    where = np.zeros((*scene.coverage.shape, 1), np.float32)
    t = scene.table
    reach = max(float(np.mean(scene.fwhm)), 1.5)
    height, width = scene.coverage.shape
    for x, y in zip(t.x[(t.peak > 20) & ~t.saturated], t.y[(t.peak > 20) & ~t.saturated], strict=True):
        y0, x0 = max(int(y - reach), 0), max(int(x - reach), 0)
        y1, x1 = min(int(y + reach) + 2, height), min(int(x + reach) + 2, width)
        where[y0:y1, x0:x1] = 1
    # A burnt-out core of a galaxy was never recorded either.
    burnt = (scene.sky + scene.objects).max(axis=2) > min(scene.plan.knee, 0.98)
    where[binary_dilation(burnt, iterations=3)] = 0
    near = done.same_steps(np.repeat(where, scene.sky.shape[2], 2), _FRAME, count)[:, :, 0] > 0.5
    near[:2] = near[-2:] = False
    near[:, :2] = near[:, -2:] = False
    return float(mean3(off)[near].min()) if near.any() else None


def _plain(scene: Scene, done: Judged, count: int) -> np.ndarray:
    """Pixels of nothing but sky."""
    light = (scene.stars + scene.objects) / scene.noise
    shown = done.same_steps(light.astype(np.float32), _FRAME, count).max(axis=2)
    return (shown < 0.2) & (mean3(shown) < 0.2)


# --- the table


def _row(name: str, values: list[float], *, low: bool = False) -> list[str]:
    v = np.array([x for x in values if x is not None], float)
    if not len(v):
        return [name, "0", "", "", ""]
    ends = (np.quantile(v, 0.05), v.min()) if low else (np.quantile(v, 0.95), v.max())
    return [name, str(len(v)), *(f"{x:.2f}" for x in (np.median(v), *ends))]


def report(rows: list[dict]) -> None:
    good = [r for r in rows if "failed" not in r]
    some = {name: [r.get(name) for r in good] for name in ("left", "left_polynomial", "left_photutils", "left_sep")}
    mixed = [r.get("color") for r in good if r.get("population") == "mixed"]
    print(
        table(
            ["what", "scenes", "median", "95 % (or 5 %)", "worst"],
            [
                _row("gradient left, %", some["left"]),
                _row("polynomial of degree 5", some["left_polynomial"]),
                _row("photutils", some["left_photutils"]),
                _row("sep", some["left_sep"]),
                _row("kept of objects, %: least", [r.get("kept") for r in good], low=True),
                _row("kept of objects, %: most", [r.get("kept") for r in good]),
                _row("kept by the polynomial: least", [r.get("kept_polynomial") for r in good], low=True),
                _row("hole at stars, sigma", [r.get("hole") for r in good], low=True),
                _row("color, %, sunlike stars", mixed),
                _row("noise, dB", [r.get("noise") for r in good], low=True),
                *(
                    _row(f"borders off, px{word}", [abs(off) for r in good for off in r.get(name, [])])
                    for name, word in (("border_off", ""), ("border_off_corners", ", corners whole"))
                ),
                _row("frames in the worst row kept", [r.get("border_share") for r in good], low=True),
                _row("border where none is, px", [r.get("border_false") for r in good]),
            ],
        )
    )
    worse = [r for r in good if r["left"] > max(r["left_polynomial"], 0.05)]
    told = [r["covered"] for r in good if "covered" in r]
    print(f"\nworse than the polynomial in {len(worse)} of {len(good)} scenes")
    print(f"true white within twice the stated uncertainty in {sum(told)} of {len(told)} scenes")
    if bad := [r for r in rows if "failed" in r]:
        print(f"\n{len(bad)} failed:")
        for r in bad:
            print(f"  seed {r['seed']}: {r['failed']}")
    for name, sign in (("left", -1), ("kept", 0), ("hole", 1), ("color", -1)):
        having = [r for r in good if r.get(name) is not None]
        key = (lambda r: -abs(r["kept"] - 100)) if not sign else lambda r, n=name, s=sign: s * r[n]
        print(f"\nten worst, {name}:")
        for r in sorted(having, key=key)[:10]:
            beside = f" (polynomial {r['left_polynomial']:.2f})" if name == "left" else ""
            print(f"  seed {r['seed']}: {r[name]:.2f}{beside}  {r['plan'][:260]}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="seed of the first scene")
    parser.add_argument("--seeds", type=int, nargs="+", help="only these")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--height", type=int, default=480)
    parser.add_argument("--width", type=int, default=720)
    parser.add_argument("--json", type=Path, help="also write every scene's figures there")
    chosen = parser.parse_args()
    seeds = chosen.seeds or list(range(chosen.first, chosen.first + chosen.scenes))
    shape = (chosen.height, chosen.width)
    rows = []
    if chosen.jobs > 1:
        with ProcessPoolExecutor(chosen.jobs, mp_context=get_context("spawn")) as pool:
            for row in pool.map(judge, seeds, [shape] * len(seeds)):
                rows.append(row)
                _said(row, len(rows), len(seeds))
    else:
        for seed in seeds:
            rows.append(judge(seed, shape))
            _said(rows[-1], len(rows), len(seeds))
    if chosen.json:
        chosen.json.write_text(json.dumps(rows, indent=1))
    print(f"{machine()}\n{len(seeds)} scenes of {shape[1]} x {shape[0]} pixels from seed {seeds[0]} on\n")
    report(rows)


def _said(row: dict, done: int, total: int) -> None:
    figures = ", ".join(
        f"{k} {row[k]:.2f}" for k in ("left", "kept", "hole", "color", "seconds") if row.get(k) is not None
    )
    print(f"{done}/{total} seed {row['seed']}: {row.get('failed') or figures}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()
