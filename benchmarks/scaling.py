"""What a suggested recipe costs against the size of the stack and the number of threads, as a table, a page, a picture.

    python benchmarks/scaling.py [--megapixels 2 6 24 60] [--threads 1 2 4] [--scene lantern_nebula] [--page]

From a 16-bit TIFF to one, on an otherwise idle machine. One recipe for all sizes, the one suggested for 6 megapixels:
what is compared is the same work. Sizes run on all cores, threads at 24 megapixels; more threads than cores are left
out. ``--page`` writes ``docs/cost.md`` and ``docs/cost.svg``; name the page in ``docs/index.md``.

*Linear* says how far a size's seconds are from its share of those at 24 megapixels: 1.1 is a tenth more.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from measuring import machine, table

import workbench as wb
from workbench.simulate import write_simulation
from workbench.threads import default_threads

DOCS = Path(__file__).parents[1] / "docs"
BASE, RECIPE_OF = 24.0, 6.0
#: Below this many seconds a size is run three times, and the shortest counts.
REPEATED = 20.0


def written(scene: str, megapixels: float, folder: Path) -> Path:
    """A simulated stack of this size, 3 to 2."""
    path = folder / f"{megapixels:g}.tif"
    if not path.exists():
        height = round((megapixels * 1e6 / 1.5) ** 0.5)
        write_simulation(scene, path, shape=(height, round(height * 1.5)))
    return path


def cost(path: Path, recipe: wb.Recipe, threads: int) -> tuple[float, float]:
    """Seconds from file to file, and processor seconds of all threads."""
    seconds: list[tuple[float, float]] = []
    while not seconds or (len(seconds) < 3 and seconds[0][0] < REPEATED):
        began, used = perf_counter(), process_time()
        result = recipe.run(wb.read(path), threads=threads, progress=False)
        result.save(path.with_suffix(".out.tif"), overwrite=True)
        seconds.append((perf_counter() - began, process_time() - used))
        del result
    return min(seconds)


def measured(scene: str, sizes: list[float], threads: list[int]) -> tuple[dict[float, Any], dict[float, Any]]:
    """Costs by size on all cores, and by threads at `BASE` megapixels."""
    cores = default_threads()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recipe = wb.suggest(wb.read(written(scene, RECIPE_OF, folder)))
        recipe.run(wb.read(written(scene, 1.0, folder)), progress=False)  # every kernel is loaded
        by_size = {size: cost(written(scene, size, folder), recipe, cores) for size in sizes}
        by_threads: dict[float, Any] = {n: cost(written(scene, BASE, folder), recipe, n) for n in threads if n <= cores}
    return by_size, by_threads


def linear(by_size: dict[float, Any], size: float) -> float:
    """Seconds of a size over its share of those at `BASE` megapixels, or at the largest size below."""
    base = max((s for s in by_size if s <= BASE), default=min(by_size))
    return float(by_size[size][0] / size * base / by_size[base][0])


def tables(by_size: dict[float, Any], by_threads: dict[float, Any]) -> str:
    sizes = [[f"{s:g}", wall, cpu, linear(by_size, s)] for s, (wall, cpu) in by_size.items()]
    parts = [table(["megapixels", "seconds", "of processor", "linear"], sizes)]
    if by_threads:
        one = by_threads[min(by_threads)][0]
        rows = [[n, wall, cpu, one / wall] for n, (wall, cpu) in by_threads.items()]
        parts.append(table(["threads", "seconds", "of processor", "times as fast"], rows))
    return "\n\n".join(parts)


def picture(by_size: dict[float, Any], by_threads: dict[float, Any], path: Path) -> None:
    """Seconds against size, and against threads, both on logarithmic axes; dashed what would be in proportion."""
    mpl.rcParams["svg.hashsalt"] = "cost"
    figure = Figure(figsize=(8, 3.4), layout="constrained")
    left, right = figure.subplots(1, 2)
    for axes, points, what, power in (
        (left, by_size, "megapixels", 1),
        (right, by_threads, "threads", -1),
    ):
        at = np.array(sorted(points), float)
        if at.size == 0:
            axes.set_axis_off()
            continue
        wall = np.array([points[k][0] for k in sorted(points)])
        middle = at.size // 2
        axes.plot(at, wall[middle] * (at / at[middle]) ** power, "--", color="0.6", label="in proportion")
        axes.plot(at, wall, "o-", color="#1b6f8a", label="measured")
        axes.set(xscale="log", yscale="log", xlabel=what, ylabel="seconds, file to file")
        axes.set_xticks(at, [f"{k:g}" for k in at])
        axes.minorticks_off()
        ticks = np.unique(np.round(wall, 1 if wall.min() > 1 else 2))
        axes.set_yticks(ticks, [f"{k:g}" for k in ticks])
        axes.grid(color="0.9")
        axes.legend(frameon=False)
    figure.savefig(path, metadata={"Date": None})


PAGE = """# What size and cores cost

A suggested recipe ({steps}), from a 16-bit TIFF to one. The same recipe at all sizes, on {machine}; made by
`benchmarks/scaling.py`. *Linear* is how far seconds are from a size's share of those at {base:g} megapixels: 1.1 is a
tenth more.

![Seconds against megapixels and against threads](cost.svg)

{tables}
"""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, nargs="+", default=[2, 6, 24, 60])
    parser.add_argument("--threads", type=int, nargs="*", default=[1, 2, 4])
    parser.add_argument("--scene", default="lantern_nebula")
    parser.add_argument("--page", action="store_true", help="write docs/cost.md and docs/cost.svg")
    wanted = parser.parse_args()
    by_size, by_threads = measured(wanted.scene, wanted.megapixels, wanted.threads)
    told = tables(by_size, by_threads)
    print(f"{machine()}; {wanted.scene}\n\n{told}")
    if wanted.page:
        picture(by_size, by_threads, DOCS / "cost.svg")
        steps = "eight steps, from crop to saturation" if wanted.scene == "lantern_nebula" else wanted.scene
        page = PAGE.format(steps=steps, machine=machine(), base=BASE, tables=told)
        (DOCS / "cost.md").write_text(page)


if __name__ == "__main__":
    main()
