"""``workbench check`` and ``workbench suggest``."""

from __future__ import annotations

import json
from pathlib import Path

from typer import echo

from workbench.checkup import check as check_stack
from workbench.checkup import suggest as suggest_recipe
from workbench.cli.faults import tell
from workbench.cli.files import Reading, checked_output
from workbench.prepared import prepare

__all__ = ["check", "suggest"]


def check(stack: Path, *, as_json: bool, reading: Reading, scratch: Path | None) -> None:
    """Print what was measured in a stack, and advice."""
    prepare("check", tell)
    found = check_stack(reading.stack(stack, scratch), scratch=scratch)
    echo(json.dumps(found.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) if as_json else found)


def suggest(stack: Path, output: Path | None, *, force: bool, reading: Reading, scratch: Path | None) -> None:
    """Write (or print) a recipe made for a stack."""
    if output is not None:
        checked_output(output, force=force, inputs=[stack], suffixes=[".json"])
    prepare("picture", tell)
    recipe = suggest_recipe(reading.stack(stack, scratch), scratch=scratch)
    if output is None:
        echo(recipe.dumps(), nl=False)
        return
    recipe.save(output, overwrite=force)
    for number, step in enumerate(recipe, start=1):
        echo(f"{number:2} {step.operation.id:<16} {step.note}")
    picture = stack.with_suffix("").name + ".picture.tif"
    echo(f"\nWritten: {output}. Next: workbench run {output} {stack} -o {picture}")
