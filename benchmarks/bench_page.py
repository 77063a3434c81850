"""The bench in JupyterLab in Chromium: from a slider's input event to the painted picture. Run by ``bench.py``."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "browser"))

from conftest import ARGUMENTS, CHROMIUM
from playwright.sync_api import sync_playwright
from real_lab import LabPage, running_lab, write_notebook

import workbench as wb

__all__ = ["painted"]

# The panel counts a frame while it paints; the task after that runs when the frame has been handed to the screen.
_DRAG = """async ([label, from, to, moves]) => {
    const viewer = document.querySelector(".wt-viewer")
    const slider = document.querySelector(`.wt-settings input[type=range][aria-label="${label}"]`)
    const painted = (before) => new Promise((done) => {
        const look = new MutationObserver(() => {
            if (Number(viewer.dataset.generation) <= before) return
            look.disconnect()
            const { port1, port2 } = new MessageChannel()
            port1.onmessage = () => done(performance.now())
            port2.postMessage(0)
        })
        look.observe(viewer, { attributeFilter: ["data-frames"] })
    })
    const took = []
    for (let k = 1; k <= moves; k++) {
        const seen = painted(Number(viewer.dataset.generation))
        slider.value = Math.round(Number(slider.max) * (from + ((to - from) * k) / moves))
        const began = performance.now()
        slider.dispatchEvent(new Event("input", { bubbles: true }))
        took.push((await seen) - began)
        await new Promise((done) => setTimeout(done, 20))
    }
    slider.dispatchEvent(new Event("change", { bubbles: true }))
    return took
}"""
_CELL = """import workbench as wb

bench = wb.Bench({stack!r}, wb.Recipe.load({recipe!r}), autosave=False)
bench"""


def painted(
    source: Path, recipe: wb.Recipe, sliders: list[tuple[str, str]], drags: int, moves: int
) -> list[list[float]]:
    """Milliseconds of all moves for each slider (id of the step, label of the setting)."""
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright, running_lab(Path(name)) as server:
        folder = server.folder / "work"
        folder.mkdir()
        recipe.save(folder / "bench.recipe.json")
        cell = _CELL.format(stack=str(source.resolve()), recipe="bench.recipe.json")
        write_notebook(folder / "bench.ipynb", cell)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        lab = LabPage(browser, server, folder, folder, width=1720)
        lab.context.set_default_timeout(600_000)
        lab.open("bench.ipynb")
        lab.run_cell()
        lab.wait_settled(steps=len(recipe))
        return [_moves(lab, *slider, drags, moves) for slider in sliders]


def _moves(lab: Any, step: str, label: str, drags: int, moves: int) -> list[float]:
    lab.choose(step)
    took: list[float] = []
    for drag in range(drags):
        before = lab.generation()
        way = (0.3, 0.5) if drag % 2 == 0 else (0.5, 0.3)
        took += lab.page.evaluate(_DRAG, [label, *way, moves])
        lab.wait_settled(before + moves, steps=1)
    return took
