"""The same recipe with the vector instructions of other processors: do runs that measure anew make the same picture?

    python benchmarks/processors.py [--scenes lantern_nebula beehouse_cluster] [--generic]

Runs the suggested recipe of sample stacks in processes of their own: as this processor does it, with OpenCV's kernels
for AVX2 and AVX-512 switched off, with numpy's, and with ``--generic`` also with numba compiling for any x86-64
(which compiles every kernel anew, minutes). Facts are measured in each. Prints how far pixels are apart (16-bit steps).
"""

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

SAMPLES = Path(__file__).parents[1] / "sample_stacks"
_RUN = """
import sys, numpy as np, workbench as wb
source, recipe, target = sys.argv[1:]
np.save(target, wb.Recipe.load(recipe).run(wb.read(source), progress=False).image.pixels)
"""
_CPUS: dict[str, dict[str, str]] = {
    "OpenCV without AVX": {"OPENCV_CPU_DISABLE": "AVX512-SKX,AVX2"},
    "numpy without AVX": {"NPY_DISABLE_CPU_FEATURES": "X86_V4,X86_V3"},
}


def pixels(scene: str, recipe: Path, folder: Path, settings: dict[str, str]) -> np.ndarray:
    """The picture as a process under these settings makes it."""
    target = folder / "picture.npy"
    command = [sys.executable, "-c", _RUN, str(SAMPLES / f"{scene}.tif"), str(recipe), str(target)]
    subprocess.run(command, env=os.environ | settings, check=True, stderr=subprocess.DEVNULL)
    return np.load(target)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", nargs="+", default=["lantern_nebula", "beehouse_cluster"])
    parser.add_argument("--generic", action="store_true", help="numba for any x86-64 too")
    wanted = parser.parse_args()
    import workbench as wb

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cpus = dict(_CPUS)
        if wanted.generic:
            cpus["numba for any x86-64"] = {"NUMBA_CPU_NAME": "generic", "NUMBA_CACHE_DIR": str(folder / "cache")}
        for scene in wanted.scenes:
            recipe = folder / f"{scene}.recipe.json"
            wb.suggest(wb.read(SAMPLES / f"{scene}.tif")).save(recipe)
            usual = pixels(scene, recipe, folder, {})
            for cpu, settings in cpus.items():
                apart = 65535 * np.abs(pixels(scene, recipe, folder, settings) - usual)
                beyond = np.mean(apart > 1)
                print(f"{scene:20} {cpu:22} mean {apart.mean():.4f}, largest {apart.max():.2f}, beyond 1: {beyond:.3%}")


if __name__ == "__main__":
    main()
