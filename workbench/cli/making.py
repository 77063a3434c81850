"""``workbench demo``, ``lesson`` and ``simulate``: things made from scratch."""

from __future__ import annotations

import re
from pathlib import Path

from typer import echo

from workbench.checkup import check
from workbench.cli.faults import tell
from workbench.cli.files import Reading, checked_output, load_recipe, load_record, results_in
from workbench.errors import WorkbenchError
from workbench.prepared import prepare
from workbench.simulate import SCENES, write_simulation
from workbench.simulate.stack_files import quantised, samples_sha256
from workbench.teach import make_demo, write_lesson
from workbench.teach.demo import NAMES
from workbench.teach.writing import SUFFIXES

__all__ = ["demo", "lesson", "simulate"]


def demo(folder: Path, *, force: bool) -> None:
    """Do the main job on a sample stack and say where everything is."""
    with results_in(folder):
        for name in NAMES:
            checked_output(folder / name, force=force, inputs=[])
        prepare("picture", tell)
        made = make_demo(folder, overwrite=force)
    echo(f"Made from {made.stack}:")
    width = max(len(str(path)) for path in made.files)
    for path, what in made.files.items():
        echo(f"  {path!s:<{width}}  {what}")
    sheet, recipe = made.sheet, made.recipe
    echo(f"\nOpen {sheet} in a browser: it shows every step before and after.")
    echo(f"Change a setting in {recipe} and run it again:\n  workbench run {recipe} {made.stack} -o mine.picture.png")
    echo("With a stack of your own:\n  workbench check night.tif\n  workbench suggest night.tif -o night.recipe.json")


def lesson(recipe_path: Path, stack: Path, output: Path, *, facts: Path | None, force: bool, reading: Reading) -> None:
    """Write what a recipe does on a stack, step by step, as a page or a notebook."""
    inputs = [recipe_path, stack, *([facts] if facts else [])]
    checked_output(output, force=force, inputs=inputs, suffixes=SUFFIXES)
    recipe = load_recipe(recipe_path)
    frozen = load_record(facts) if facts else None
    prepare("picture", tell)
    pixels = reading.stack(stack)
    result = recipe.run(pixels, facts=frozen)
    write_lesson(
        output, pixels, recipe, result, check(pixels), overwrite=force, protect=inputs, tone_given=reading.linear
    )
    echo(f"Written: {output} ({len(recipe)} steps)")


def simulate(
    name: str | None, output: Path | None, *, size: str | None, seed: int | None, truth: Path | None, force: bool
) -> None:
    """Write a simulated stack, or list the scenes."""
    if name is None:
        for scene in SCENES.values():
            echo(f"{scene.name:<22} {scene.title}")
        echo("\nworkbench simulate NAME -o STACK.tif makes one.")
        return
    if output is None:
        raise WorkbenchError("say where the stack goes: -o STACK.tif")
    checked_output(output, force=force, inputs=[], suffixes=[".tif", ".tiff"])
    shape = None if size is None else _shape(size)
    made = write_simulation(name, output, truth=truth, seed=seed, shape=shape, overwrite=force)
    height, width, _ = made.stack.shape
    echo(f"Written: {output} ({made.scene.title}, {width} x {height} px)")
    echo(f"SHA-256 of its samples: {samples_sha256(quantised(made.stack.pixels))}")


def _shape(size: str) -> tuple[int, int]:
    found = re.fullmatch(r"(\d{1,6})x(\d{1,6})", size.strip().lower())
    if found is None:
        raise WorkbenchError(f"--size {size!r}: give width x height in pixels, such as 1720x1200")
    return int(found[2]), int(found[1])
