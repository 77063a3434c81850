"""Borders of stacks with known truth that the simulator had no part in, and frames without borders.

    python benchmarks/borders.py
    python benchmarks/borders.py --stacks 20 --height 1600 --width 2400
    python benchmarks/borders.py --stacks 0 --free 0 --limit

Stacks of 1 to 6 nights, dithers of 1 to 10 px and turns of 0 to 2 degrees (`tests/independent/camera.py`). The truth is
the largest upright rectangle within which nine tenths of the frames reach beyond every side (rows "all" and below);
"corners whole": that nine tenths recorded to its corners. A second look says what is left: the share of the frames in
the outermost rows and columns that are kept, without the pixels that `Crop` takes off beyond a border. Frames without
borders are whole scenes of stars, nebulae, galaxies and glows (`tests/independent/scenes.py`).

``--limit`` says what noise can tell at all of a side that is not turned: rows of ``n`` independent values, whose noise
is known to ``sqrt(1 / 2n)``, and a judge who knows how such stacks come about (20,000 others, weighted by how well
their rows go with those seen) and names the five rows in which the border most likely lies.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

import numpy as np
from independent.camera import FULL_SHARE, Frames, borders_of
from independent.scenes import random_scene
from independent.test_borders import recorded
from measuring import machine, table

import workbench as wb
from workbench.measure.borders import find_borders


def stack_sides(seed: int, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, bool, list[float]]:
    """How far each side is off (px), with corners whole, whether nights were turned, and what each side is left."""
    rng = np.random.default_rng([seed, 77])
    nights = 1 + seed % 6
    frames = Frames(
        nights=nights,
        per_night=max(int(rng.choice([24, 60, 120])) // nights, 5),
        dither=float(rng.uniform(1, 10)),
        turn=float(rng.choice([0.0, rng.uniform(0, 2)])),
        drift=float(rng.uniform(0, 12)),
    )
    pixels, coverage, sides = recorded(5000 + seed, shape, frames, float(rng.uniform(0.05, 1)), 0.7)
    pixels[coverage == 0] = 0
    stack = wb.Stack.from_array(pixels)
    found = find_borders(stack.planes, stack.coverage)
    cut = (found.top, found.right, found.bottom, found.left)
    kept = coverage[found.top : shape[0] - found.bottom, found.left : shape[1] - found.right]
    left = [float(line.mean()) for line in (kept[0], kept[:, -1], kept[-1], kept[:, 0])]
    off, corners = (np.subtract(cut, borders_of(truth)) for truth in (sides, coverage))
    return off, corners, nights > 1 and frames.turn > 0, left


def _sides(count: int, dithers: tuple[float, float], rows: int, rng: np.random.Generator) -> np.ndarray:
    """Share of the frames (count, rows) from the edge of a side inwards; 24 frames in 1 to 6 nights."""
    shares = np.empty((count, rows))
    for share in shares:
        nights = int(rng.integers(1, 7))
        place = rng.uniform(-1, 1, nights) * rng.uniform(0, 12) * (np.arange(nights) > 0)
        edges = np.repeat(place, 24 // nights) + rng.normal(0, rng.uniform(*dithers), nights * (24 // nights))
        share[:] = (np.arange(rows)[:, None] >= edges).mean(axis=1)
    return shares


def limit(dithers: tuple[float, float], values: int, tried: int = 400, rows: int = 72) -> float:
    """Share of sides, %, whose border is within 2 px of what can be known from rows of so many values."""
    rng = np.random.default_rng(1)
    known, seen = (_sides(n, dithers, rows, rng) for n in (20_000, tried))
    error = np.sqrt(1 / (2 * values))
    border = [(shares >= FULL_SHARE - 1e-9).argmax(axis=1) for shares in (known, seen)]
    excess = [-0.5 * np.log(np.maximum(shares, 1e-3)) for shares in (known, seen)]
    right = 0
    for true, side in zip(border[1], excess[1], strict=True):
        off = (side + error * rng.standard_normal(rows) - excess[0]) / error
        likelihood = -0.5 * (off**2).sum(axis=1)
        weight = np.bincount(border[0], np.exp(likelihood - likelihood.max()), minlength=rows)
        right += abs(int(np.convolve(weight, np.ones(5), "same").argmax()) - int(true)) <= 2
    return 100 * right / tried


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stacks", type=int, default=60)
    parser.add_argument("--free", type=int, default=100, help="frames without borders")
    parser.add_argument("--limit", action="store_true", help="also what noise can tell at all")
    parser.add_argument("--height", type=int, default=600)
    parser.add_argument("--width", type=int, default=900)
    chosen = parser.parse_args()
    sides = [stack_sides(k, (chosen.height, chosen.width)) for k in range(chosen.stacks)]
    if sides:
        off, corners, turned = (np.array([s[i] for s in sides]) for i in range(3))
        rows = []
        for name, some in (
            ("all", off),
            ("not turned", off[~turned]),
            ("turned", off[turned]),
            ("all, corners whole", corners),
        ):
            if some.size:
                within = [f"{100 * np.mean(np.abs(some) <= n):.1f}" for n in (2, 4)]
                rows.append([name, str(some.size), *within, f"{some.mean():+.2f}", str(np.abs(some).max())])
        print(f"{machine()}\n{chosen.stacks} stacks of {chosen.width} x {chosen.height} pixels\n")
        print(table(["sides", "number", "within 2 px, %", "within 4 px, %", "mean, px", "worst, px"], rows))
        few, half = np.quantile([s[3] for s in sides], [0.05, 0.5])
        print(f"\nframes in the outermost row or column that is kept: median {half:.2f}, 5 % of sides below {few:.2f}")
    false = doubted = 0
    for k in range(chosen.free):
        scene = random_scene(7000 + k, (400, 600) if k % 2 else (480, 720), frames=None)
        found = find_borders(scene.stack.planes)
        false += max(found.to_dict().values()) > 2
        doubted += bool(found.doubtful)
    if chosen.free:
        print(f"\n{chosen.free} frames without borders: {false} with a border of more than 2 px, {doubted} doubted")
    if chosen.limit:
        values = (180, 360, 720, 2160)
        rows = [
            [f"{low} to {high} px", *(f"{limit((low, high), n):.0f}" for n in values)]
            for low, high in ((1, 2), (1, 10))
        ]
        print("\nwithin 2 px at best, %, by independent values in a row")
        print(table(["dithers", *map(str, values)], rows))


if __name__ == "__main__":
    main()
