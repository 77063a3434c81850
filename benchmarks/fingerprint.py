"""What the fingerprint of a run costs, and what it adds to the record.

    python benchmarks/fingerprint.py [--megapixels 24] [--repeat 5]

Compares the suggested recipe's run over a simulated stack as it is with the same run whose fingerprint is left out
(digests and times are kept in both). The two take turns, and the quickest of each counts. Then one tile of 512 pixels:
the kernel against its numpy twin, the digest of the same tile, and a memory copy of it.
"""

import argparse
from statistics import median
from time import perf_counter
from unittest.mock import patch

import numpy as np
from measuring import best, machine

import workbench as wb
from workbench.engine import trace
from workbench.engine.digest import digest
from workbench.engine.fingerprint import COARSE, SIDE, Fingerprint, block_sums, block_sums_reference
from workbench.simulate import simulate


def _nothing(tile: np.ndarray, _y0: int, _x0: int) -> np.ndarray:
    channels, height, width = tile.shape
    return np.zeros((-(-height // SIDE), -(-width // SIDE), channels, 5))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--repeat", type=int, default=5)
    wanted = parser.parse_args()
    print(machine())
    height = int((wanted.megapixels * 1e6 / 1.5) ** 0.5)
    stack = simulate("lantern_nebula", shape=(height, height * 3 // 2)).stack
    recipe = wb.suggest(stack)
    record = recipe.run(stack).record
    seconds: dict[str, list[float]] = {"with": [], "without": []}
    for _ in range(wanted.repeat):
        for name, times in seconds.items():
            with patch.object(trace, "block_sums", block_sums if name == "with" else _nothing):
                began = perf_counter()
                recipe.run(stack)
                times.append(perf_counter() - began)
    low, mid = ({name: f(times) for name, times in seconds.items()} for f in (min, median))
    print(f"run of {len(recipe)} steps")
    for word, times in (("quickest", low), ("median", mid)):
        share = times["with"] / times["without"] - 1
        print(f"  {word}: {times['without']:.2f} s without, {times['with']:.2f} s with: {share:+.1%}")
    h, w, c = record.output["shape"]
    size, step, all_of_it = len(record.output["fingerprint"]), len(record.steps[0].fingerprint), len(record.dumps())
    share = size / (4 * h * w * c)
    print(
        f"record: {all_of_it / 1e3:.0f} kB; the picture's fingerprint {size / 1e3:.0f} kB, a step's {step / 1e3:.0f} kB"
    )
    print(f"the picture's fingerprint as text is {share:.2%} of a float32 frame")
    tile = np.random.default_rng(1).random((3, 512, 512), np.float32)
    block_sums(tile)
    works = {
        "kernel": lambda: block_sums(tile),
        "numpy twin": lambda: block_sums_reference(tile),
        "digest": lambda: digest(tile),
        "copy": tile.copy,
    }
    for name, work in works.items():
        print(f"tile, {name}: {1e6 * best(work):.0f} us")
    gap = Fingerprint.of_sums(block_sums(tile), 512, 512).gap(Fingerprint.of_sums(block_sums_reference(tile), 512, 512))
    print(f"kernel and twin are apart by {65535 * gap.size:.3f} 16-bit steps; squares of {SIDE} and {COARSE} pixels")


if __name__ == "__main__":
    main()
