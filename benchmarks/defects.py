"""Hot pixels: how many `MendPixels` finds, what it takes for one that is none, and how long it takes.

    python benchmarks/defects.py [--megapixels 24] [--seeds 2]

Every scene of the simulator, 1500 x 1000, with 100 hot pixels to the megapixel. "found" is the share of those at
least three pixels inside the frame that are filled; those on a bright star or beside another hot pixel are counted.
"false" are fillings where no hot pixel is. Seconds are those of measuring and of the whole step on one large frame.
"""

from __future__ import annotations

import argparse

import numpy as np
from measuring import best, machine, table

import workbench as wb
from workbench.operations.base import Frame
from workbench.simulate import SCENES, simulate

HOT = {"hot_pixels_per_megapixel": 100.0}
SHAPE = (1000, 1500)


def judged(name: str, seed: int) -> tuple[int, int, int]:
    """Hot pixels there are, those found, and false ones."""
    made = simulate(name, seed=seed, shape=SHAPE, camera=HOT)
    facts = wb.MendPixels().measure(Frame(np.ascontiguousarray(made.stack.planes)))
    filled = set(zip(*facts.places.tolist(), strict=True))
    hot = made.truth.hot_pixels
    true = {
        (c, y, x)
        for c, y, x in zip(hot.channel.tolist(), hot.y.tolist(), hot.x.tolist(), strict=True)
        if 3 <= y < SHAPE[0] - 3 and 3 <= x < SHAPE[1] - 3
    }
    around = {
        (y + i, x + j)
        for y, x in zip(hot.y.tolist(), hot.x.tolist(), strict=True)
        for i in (-1, 0, 1)
        for j in (-1, 0, 1)
    }
    return len(true), len(true & filled), sum((y, x) not in around for _, y, x in filled)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--seeds", type=int, default=2)
    wanted = parser.parse_args()
    print(f"{machine()}\n")
    rows = []
    for name in SCENES:
        there, found, false = np.sum([judged(name, seed) for seed in range(1, wanted.seeds + 1)], axis=0).tolist()
        rows.append([name, there, f"{100 * found / there:.1f} %", false])
    print(table(["scene", "hot pixels", "found", "false"], rows), "\n")
    height = round((wanted.megapixels * 1e6 / 1.5) ** 0.5)
    stack = simulate("lantern_nebula", shape=(height, round(height * 1.5)), camera=HOT).stack
    frame, recipe = Frame(np.ascontiguousarray(stack.planes)), wb.Recipe([wb.MendPixels()])
    measuring, whole = (
        best(lambda: wb.MendPixels().measure(frame), 3),
        best(lambda: recipe.run(stack, progress=False), 3),
    )
    print(f"{wanted.megapixels:g} megapixels: {measuring:.2f} s to measure, {whole:.2f} s the whole step")


if __name__ == "__main__":
    main()
