"""The same recipe as other processors would run it: do runs that measure anew make the same picture?

    python benchmarks/processors.py [--scenes lantern_nebula night.tif] [--drawn 3 17] [--generic] [--cache FOLDER]

Runs the suggested recipe of sample stacks, of other files, or of scenes that GalSim draws (``--drawn SEED``, from
tests/independent), in processes of their own: as this processor does it; with the kernels for AVX2 and AVX-512 of
OpenCV switched off, with those of numpy; with the kernels of OpenBLAS for a processor of 2004; and with ``--generic``
also with numba compiling for any x86-64, which compiles every kernel anew: minutes, once for each folder ``--cache``.
Facts are measured in each. Prints how far pixels are apart (16-bit steps), which step was the first to measure anything
else, and which measured more than a millionth else.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

TESTS = Path(__file__).parents[1] / "tests"
SAMPLES = Path(__file__).parents[1] / "sample_stacks"
_RUN = """
import sys, numpy as np, workbench as wb
source, recipe, target = sys.argv[1:]
result = wb.Recipe.load(recipe).run(wb.read(source), progress=False)
np.save(target + ".npy", result.image.pixels)
result.record.save(target + ".json", overwrite=True)
"""
_CPUS: dict[str, dict[str, str]] = {
    "OpenCV without AVX": {"OPENCV_CPU_DISABLE": "AVX512-SKX,AVX2"},
    "numpy without AVX": {"NPY_DISABLE_CPU_FEATURES": "X86_V4,X86_V3"},
    "OpenBLAS of 2004": {"OPENBLAS_CORETYPE": "Prescott"},
}
_ALIKE = 1e-6


def run(source: Path, recipe: Path, folder: Path, settings: dict[str, str]):
    """The picture and the record that a process under these settings makes."""
    from workbench import Record

    target = folder / "run"
    command = [sys.executable, "-c", _RUN, str(source), str(recipe), str(target)]
    subprocess.run(command, env=os.environ | settings, check=True, stderr=subprocess.DEVNULL)
    return np.load(f"{target}.npy"), Record.load(f"{target}.json")


def numbers(facts) -> np.ndarray:
    """All numbers among facts, in one row."""
    data = facts.model_dump()
    found = []

    def walk(value) -> None:
        if isinstance(value, dict):
            for part in value.values():
                walk(part)
        elif isinstance(value, list | tuple):
            for part in value:
                walk(part)
        elif isinstance(value, int | float | np.ndarray):
            found.append(np.asarray(value, np.float64).ravel())

    walk(data)
    return np.concatenate(found) if found else np.zeros(0)


def where(usual, other) -> str:
    """Which steps measured anything else."""
    said, much = "", []
    for old, new in zip(usual.steps, other.steps, strict=True):
        if old.facts is None or old.facts == new.facts:
            continue
        said = said or f"facts differ from {old.do} on"
        a, b = numbers(old.facts), numbers(new.facts)
        if a.size != b.size or np.any(np.abs(a - b) > _ALIKE * np.maximum(np.abs(a).max(initial=0), 1e-12)):
            much.append(old.do)
    return (said or "facts are the same") + (f", by over a millionth in {', '.join(much)}" if much else "")


def drawn(seed: int, folder: Path) -> Path:
    """A stack of a scene that GalSim draws."""
    sys.path.insert(0, str(TESTS))
    from independent.scenes import random_scene

    path = folder / f"drawn-{seed}.tif"
    random_scene(seed).stack.save(path)
    return path


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scenes", nargs="*", default=["lantern_nebula", "beehouse_cluster"])
    parser.add_argument("--drawn", nargs="*", type=int, default=[], metavar="SEED")
    parser.add_argument("--generic", action="store_true", help="numba for any x86-64 too")
    parser.add_argument("--only-generic", action="store_true", help="and nothing else")
    parser.add_argument("--cache", type=Path, help="folder for compiled kernels that is kept")
    wanted = parser.parse_args()
    import workbench as wb

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cache = (wanted.cache or folder).absolute()
        # Kernels that lie beside the sources may be of an earlier way of compiling.
        own = {"NUMBA_CACHE_DIR": str(cache / "own")}
        cpus = {} if wanted.only_generic else {cpu: own | settings for cpu, settings in _CPUS.items()}
        if wanted.generic or wanted.only_generic:
            cpus["numba for any x86-64"] = {"NUMBA_CPU_NAME": "generic", "NUMBA_CACHE_DIR": str(cache / "generic")}
        files = [Path(scene) if Path(scene).exists() else SAMPLES / f"{scene}.tif" for scene in wanted.scenes]
        for source in [*files, *(drawn(seed, folder) for seed in wanted.drawn)]:
            recipe = folder / f"{source.stem}.recipe.json"
            wb.suggest(wb.read(source)).save(recipe)
            usual, record = run(source, recipe, folder, own)
            for cpu, settings in cpus.items():
                pixels, other = run(source, recipe, folder, settings)
                apart = 65535 * np.abs(pixels - usual)
                print(
                    f"{source.stem:20} {cpu:22} mean {apart.mean():.4f}, largest {apart.max():.2f}, "
                    f"beyond 1: {np.mean(apart > 1):.3%}; {where(record, other)}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
