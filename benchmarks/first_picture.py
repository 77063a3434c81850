"""The first picture of a stack, as the bench shows it before anything is measured in full: how soon, and how true.

    python benchmarks/first_picture.py [--megapixels 24] [--width 1200] [STACK ...]

Against the settled view of the same width: its frame, its mean color by channel and its sky (the median). Targets: the
same frame, 2 % and 0.01. Seconds count from the file to display-ready pixels, in a process that has its kernels loaded.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from time import perf_counter, process_time

import numpy as np
from measuring import machine, table

import workbench as wb
from workbench.simulate import write_simulation

SCENES = ("beehouse_cluster", "lantern_nebula", "millwheel_galaxy", "woodsmoke_nebulosity")


def compared(path: Path, width: int) -> list:
    recipe = wb.suggest(wb.read(path))
    began, used = perf_counter(), process_time()
    preview = wb.Preview(wb.read(path), recipe)
    first = preview.view(width, draft=True)
    seconds, cpu = perf_counter() - began, process_time() - used
    began = perf_counter()
    settled = preview.view(width)
    rest = perf_counter() - began
    color = np.abs(first.planes.mean(axis=(1, 2)) / settled.planes.mean(axis=(1, 2)) - 1).max()
    sky = np.abs(np.median(first.planes, axis=(1, 2)) - np.median(settled.planes, axis=(1, 2))).max()
    same = "the same" if first.shape == settled.shape else f"{first.shape[:2]}, not {settled.shape[:2]}"
    return [path.stem, same, f"{100 * color:.2f} %", f"{sky:.4f}", seconds, cpu, rest]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stacks", nargs="*", type=Path, help="in place of the simulated sample scenes")
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--width", type=int, default=1200)
    wanted = parser.parse_args()
    height = round((wanted.megapixels * 1e6 / 1.5) ** 0.5)
    warm = wb.Stack.from_array(np.random.default_rng(0).normal(0.1, 0.001, (300, 400, 3)))
    for kind in (wb.Crop, wb.MendPixels, wb.RemoveGradient, wb.LevelSky, wb.Denoise, wb.Stretch):
        wb.Preview(warm, wb.Recipe([kind()])).view(200, draft=True)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        paths = list(wanted.stacks)
        for scene in () if paths else SCENES:
            paths.append(Path(folder) / f"{scene}.tif")
            write_simulation(scene, paths[-1], shape=(height, round(height * 1.5)))
        rows = [compared(path, wanted.width) for path in paths]
    print(f"{machine()}; views {wanted.width} pixels wide\n")
    head = ["stack", "frame", "color off", "sky off", "first picture s", "of CPU", "settled after s"]
    print(table(head, rows))


if __name__ == "__main__":
    main()
