"""How much of a known glow `RemoveGradient` leaves over real photographs of the sky, beside a joint polynomial.

    python benchmarks/photographs.py             the eight of tests/real, five glows
    python benchmarks/photographs.py --seed 12   other glows of the same kinds

left, joint   as in `gradient.py`: RMS of the surface's error without its mean, in % of its height, worst channel.
kept          light of the objects after the step over light before, as there.
likely error  what the step says of itself, in the same unit (68 %).
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from gradient import Made, gradient_left, joint_polynomial, object_fate, ours
from measuring import machine, table

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from real.photographs import PHOTOGRAPHS, glowing

#: Kinds of glow, and how high they rise, in skies.
GLOWS = {"plane": 0.15, "two_domes": 0.4, "corner": 0.4, "moon": 0.3, "vignetting": 0.3}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=7)
    seed = parser.parse_args().seed
    rows, both, sure = [], [], []
    for name in PHOTOGRAPHS:
        for kind, height in GLOWS.items():
            made = glowing(name, kind, height, seed)
            sky, objects = (np.moveaxis(a, 2, 0) for a in (made.sky, made.objects))
            model, facts = ours(made.planes)
            left, joint = (100 * float(gradient_left(m, sky).max()) for m in (model, joint_polynomial(made.planes)))
            kept, _ = object_fate(model, Made(made.planes, sky, objects))
            both.append((left, joint))
            sure.append(100 * (facts.uncertainty or 0))
            rows.append([f"{name} {kind}", f"{left:.1f}", f"{joint:.1f}", f"{100 * kept:.0f}", f"{sure[-1]:.1f}"])
    each, told = np.array(both), np.array(sure)
    head = ["stack", "left", "joint", "kept", "likely error"]
    print(f"{machine()}\n{len(rows)} stacks, all in %\n\n{table(head, rows)}\n")
    for name, q in (("median", 0.5), ("95 %", 0.95), ("worst", 1.0)):
        print(name, " ".join(f"{x:.2f}" for x in np.quantile(each, q, axis=0)))
    worse, clearly = (int((each[:, 0] > factor * each[:, 1]).sum()) for factor in (1.0, 1.2))
    print(f"worse than joint: {worse} of {len(each)}, by more than a fifth: {clearly}")
    print(f"within the likely error: {(each[:, 0] <= told).sum()} of {len(each)}")


if __name__ == "__main__":
    main()
