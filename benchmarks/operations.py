"""What each step of detail, tone and lens costs on a frame of 24 megapixels: processor seconds, and memory in frames.

    python benchmarks/operations.py
    python benchmarks/operations.py deconvolve remove_banding

Seconds are of the processor, not of the clock: two cores that are free take half of them. Measuring and applying are
counted together, a recipe of that one step from a stack in memory to a picture in memory; compiled code is loaded
before. Memory is the highest that the process held beside what it held before, in copies of the frame, the picture
itself being one (Linux tells it). The frame is a scene of `tests/independent` side by side, with grain of its own.
"""

from __future__ import annotations

import argparse
import resource
import sys
from pathlib import Path

import numpy as np
from measuring import peak_memory

import workbench as wb
from workbench.operations.base import REGISTRY

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from independent.scenes import Plan, make_scene

STEPS: dict[str, dict[str, object]] = {
    "deconvolve": {"iterations": 20},
    "sharpen": {},
    "local_contrast": {},
    "compress_highlights": {"amount": 0.5},
    "tone_curve": {"points": [{"x": 0.25, "y": 0.3}]},
    "color_balance": {"shadows_yellow": -0.3},
    "correct_falloff": {},
    "align_channels": {},
    "remove_fringe": {},
    "remove_banding": {},
    "mend": {"strokes": [{"radius": 6, "points": [[30, 40], [5800, 3000]]}]},
    "straighten": {"angle_deg": 7.3},
}


def seconds() -> float:
    """Processor seconds of all threads so far."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def stack_of(height: int, width: int) -> wb.Stack:
    """A stack of that size out of copies of one scene."""
    scene = make_scene(Plan(seed=5, shape=(500, 750), objects=("emission",), brightness=30.0, stars=300))
    copies = -(-height // 500), -(-width // 750)
    pixels = np.tile(scene.stack.pixels, (*copies, 1))[:height, :width]
    noise = 0.1 * np.float32(scene.noise.mean())
    pixels += noise * np.random.default_rng(1).standard_normal(pixels.shape, np.float32)
    return wb.Stack.from_array(np.clip(pixels, 0, 1))


def main() -> None:
    """Print a row for each step."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("steps", nargs="*", choices=[*STEPS, []], help="which; default: all")
    parser.add_argument("--shape", type=int, nargs=2, default=(4000, 6000), metavar=("HEIGHT", "WIDTH"))
    args = parser.parse_args()
    linear = {False: stack_of(600, 900), True: stack_of(*args.shape)}
    shown = {}
    for name in args.steps or STEPS:
        operation = REGISTRY[name](**STEPS[name])
        if operation.takes == wb.Tone.DISPLAY and not shown:
            stretch = wb.Recipe([wb.LevelSky(), wb.Stretch()])
            shown = {large: stretch.run(stack, progress=False).image for large, stack in linear.items()}
        stacks = shown if operation.takes == wb.Tone.DISPLAY else linear
        recipe = wb.Recipe([operation])
        recipe.run(stacks[False], progress=False)
        before = seconds()
        with peak_memory() as told:
            recipe.run(stacks[True], progress=False)
        spent, frames = seconds() - before, told["rise"] / stacks[True].pixels.nbytes
        print(f"{name:20s} {spent:6.1f} s {frames:5.1f} frames", flush=True)


if __name__ == "__main__":
    main()
