"""A mosaic larger than memory, file to file: seconds, most memory, scratch space; threads, one worker, two workers.

    python benchmarks/gigapixel.py --megapixels 50 --folder DISK [--ways threads 1 2] [--check]

Makes a 16-bit BigTIFF of tiles of the size asked for (a simulated field, mirrored side by side, with noise of its
own), and runs one recipe on it with ``workbench run --scratch``: on the threads of one process, and on the workers of
a Dask cluster of one and of two processes. Memory is the sum of resident pages of all processes, looked at five times
a second: pages of files that two processes map count twice, and pages that the system could drop count too.
Processor time is told apart: that of the command (reading, measuring, writing) and that of the workers (starting,
tiles), which is all that a second worker can share.
``--check`` also runs in memory, and compares the files byte by byte.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import threading
import time
from contextlib import nullcontext
from pathlib import Path

import numpy as np
import tifffile

import workbench as wb
from workbench.simulate import simulate

BASE = (1200, 1720)


def make_mosaic(path: Path, megapixels: float) -> None:
    """Write the mosaic tile by tile."""
    width = round((megapixels * 1e6 * 1.2) ** 0.5)
    height = round(megapixels * 1e6 / width)
    base = simulate("hayfield_stars", shape=BASE, seed=7).stack.pixels
    light = np.clip(base * 65535 + 0.5, 64, 65000).astype(np.uint16)
    light = np.pad(light, [(0, 0), (0, BASE[1]), (0, 0)], mode="symmetric")
    rng = np.random.default_rng(1)
    grain = np.clip(rng.normal(32, 8, (1024, 2048, 3)), 0, 64).astype(np.uint16)

    def tiles():
        for y in range(0, height, 512):
            rows = np.arange(y, y + 512) % (2 * BASE[0])
            rows = np.where(rows < BASE[0], rows, 2 * BASE[0] - 1 - rows)
            strip = light[rows]
            for x in range(0, width, 512):
                columns = np.arange(x, x + 512) % light.shape[1]
                dy, dx = rng.integers(0, 512), rng.integers(0, 1536)
                yield strip[:, columns] + grain[dy : dy + 512, dx : dx + 512] - np.uint16(32)

    tifffile.imwrite(
        path, tiles(), shape=(height, width, 3), dtype=np.uint16, photometric="rgb", tile=(512, 512), bigtiff=True
    )


class Watch:
    """The most memory of a process and all its descendants (kB) while it runs, and their processor time (s)."""

    def __init__(self, pid: int) -> None:
        self.resident = self.anonymous = 0
        self._used: dict[int, float] = {}
        self._pid, self._stop = pid, threading.Event()
        self._thread = threading.Thread(target=self._look, daemon=True)
        self._thread.start()

    def _look(self) -> None:
        while not self._stop.wait(0.2):
            pids = family(self._pid)
            self._used.update({pid: spent for pid in pids if (spent := used(pid))})
            seen = [status(pid) for pid in pids]
            self.resident = max(self.resident, sum(s.get("VmRSS", 0) for s in seen))
            self.anonymous = max(self.anonymous, sum(s.get("RssAnon", 0) for s in seen))

    def end(self) -> None:
        self._stop.set()
        self._thread.join()

    @property
    def seconds(self) -> float:
        return sum(self._used.values())


def used(pid: int) -> float:
    """Processor time of a process, s; 0 once it has ended."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def status(pid: int) -> dict[str, int]:
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return {}
    return {k: int(v.split()[0]) for k, _, v in (line.partition(":") for line in lines) if k in {"VmRSS", "RssAnon"}}


def family(pid: int) -> list[int]:
    found = [pid]
    for one in found:
        try:
            for task in Path(f"/proc/{one}/task").iterdir():
                found += [int(child) for child in (task / "children").read_text().split()]
        except OSError:
            continue
    return found


def timed(command: list[str]) -> tuple[float, Watch]:
    began = time.perf_counter()
    process = subprocess.Popen(command)
    watch = Watch(process.pid)
    code = process.wait()
    watch.end()
    if code:
        raise SystemExit(f"{command[:4]} ended with {code}")
    return time.perf_counter() - began, watch


def scheduler(workers: int):
    """A local cluster of so many processes, as a child of this process."""
    import distributed

    return distributed.LocalCluster(n_workers=workers, threads_per_worker=1, memory_limit=0, dashboard_address=None)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--megapixels", type=float, default=50)
    parser.add_argument("--folder", type=Path, required=True, help="on a disk with room for 48 bytes a pixel")
    parser.add_argument("--ways", nargs="+", default=["threads", "1", "2"], choices=["threads", "1", "2"])
    parser.add_argument("--check", action="store_true", help="compare with a run in memory")
    wanted = parser.parse_args()
    folder = wanted.folder
    folder.mkdir(parents=True, exist_ok=True)
    source, recipe = folder / "mosaic.tif", folder / "mosaic.recipe.json"
    steps = [wb.RemoveGradient(), wb.CalibrateColor(), wb.Denoise(), wb.Stretch(), wb.Saturate()]
    wb.Recipe(steps, title="mosaic").save(recipe, overwrite=True)
    if not source.exists():  # one of an earlier run serves again
        make_mosaic(source, wanted.megapixels)
    with tifffile.TiffFile(source) as file:
        height, width, _ = file.pages[0].shape
    print(f"mosaic: {width} x {height}, {source.stat().st_size / 1e9:.2f} GB", flush=True)
    run = [sys.executable, "-m", "workbench", "run", str(recipe), str(source), "--force", "--record", "-o"]
    outputs = []
    for way in wanted.ways:
        picture = folder / f"{way}.picture.tif"
        outputs.append(picture)
        with nullcontext() if way == "threads" else scheduler(int(way)) as cluster:
            on = [] if cluster is None else ["--on", f"dask={cluster.scheduler_address}"]
            beside, before = Watch(os.getpid()), used(os.getpid())
            seconds, watch = timed([*run, str(picture), "--scratch", str(folder), *on])
            beside.end()
        everyone = watch if way == "threads" else beside
        workers = beside.seconds - watch.seconds - before
        load = os.getloadavg()[0]
        print(
            f"{way:8} {seconds:7.0f} s, at most {everyone.resident / 1e6:.2f} GB resident in all processes "
            f"({everyone.anonymous / 1e6:.2f} GB not of files), processor time {watch.seconds:.1f} s of the command "
            f"and {workers:.1f} s beside it, load average {load:.1f}",
            flush=True,
        )
        if len(outputs) > 1:
            compare(outputs[0], picture)
            picture.unlink()
    if wanted.check:
        timed([*run, str(folder / "memory.picture.tif")])
        compare(outputs[0], folder / "memory.picture.tif")


def compare(first: Path, second: Path) -> None:
    same = subprocess.run(["cmp", str(first), str(second)], check=False).returncode == 0
    print(f"{first.name} and {second.name}: {'the same bytes' if same else 'DIFFERENT'}", flush=True)


if __name__ == "__main__":
    main()
