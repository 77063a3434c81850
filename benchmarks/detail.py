"""Deconvolution on scenes with truth, beside scikit-image's Richardson-Lucy: nearness to the truth, width, noise, time.

    python benchmarks/detail.py

Scenes and truth are those of `tests/independent` (GalSim). Errors are RMS in units of each pixel's noise, away from
clipped stars; scikit-image is given the true spread and shown at its best count of iterations. Times are of the
processor, not of the clock: one plane of 1024 x 1024 pixels, an iteration.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from skimage.restoration import richardson_lucy

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))

from independent.pictures import apply
from independent.sharpness import dark_rings, star_width
from independent.test_deconvolve import SCENES, build, peer

from workbench.operations._deconvolve.restore import Blur, ChannelPlan, restored
from workbench.operations._deconvolve.spread import bridge, moffat_kernel, separable
from workbench.operations.detail import Deconvolve

_SIDE, _ITERATIONS = 1024, 5


def _seconds(work: Callable[[], object]) -> float:
    work()
    start = time.process_time()
    work()
    return (time.process_time() - start) / _ITERATIONS


def main() -> None:
    """Print both tables."""
    print("scene           before  Deconvolve  scikit-image   FWHM  sky noise    ring")
    for name in SCENES:
        made = build(name)
        before, after = made.scene.stack.pixels, apply(Deconvolve(), made.scene.stack).image.pixels
        width, ring = star_width(after) / star_width(before), float(dark_rings(after, made).max())
        print(
            f"{name:12s} {made.error(before):8.2f} {made.error(after):11.2f} {peer(made):13.2f} {width:6.2f} "
            f"{made.sky_noise(after):10.2f} {100 * ring:6.2f}%"
        )
    plane = np.random.default_rng(0).normal(0.1, 0.002, (_SIDE, _SIDE)).astype(np.float32)
    wide = moffat_kernel(3.2, 3.0, 1.1, 20.0, 24)
    parts = Blur(*separable(bridge(wide, moffat_kernel(2.1, 3.0, 1.0, 0.0, 24), 7), 0.004))
    sky, sigma, pedestal, strength, relaxation = (np.float32(v) for v in (0.1, 0.002, 0.1, 0.15, 1.8))
    plan = ChannelPlan((parts,), sky, sigma, pedestal, strength, relaxation, _ITERATIONS)
    ours = _seconds(lambda: restored(plane, plan))
    theirs = _seconds(lambda: richardson_lucy(plane, wide[12:-12, 12:-12], num_iter=_ITERATIONS, clip=False))
    print(
        f"an iteration: Deconvolve {1e3 * ours:.0f} ms, scikit-image {1e3 * theirs:.0f} ms, {theirs / ours:.1f} times"
    )
    frame = ours * 24e6 / _SIDE**2 * 3 * 20 / 2
    print(f"24 megapixels in color, 20 iterations on two cores, without margins: {frame:.0f} s")


if __name__ == "__main__":
    main()
