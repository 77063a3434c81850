"""Processor time of finding a field and of taking white from its stars, at 24 megapixels.

    python benchmarks/located.py

A field of the real sky is drawn by GalSim (`tests/independent/sky.py`): 4000 x 6000 px, 35 mm on full frame. The star
patterns are made before, and every kernel has run once. Three times each; the least is told, in seconds of a processor
(all threads together) and as copies of the frame, whose time is taken in the same run.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from independent.sky import Camera, sky_scene

import workbench as wb
from workbench.operations.base import Frame

SHAPE = (4000, 6000)


def least(what: Callable[[], object], times: int = 3) -> float:
    """Least processor time of several runs, s."""
    taken = []
    for _ in range(times):
        before = time.process_time()
        what()
        taken.append(time.process_time() - before)
    return min(taken)


def main() -> None:
    scene = sky_scene(Camera(305.0, 40.0, SHAPE, 35.0, turn=30.0), seed=1, saturated=0.05)
    stack = scene.stack
    solved = wb.solve(stack).stack
    planes = np.ascontiguousarray(solved.planes)

    def white() -> object:
        frame = Frame(planes, acquisition=solved.acquisition, wcs=solved.wcs)
        return wb.CalibrateColor(reference="catalogue").measure(frame)

    white()
    copy = least(planes.copy, 5)
    print(f"copying the frame: {copy:.3f} s")
    whole = 0.0
    for words, what in (("detection and solution", lambda: wb.solve(stack)), ("fit of the colors", white)):
        seconds = least(what)
        whole += seconds
        print(f"{words}: {seconds:.2f} s of a processor, {seconds / copy:.0f} copies")
    print(f"together: {whole:.2f} s")


if __name__ == "__main__":
    main()
