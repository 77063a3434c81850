"""How the benchmarks measure: against a memory copy of the frame, and against a named library in the same run.

Run every benchmark from a checkout on an otherwise idle machine. OPENBLAS_CORETYPE and OPENBLAS_L2_SIZE are taken out
of the environment together before numpy is loaded: set, they slow a current numpy.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

if "OPENBLAS_CORETYPE" in os.environ or "OPENBLAS_L2_SIZE" in os.environ:
    clean = {k: v for k, v in os.environ.items() if k not in {"OPENBLAS_CORETYPE", "OPENBLAS_L2_SIZE"}}
    os.execve(sys.executable, [sys.executable, *sys.argv], clean)

import numpy as np

SHAPE_24 = (4000, 6000)


def best(work: Callable[[], Any], repeats: int = 3) -> float:
    """Shortest of several timings in seconds: what the work costs when nothing disturbs it."""
    times = []
    for _ in range(repeats):
        began = time.perf_counter()
        work()
        times.append(time.perf_counter() - began)
    return min(times)


def copy_seconds(shape: tuple[int, ...] = (*SHAPE_24, 3), repeats: int = 7) -> float:
    """Seconds to copy a float32 frame into warm memory: the unit that other times are given in."""
    source, target = np.ones(shape, np.float32), np.zeros(shape, np.float32)
    return best(lambda: np.copyto(target, source), repeats)


@contextmanager
def peak_memory() -> Iterator[dict[str, float]]:
    """Measure how far the resident memory of this process rises inside, in bytes (Linux)."""
    told: dict[str, float] = {"rise": 0.0}
    start = resident()
    Path("/proc/self/clear_refs").write_text("5")  # begins the highest memory anew
    try:
        yield told
    finally:
        line = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
        told["rise"] = 1024.0 * int(line.split()[1]) - start


def resident() -> float:
    """Resident memory of this process in bytes (Linux)."""
    with open("/proc/self/statm") as file:  # noqa: PTH123 - read thousands of times
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")


def in_fresh_process(script: str, *arguments: str) -> Any:
    """Run Python source in a process of its own and return the JSON it prints last."""
    done = subprocess.run([sys.executable, "-c", script, *arguments], check=True, capture_output=True, text=True)
    return json.loads(done.stdout.strip().splitlines()[-1])


def machine() -> str:
    """The machine in one line."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return f"{platform.machine()}, {cores} cores, Python {platform.python_version()}, numpy {np.__version__}"


def table(head: list[str], rows: list[list[Any]]) -> str:
    """Rows as a Markdown table; floats with three figures."""
    cells = [[f"{c:.3g}" if isinstance(c, float) else str(c) for c in row] for row in rows]
    widths = [max(len(line[i]) for line in [head, *cells]) for i in range(len(head))]
    lines = [head, ["-" * w for w in widths], *cells]
    return "\n".join("| " + " | ".join(c.ljust(w) for c, w in zip(line, widths, strict=True)) + " |" for line in lines)
