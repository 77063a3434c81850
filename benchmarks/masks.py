"""Masks on a 24-megapixel stack: seconds of the processor for measuring, and for weighing all tiles of the frame.

Beside each, what the same blend takes without a mask (opacity one half), from which the rest is the mask's.

    python benchmarks/masks.py
"""

from __future__ import annotations

from time import process_time

import numpy as np

import workbench as wb
from workbench.engine.chain import Chain, measure_facts
from workbench.engine.state import State
from workbench.engine.tile_pool import TilePool
from workbench.operations.base import Frame
from workbench.simulate import simulate

SHAPE = (4000, 6000)
MASKS = {
    "regions": wb.RegionMask(
        regions=[
            {"shape": "rectangle", "x0": 500, "y0": 400, "x1": 3000, "y1": 3000},
            {"shape": "polygon", "points": [[3000, 200], [5800, 900], [5000, 3900], [3100, 2500]]},
        ],
        feather=60,
    ),
    "brush": wb.BrushMask(strokes=[{"radius": 150, "points": [[500, 500], [3000, 900], [5500, 3500]]}]),
    "linear": wb.LinearMask(x0=1000, y0=500, x1=5000, y1=3000),
    "radial": wb.RadialMask(x=3000, y=2000, inner=300, outer=1500),
    "brightness": wb.BrightnessMask(),
    "color": wb.ColorMask(),
    "stars": wb.StarMask(),
    "object": wb.ObjectMask(),
}


def main() -> None:
    """Print a line for each."""
    stack = simulate("lantern_nebula", shape=SHAPE).stack
    pool = TilePool(2)
    state = State.of(stack, stack.planes)
    plain = Chain.of(stack).then(0, wb.Step(wb.LimitGreen(), opacity=0.5), _facts(stack, None)).steps
    print(f"{'mask':12s} {'measure':>8s} {'run':>6s}  s; without a mask the run takes {_run(pool, state, plain):.2f} s")
    for name, mask in MASKS.items():
        began = process_time()
        facts = _facts(stack, mask)
        measured = process_time() - began
        bound = Chain.of(stack).then(0, wb.Step(wb.LimitGreen(), where=mask), facts).steps
        print(f"{name:12s} {measured:8.2f} {_run(pool, state, bound):6.2f}")


def _facts(stack: wb.Stack, mask: object) -> wb.Facts:
    return measure_facts(0, wb.Step(wb.LimitGreen(), where=mask), Frame(stack.planes))


def _run(pool: TilePool, state: State, bound: tuple) -> float:
    best = np.inf
    for _ in range(2):
        began = process_time()
        pool.apply(state, bound, keep=True)
        best = min(best, process_time() - began)
    return best


if __name__ == "__main__":
    main()
