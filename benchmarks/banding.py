"""What `RemoveBanding` leaves of rows and columns on scenes with known truth that the simulator had no part in.

    python benchmarks/banding.py                      # 900 x 1500 px
    python benchmarks/banding.py --shape 800 4000     # rows as wide as a sensor's

Rows and columns of half a noise unit; galaxies and nebulae drawn by GalSim. What is left is the standard deviation of
found against true offsets in noise units by channel, so that a level common to all is no fault, and their root mean
square in the eight rows and columns next to each edge; the light of objects is counted from the sky, in per cent of its
own. Beside it the least that the noise of a row leaves.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

import workbench as wb

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from independent.scenes import Plan, make_scene

SCENES = {
    "star field": (4, ()),
    "galaxy": (1, ("galaxy",)),
    "nebula": (2, ("emission",)),
    "another nebula": (3, ("emission",)),
    "galaxy that fills the frame": (5, ("overfilling galaxy",)),
}

#: Rows and columns next to an edge.
_ENDS = 8


def left(shape: tuple[int, int], seed: int, objects: tuple[str, ...], size: float) -> tuple[np.ndarray, ...]:
    """What is left of rows, columns and both at the edges, and by what share objects' light is wrong: all (C,)."""
    scene = make_scene(Plan(seed=seed, objects=objects, shape=shape))
    rng, noise = np.random.default_rng(7), scene.noise.mean(axis=(0, 1))
    true = [rng.normal(0, size, (n, 3)) * noise for n in shape]
    pixels = scene.stack.pixels + true[0][:, None] + true[1][None]
    frame = wb.Frame(np.ascontiguousarray(np.moveaxis(pixels, 2, 0), np.float32))
    facts = wb.RemoveBanding().measure(frame)
    off = [found.T - offsets for found, offsets in zip((facts.rows, facts.columns), true, strict=True)]
    ends = np.concatenate([wrong[[*range(_ENDS), *range(-_ENDS, 0)]] - wrong.mean(axis=0) for wrong in off])
    on = scene.objects.mean(axis=2) > 2 * noise.mean()
    wrong = off[0][:, None] + off[1][None]
    wrong = wrong - wrong[~on].mean(axis=0)
    light = wrong[on].sum(axis=0) / scene.objects[on].sum(axis=0) if on.any() else np.zeros(3)
    at_edges = np.sqrt((ends**2).mean(axis=0))
    return np.std(off[0], axis=0) / noise, np.std(off[1], axis=0) / noise, at_edges / noise, light


def main() -> None:
    """Print a row for each scene."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--shape", type=int, nargs=2, default=(900, 1500), metavar=("HEIGHT", "WIDTH"))
    parser.add_argument("--size", type=float, default=0.5, help="of rows and columns, in noise units")
    args = parser.parse_args()
    print(f"noise of a row alone: {1 / np.sqrt(args.shape[1]):.3f}, of a column {1 / np.sqrt(args.shape[0]):.3f}")
    for name, (seed, objects) in SCENES.items():
        rows, columns, edges, light = left(tuple(args.shape), seed, objects, args.size)
        print(f"{name}: rows {rows.round(3)}, columns {columns.round(3)}, at the edges {edges.round(2)},")
        print(f"    light {(100 * light).round(2)} %")


if __name__ == "__main__":
    main()
