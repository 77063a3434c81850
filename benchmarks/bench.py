"""The bench on a 24-megapixel stack: from a slider's event to the picture, settling, loupe, opening, a drag, memory.

    python benchmarks/bench.py [--megapixels 24] [--scene lantern_nebula] [--stack FILE] [--browser]

The bench is driven as a page drives it, by messages to its panels, and what it sends is taken where it leaves the
kernel: the time is that from a message arriving to the JPEG of the changed picture leaving, for a view 1200 pixels
wide. Every drag begins on a settled picture, so that first moves count. With ``--browser`` the same is measured in
JupyterLab in Chromium, from the input event to the painted frame, with the server that the tests use. CPU seconds
are those of all threads.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from measuring import in_fresh_process, machine, resident, table

import workbench as wb
from workbench.bench.views import encoded
from workbench.bench.warm import warm_up
from workbench.simulate import write_simulation

RECIPE = [wb.RemoveGradient(), wb.CalibrateColor(), wb.LimitGreen(), wb.Denoise(), wb.Stretch(), wb.Saturate()]
FIRST, GREEN, NOISE, STRETCH, LAST = 0, 2, 3, 4, 5
DRAGS, MOVES = 6, 12
VIEW = 1200  # width of the fit view
DRAG_SECONDS, EDITS = 10, 200
RELEASES, INTO_SETTLING = 4, 0.3  # of each setting; seconds after which a next move comes
PARTS = ["sliders", "settling", "loupe", "drag", "open", "memory", "browser"]


class Page:
    """Stands in for the page: asks as a page does, and keeps when each frame came."""

    def __init__(self, bench: wb.Bench) -> None:
        self.bench = bench
        self.frames: list[tuple[float, dict[str, Any], list[bytes]]] = []
        self.came = threading.Condition()
        bench.screen.panels["viewer"].send = self._take

    def _take(self, message: dict[str, Any], buffers: Any = None) -> None:
        with self.came:
            if message.get("kind") == "fit":
                self.frames.append((time.perf_counter(), message, buffers))
            self.came.notify_all()

    def ask(self, panel: str, name: str, **wanted: Any) -> None:
        self.bench.screen.panels[panel]._handle_custom_msg({"id": 1, "do": name, "with": wanted}, [])

    def move(self, index: int, *, live: bool = True, **settings: float) -> tuple[float, float]:
        """Move a slider; seconds and CPU seconds until its picture leaves."""
        seen, began, cpu = len(self.frames), time.perf_counter(), time.process_time()
        self.ask("settings", "set", index=index, live=live, **settings)
        with self.came:
            self.came.wait_for(lambda: len(self.frames) > seen, 60)
        return self.frames[seen][0] - began, time.process_time() - cpu

    def rest(self) -> None:
        """Wait until the picture is settled, and forget the frames."""
        assert self.bench.wait(300)
        self.frames.clear()


def slider(page: Page, index: int, name: str, low: float, high: float) -> tuple[list[float], list[float]]:
    """Seconds and CPU seconds of all moves of several drags."""
    values = iter(np.linspace(low, high, DRAGS * MOVES).tolist())
    seconds, cpu = [], []
    for _ in range(DRAGS):
        page.ask("settings", "set", index=index, live=False, **{name: (value := next(values))})
        page.rest()
        for _ in range(MOVES):
            took = page.move(index, **{name: value})
            value = next(values, high)
            seconds.append(took[0])
            cpu.append(took[1])
            time.sleep(0.02)
    page.ask("settings", "set", index=index, live=False, **{name: value})
    page.rest()
    return seconds, cpu


def settling(page: Page) -> list[list[Any]]:
    """Seconds from a setting let go at to the settled picture, and to the draft of a move that comes meanwhile."""
    wanted = [
        ("last step (saturate amount)", LAST, "amount", 1.1, 2.5),
        ("stretch (sky)", STRETCH, "sky", 0.08, 0.2),
        ("denoise (strength)", NOISE, "strength", 0.5, 2.0),
        ("first step (gradient outlier limit)", FIRST, "outlier_limit", 1.5, 3.0),
    ]
    rows = []
    for what, index, name, low, high in wanted:
        seconds, cpu, next_move = [], [], []
        values = np.linspace(low, high, 3 * RELEASES).tolist()
        for moved, released, again in zip(values[::3], values[1::3], values[2::3], strict=True):
            page.move(index, **{name: moved})
            page.frames.clear()
            began, busy = time.perf_counter(), time.process_time()
            page.ask("settings", "set", index=index, live=False, **{name: released})
            assert page.bench.wait(300)
            seconds.append(next(t for t, message, _ in page.frames if not message["draft"]) - began)
            cpu.append(time.process_time() - busy)
            page.ask("settings", "set", index=index, live=False, **{name: moved})
            time.sleep(INTO_SETTLING)
            page.frames.clear()
            next_move.append(page.move(index, **{name: again})[0])
            page.rest()
        rows.append([what, RELEASES, ms(seconds, 0.5), ms(seconds, 1), ms(cpu, 0.5), ms(next_move, 0.5), "<= 1500"])
    return rows


def ms(values: list[float], share: float) -> float:
    return 1000 * float(np.quantile(values, share))


def sliders(page: Page) -> list[list[Any]]:
    wanted = [
        ("last step (saturate amount)", LAST, "amount", 1.1, 2.5, 30),
        ("stretch (sky)", STRETCH, "sky", 0.08, 0.2, None),
        ("denoise (strength)", NOISE, "strength", 0.5, 2.0, None),
        ("limit green (amount)", GREEN, "amount", 0.2, 1.0, None),
        ("first step (gradient outlier limit)", FIRST, "outlier_limit", 1.5, 3.0, 100),
    ]
    rows = []
    for what, index, name, low, high, target in wanted:
        seconds, cpu = slider(page, index, name, low, high)
        goal = "" if target is None else f"p95 <= {target}"
        rows.append([what, len(seconds), ms(seconds, 0.5), ms(seconds, 0.95), ms(seconds, 1), ms(cpu, 0.5), goal])
    return rows


def loupe(page: Page) -> list[list[Any]]:
    """Seconds from a setting's change to 800 x 600 pixels at 1:1: as drafted while a slider moves, and exact.

    The close-up is on the screen before its setting changes.
    """
    preview, recipe = page.bench.views.preview, page.bench.recipe
    assert preview is not None
    height, width, _ = page.bench.session.opened_stack().shape
    place = (height // 2 - 300, width // 2 - 400, 600, 800)
    kept = {i: f for i, f in preview.facts.items() if i > NOISE}

    def exact(shown: wb.Preview) -> Any:
        return shown.loupe(*place)

    def draft(shown: wb.Preview) -> Any:
        return shown.draft_loupe(*place, view_width=VIEW)

    def both(shown: wb.Preview) -> Any:
        shown.view(VIEW, draft=True)
        return draft(shown)

    wanted = [
        ("pointwise (saturate amount), exact", LAST, "amount", {}, exact, 40),
        ("neighborhood (denoise strength), draft", NOISE, "strength", {}, draft, 200),
        ("the same with the draft of the fit view", NOISE, "strength", {}, both, None),
        ("the same, exact, later facts frozen", NOISE, "strength", kept, exact, 200),
        ("the same, exact, later facts measured again", NOISE, "strength", {}, exact, None),
    ]
    rows = []
    for k, (what, index, name, frozen, look, target) in enumerate(wanted):
        seconds, cpu = [], []
        assert look(preview.showing(recipe, frozen)) is not None
        # Other values each time: a close-up seen before would be at hand.
        for value in np.linspace(1.1, 1.9, 5 if look is exact and target is None else 12).tolist():
            changed = recipe[index].operation.model_copy(update={name: value + 0.01 * k})
            steps = [*recipe.steps[:index], replace(recipe[index], operation=changed), *recipe.steps[index + 1 :]]
            shown = preview.showing(wb.Recipe(steps), frozen)
            began, busy = time.perf_counter(), time.process_time()
            assert look(shown) is not None
            seconds.append(time.perf_counter() - began)
            cpu.append(time.process_time() - busy)
        goal = "" if target is None else f"p95 <= {target}"
        rows.append([what, len(seconds), ms(seconds, 0.5), ms(seconds, 0.95), ms(cpu, 0.5), goal])
    return rows


def drag(page: Page) -> list[list[Any]]:
    """One slider moved 60 times a second: what is shown meanwhile, and after the release."""
    bench, moves = page.bench, 60 * DRAG_SECONDS
    before = resident()
    began = time.perf_counter()
    for k in range(moves):
        page.ask("settings", "set", index=STRETCH, live=True, sky=0.1 + 0.1 * k / moves)
        time.sleep(max(0.0, began + (k + 1) / 60 - time.perf_counter()))
    page.ask("settings", "set", index=STRETCH, live=False, sky=0.2)
    released = time.perf_counter()
    assert bench.wait(300)
    frames = list(page.frames)
    generations = [message["generation"] for _, message, _ in frames]
    late = [message["generation"] for t, message, _ in frames if t > released]
    stale = sum(g < generations[-1] for g in late) + int((np.diff(generations) < 0).sum())
    assert bench.views.preview is not None
    exact = bench.views.preview.fit(bench.views.feed.width)
    shown = frames[-1][2][0] == encoded(exact, draft=False) and not frames[-1][1]["draft"]
    grown = (resident() - before) / bench.session.opened_stack().pixels.nbytes
    rows = [
        ["frames painted of moves", f"{sum(t <= released for t, _, _ in frames)} of {moves}", ""],
        ["last frame is the settled picture of the value let go at", shown, "True"],
        ["stale frames after letting go", stale, "0"],
        ["seconds from letting go to the settled picture", frames[-1][0] - released, ""],
        ["memory after less before, float32 frames", grown, "flat"],
    ]
    page.rest()
    return rows


FRESH = """
import json, sys, time
sys.path.insert(0, sys.argv[2])
import numpy as np
import workbench as wb
from bench import *
from measuring import best, resident
from workbench.bench.warm import warm_up
path, what = sys.argv[1], sys.argv[3]
if what == "open":
    bench = wb.Bench(autosave=False)
    page = Page(bench)
    Path(path).read_bytes()  # opening and reading alike find the file in the system's cache
    began = time.perf_counter()
    bench.open(path)
    with page.came:
        page.came.wait_for(lambda: page.frames, 120)
    opened = page.frames[0][0] - began
    bench.close()
    print(json.dumps({"opened": opened, "read": best(lambda: wb.read(path), 3)}))
