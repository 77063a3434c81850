"""Sky solutions of simulated fields from all over the sky, against where the camera was pointed.

    python benchmarks/solving.py            # 200 fields; the first time, two minutes to build star patterns
    python benchmarks/solving.py 40 --seed 3

Each field is drawn anew: a lens of 35 to 300 mm on APS-C or full frame, stated up to 5 % wrong, anywhere on the sky,
turned at will, mirrored now and then, with up to 1.5 % of distortion in the corners and an axis beside the middle. Its
stars are the catalogue's, moved to a date, with noise in place and light; a part of them is missing, others that no
catalogue knows are added, most of them fainter. Projection and distortion are those of `tests/independent/sky.py`, in
vectors and radii, and not taken from the package.

It is told how many fields were solved, how many solutions were false (the middle off by more than a hundredth of the
field), and how far the fitted places lie from the true ones over a grid of the whole frame: root mean square in pixels.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))
from independent.sky import Field

from workbench.errors import WorkbenchError
from workbench.sky.locate import locate


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("fields", nargs="?", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--focal", type=float, nargs=2, default=(35, 300), metavar=("FROM", "TO"), help="lenses, mm")
    wanted = parser.parse_args()
    solved, false, errors, seconds, residuals = 0, 0, [], [], []
    count = wanted.fields
    for seed in range(wanted.seed, wanted.seed + count):
        field = Field(seed, tuple(wanted.focal))
        began = time.perf_counter()
        try:
            got = locate(field.found, field.camera.shape, field.stated, epoch=field.epoch)
        except WorkbenchError as error:
            print(f"{seed:4} {field.focal:4.0f} mm {field.sensor}: {error}")
            continue
        seconds.append(time.perf_counter() - began)
        middle, rms = field.camera.error(got.wcs)
        if middle > 0.01:
            false += 1
            print(f"{seed:4} {field.focal:4.0f} mm {field.sensor}: FALSE, {middle:.2f} of the field off")
            continue
        solved += 1
        errors.append(rms)
        residuals.append(got.residual)
        if rms > 0.3 or got.mirrored != field.camera.mirrored:
            what = f"{rms:.2f} px off, order {got.order}, {got.matched} stars"
            print(f"{seed:4} {field.focal:4.0f} mm {field.sensor}: {what}")
    print(f"solved {solved} of {count} ({100 * solved / count:.1f} %), false {false}")
    if errors:
        print(f"error over the frame: median {np.median(errors):.3f}, worst {max(errors):.3f} px rms")
        print(f"residual of matched stars: median {np.median(residuals):.3f}, worst {max(residuals):.3f} px rms")
        print(f"time: median {np.median(seconds):.2f}, worst {max(seconds):.2f} s")
    sys.exit(0 if solved >= 0.98 * count and false == 0 else 1)


if __name__ == "__main__":
    main()
