"""The first minute after installing, later starts, and how true the first picture of a stack is.

    python benchmarks/first_picture.py                                  # starts, on the sample stack of the demo
    python benchmarks/first_picture.py --views [--megapixels 24] [--width 1200] [STACK ...]
    python benchmarks/first_picture.py --list                           # make workbench/kernels.json anew

Starts: each in a process of its own, from its start to its end, with an empty cache of compiled kernels first; the
bytecode of Python files is there, as installing leaves it. Wall seconds, and processor seconds of all its processes.
Targets on two idle cores: first check 15 s, first demo 40 s, first picture on the bench 20 s; later check 2 s, demo
6 s, help 0.3 s.

Views: the first picture against the settled view of the same width: its frame, its mean color by channel and its sky
(the median). Targets: the same frame, 2 % and 0.01. Seconds count from the file to display-ready pixels.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter, process_time, thread_time

import numpy as np
from measuring import machine, table

import workbench as wb
from workbench import prepared
from workbench.simulate import write_simulation

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_stacks" / "lantern_nebula.tif"
SCENES = ("beehouse_cluster", "lantern_nebula", "millwheel_galaxy", "woodsmoke_nebulosity")

#: What the bench does until its first picture of a stack, and until the first one with a recipe laid out. It ends
#: there: what is compiled behind a person's work does not count.
BENCH = """
import os, sys, workbench as wb
bench = wb.Bench(sys.argv[1], *map(wb.Recipe.load, sys.argv[2:]), autosave=False)
bench.views.feed.resize(1200)
bench.views.feed.wait_drafts()
os._exit(0)
"""


def started(cache: Path, *command: str) -> tuple[float, float]:
    """Wall and processor seconds of a command of its own process, the processes that it starts included."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), perf_counter()
    environment = os.environ | {"NUMBA_CACHE_DIR": str(cache), "PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, *command], env=environment, check=True, capture_output=True)
    wall, after = perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def starts() -> list[list]:
    """First and later starts."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "demo"
        recipe = str(made / "lantern.recipe.json")
        commands = {
            "check": ("-m", "workbench", "check", str(SAMPLE)),
            "demo": ("-m", "workbench", "demo", "--force", str(made)),
            "bench picture": ("-c", BENCH, str(SAMPLE)),
            "bench picture, recipe": ("-c", BENCH, str(SAMPLE), recipe),
            "help": ("-m", "workbench", "--help"),
        }
        order = [(when, name) for name in list(commands)[:-1] for when in ("first", "later")] + [("later", "help")]
        rows = []
        for when, name in order:
            # Each first start has a cache of its own, as if it were the first thing that a person does.
            rows.append([f"{when} {name}", *started(Path(folder) / f"cache for {name}", *commands[name])])
            print(rows[-1], file=sys.stderr)
        return rows


def called_by(part: str) -> dict[str, list]:
    """Kernels that this process calls for a first look, check-up or demo, with the types of their arguments."""
    from numba.core import dispatcher

    from workbench.bench import bench
    from workbench.cli import main as command

    os.environ[prepared.UNPREPARED] = "1"  # nor does the bench use every step then
    called = []
    compiled = dispatcher._DispatcherBase._compile_for_args

    def noted(kernel, *arguments, **named):
        began = thread_time()
        made = compiled(kernel, *arguments, **named)
        called.append((thread_time() - began, kernel, [kernel.typeof_pyval(a) for a in arguments]))
        return made

    dispatcher._DispatcherBase._compile_for_args = noted
    with tempfile.TemporaryDirectory() as folder:
        if part == "look":
            opened = bench.Bench(SAMPLE, autosave=False)
            opened.views.feed.resize(1200)
            opened.wait()
            opened.close()
        else:
            command(["check", str(SAMPLE)] if part == "check" else ["demo", folder])
    found: dict[str, list] = {}
    for _, kernel, kinds in sorted(called, key=lambda call: -call[0]):  # the longest first: workers end together
        module = sys.modules[kernel.py_func.__module__]
        name = next((f"{module.__name__}:{k}" for k, v in vars(module).items() if v is kernel), None)
        plain = prepared.described(kinds)
        if name and plain and plain not in found.setdefault(name, []):
            found[name].append(plain)
    return found


def make_list() -> None:
    """Write the kernels of each purpose, each found in a process of its own that has compiled nothing."""
    parts: dict[str, dict[str, list]] = {}
    for part in prepared.PURPOSES:
        with tempfile.TemporaryDirectory() as cache:
            command = [sys.executable, __file__, "--called", part]
            environment = os.environ | {"NUMBA_CACHE_DIR": cache, "PYTHONPATH": str(ROOT)}
            ran = subprocess.run(command, env=environment, check=True, stdout=subprocess.PIPE, text=True)
        parts[part] = json.loads(ran.stdout.splitlines()[-1])
    lines = [
        f' "{part}": {{\n' + ",\n".join(f"  {json.dumps(k)}: {json.dumps(v)}" for k, v in found.items()) + "\n }"
        for part, found in parts.items()
    ]
    prepared.LIST.write_text("{\n" + ",\n".join(lines) + "\n}\n")


def compared(path: Path, width: int) -> list:
    recipe = wb.suggest(wb.read(path))
    began, used = perf_counter(), process_time()
    preview = wb.Preview(wb.read(path), recipe)
    first = preview.view(width, draft=True)
    seconds, cpu = perf_counter() - began, process_time() - used
    began = perf_counter()
    settled = preview.view(width)
    rest = perf_counter() - began
    color = np.abs(first.planes.mean(axis=(1, 2)) / settled.planes.mean(axis=(1, 2)) - 1).max()
    sky = np.abs(np.median(first.planes, axis=(1, 2)) - np.median(settled.planes, axis=(1, 2))).max()
    same = "the same" if first.shape == settled.shape else f"{first.shape[:2]}, not {settled.shape[:2]}"
    return [path.stem, same, f"{100 * color:.2f} %", f"{sky:.4f}", seconds, cpu, rest]


def views(paths: list[Path], megapixels: float, width: int) -> list[list]:
    height = round((megapixels * 1e6 / 1.5) ** 0.5)
    warm = wb.Stack.from_array(np.random.default_rng(0).normal(0.1, 0.001, (300, 400, 3)))
    for kind in (wb.Crop, wb.MendPixels, wb.RemoveGradient, wb.LevelSky, wb.Denoise, wb.Stretch):
        wb.Preview(warm, wb.Recipe([kind()])).view(200, draft=True)
    with tempfile.TemporaryDirectory() as folder:
        for scene in () if paths else SCENES:
            paths.append(Path(folder) / f"{scene}.tif")
            write_simulation(scene, paths[-1], shape=(height, round(height * 1.5)))
        return [compared(path, width) for path in paths]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("stacks", nargs="*", type=Path, help="in place of the simulated sample scenes")
    parser.add_argument("--views", action="store_true", help="how true the first picture is")
    parser.add_argument("--list", action="store_true", help="make the list of kernels to prepare")
    parser.add_argument("--called", choices=prepared.PURPOSES, help="print those of one purpose")
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--width", type=int, default=1200)
    wanted = parser.parse_args()
    if wanted.called:
        print(json.dumps(called_by(wanted.called)))
    elif wanted.list:
        make_list()
    elif wanted.views or wanted.stacks:
        rows = views(list(wanted.stacks), wanted.megapixels, wanted.width)
        print(f"{machine()}; views {wanted.width} pixels wide\n")
        print(table(["stack", "frame", "color off", "sky off", "first picture s", "of CPU", "settled after s"], rows))
    else:
        rows = starts()
        print(f"{machine()}\n")
        print(table(["start", "wall s", "processor s"], rows))


if __name__ == "__main__":
    main()