else:
    warm_up().join()
    small = wb.Stack.from_array(np.random.default_rng(0).normal(0.1, 0.001, (300, 400, 3)))
    bench = wb.Bench(small, wb.Recipe(RECIPE), autosave=False)
    bench.wait(); bench.close()
    base = resident()
    bench = wb.Bench(path, wb.Recipe(RECIPE), autosave=False)
    page = Page(bench)
    page.rest()
    edits = [(LAST, "amount", 1.1, 2), (STRETCH, "sky", 0.08, 0.2), (GREEN, "amount", 0.2, 1)]
    edits += [(NOISE, "strength", 0.5, 2), (FIRST, "outlier_limit", 1.5, 3)]
    told = {}
    for k in range(EDITS):
        index, name, low, high = edits[k % 5]
        for part in (0.3, 0.6, 1):
            value = low + (high - low) * (k + part) / EDITS
            page.ask("settings", "set", index=index, live=part < 1, **{name: value})
        if k % 10 >= 5 or k < 20:
            page.rest()
        if k + 1 in (20, EDITS // 2, EDITS):
            page.rest()
            told[k + 1] = (resident() - base) / bench.session.opened_stack().pixels.nbytes
    print(json.dumps(told))
"""


def page_rows(source: Path) -> list[list[Any]]:
    from bench_page import painted  # needs Chromium, JupyterLab and Playwright

    sliders = [("saturate", "Amount"), ("remove_gradient", "Outlier limit")]
    last, first = painted(source, wb.Recipe(RECIPE), sliders, DRAGS, MOVES)
    rows = []
    for what, took, goal in (("last step", last, 120), ("first step", first, 250)):
        seconds = [t / 1000 for t in took]
        rows.append([what, len(took), ms(seconds, 0.5), ms(seconds, 0.95), f"p95 <= {goal}"])
    return rows


def fresh(what: str, source: Path) -> dict[str, float]:
    found: dict[str, float] = in_fresh_process(FRESH, str(source), str(Path(__file__).parent), what)
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=24)
    parser.add_argument("--scene", default="lantern_nebula")
    parser.add_argument("--stack", type=Path, help="an existing stack in place of a simulated one")
    parser.add_argument("--browser", action="store_true", help="also in JupyterLab in Chromium, which takes minutes")
    parser.add_argument("--only", choices=PARTS, help="one part alone")
    wanted = parser.parse_args()
    parts = [wanted.only] if wanted.only else [p for p in PARTS if p != "browser" or wanted.browser]
    height = round((wanted.megapixels * 1e6 / 1.5) ** 0.5)
    with tempfile.TemporaryDirectory() as folder:
        source = wanted.stack or Path(folder) / "stack.tif"
        if wanted.stack is None:
            write_simulation(wanted.scene, source, shape=(height, round(height * 1.5)))
        print(f"{machine()}, load {os.getloadavg()[0]:.1f}; {source.name}\n")
        if {"sliders", "settling", "loupe", "drag"} & set(parts):
            in_one_bench(source, parts)
        if "open" in parts:
            told = fresh("open", source)
            opened, read = told["opened"], told["read"]
            rows = [["first picture, s", opened, "<= 3"], ["reading the file, s", read, ""]]
            print(table(["opening", "", "target"], [*rows, ["ratio", opened / read, "<= 4"]]), "\n")
        if "memory" in parts:
            told = fresh("memory", source)
            goals = {20: "<= 6", EDITS: "as after 20"}
            rows = [[f"after {n} edits", frames, goals.get(int(n), "")] for n, frames in told.items()]
            print(table(["memory above the interpreter, float32 frames", "", "target"], rows), "\n")
        if "browser" in parts:
            head = ["input event to painted picture, Chromium", "events", "p50 ms", "p95 ms", "target ms"]
            print(table(head, page_rows(source)))


def in_one_bench(source: Path, parts: list[str]) -> None:
    bench = wb.Bench(source, wb.Recipe(RECIPE), autosave=False)
    page = Page(bench)
    page.rest()
    warm_up().join()
    if "sliders" in parts:
        head = ["slider event to JPEG", "events", "p50 ms", "p95 ms", "most ms", "CPU p50 ms", "target ms"]
        print(table(head, sliders(page)), "\n")
    if "settling" in parts:
        head = ["setting let go at to settled picture", "times", "p50 ms", "most ms", "CPU p50 ms"]
        print(table([*head, "a move meanwhile to JPEG, p50 ms", "target ms"], settling(page)), "\n")
    if "loupe" in parts:
        head = ["loupe of 800 x 600 after a change", "times", "p50 ms", "p95 ms", "CPU p50 ms", "target ms"]
        print(table(head, loupe(page)), "\n")
    if "drag" in parts:
        print(table([f"dragging for {DRAG_SECONDS} s", "", "target"], drag(page)), "\n")
    bench.close()


if __name__ == "__main__":
    main()
