"""A brush of 10,000 points on a 24-megapixel frame: what its mask takes in a view of 1500 pixels.

Milliseconds of the processor, that of both threads together, along a way as a hand goes it and as single dabs all over
the frame, with a small and a large brush. Compared with the plain form, every line for every pixel, on a part of it.

    python benchmarks/brush.py
"""

from __future__ import annotations

from time import process_time

import numpy as np

import workbench as wb
from workbench.engine.cache import step_key
from workbench.engine.tiles import tile_rects
from workbench.masks import Site
from workbench.operations._lines import line_weights_reference
from workbench.operations.base import Geometry, Rect, Tile
from workbench.threads import in_order, use_threads

FRAME, WIDTH, COUNT, TIMES = (4000, 6000), 1500, 10_000, 5
SCALE = FRAME[1] / WIDTH
GEOMETRY = Geometry(round(FRAME[0] / SCALE), WIDTH, 3, SCALE)
SITE = Site(GEOMETRY, np.array([[SCALE, 0, 0.5 * SCALE - 0.5], [0, SCALE, 0.5 * SCALE - 0.5]]), SCALE)


def masks() -> dict[str, wb.BrushMask]:
    """Ways of the brush, by name."""
    rng = np.random.default_rng(1)
    along = np.cumsum(np.cumsum(rng.normal(0, 0.12, (COUNT, 2)), axis=0), axis=0)
    along = (along - along.min(axis=0)) / np.ptp(along, axis=0) * [5600, 3600] + 200
    dabs = rng.uniform(0, 1, (COUNT, 2)) * [6000, 4000]
    made = {}
    for name, ways in {"one way": [along], "dabs": np.split(dabs, COUNT)}.items():
        for radius in (20.0, 150.0):
            strokes = [{"radius": radius, "points": way.round(1).tolist()} for way in ways]
            made[f"{name}, radius {radius:.0f} px"] = wb.BrushMask(strokes=strokes, feather=12)
    return made


def parts(mask: wb.BrushMask) -> list[float]:
    """Milliseconds that the key of the step, laying the mask out and weighing all tiles take."""
    step = wb.Step(wb.Denoise(), where=mask)
    began = process_time()
    step_key("", step, "")
    keyed = process_time()
    plan = mask.prepare({}, SITE)
    prepared = process_time()

    def weigh(rect: Rect) -> None:
        mask.weights(Tile(np.empty((3, rect.height, rect.width), np.float32), rect, 0, GEOMETRY), plan)

    with use_threads(2):
        in_order(weigh, tile_rects(GEOMETRY.height, GEOMETRY.width, 512))
    return [1e3 * (keyed - began), 1e3 * (prepared - keyed), 1e3 * (process_time() - prepared)]


def plain(mask: wb.BrushMask) -> float:
    """Milliseconds of the plain form, from every tenth line and a hundredth of the view."""
    plan = mask.prepare({}, SITE)
    began = process_time()
    line_weights_reference(plan.lines[0][::10], plan.feather, 0, 0, (GEOMETRY.height // 10, GEOMETRY.width // 10))
    return 1e6 * (process_time() - began)


def main() -> None:
    """Print a line for each."""
    print(f"{'brush':24s} {'key':>6s} {'prepare':>8s} {'weigh':>7s} {'all':>7s} ms; plain form / ours")
    for name, mask in masks().items():
        best = np.min([parts(mask) for _ in range(TIMES)], axis=0)
        told = " ".join(f"{ms:7.1f}" for ms in (*best, best.sum()))
        print(f"{name:24s} {told}     {plain(mask) / best[2]:.0f}")


if __name__ == "__main__":
    main()
