"""``workbench steps``, ``recipe``, ``diff`` and ``proof``: what there is, in words."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, cast, get_args

import numpy as np
from typer import echo

from workbench import io
from workbench.cli.files import Reading, checked_output, load_document, load_recipe
from workbench.engine import Recipe, Record, record_diff
from workbench.errors import WorkbenchError
from workbench.operations.base import REGISTRY, FrameOperation, Operation, Purpose, registered
from workbench.operations.describe import Story, facts_of, settings_of
from workbench.operations.findings import percent
from workbench.outputs import soft_proof
from workbench.recipe.faults import no_operation
from workbench.recipe.store import json_schema

if TYPE_CHECKING:
    from workbench.outputs.proof import Intent

__all__ = ["diff", "proof", "recipe", "steps"]

_WIDTH = 96
#: Half as light as white to the eye, in display values: what is out of gamut when it is marked.
_GRAY = np.float32(0.5)


def steps(name: str | None, *, schema: bool) -> None:
    """List the operations, or show one with its settings."""
    if schema:
        echo(json.dumps(json_schema(), indent=2, ensure_ascii=False))
    elif name is None:
        _list()
    else:
        _show(_operation(name))


def _operation(name: str) -> type[Operation]:
    """An operation by recipe id or class name, in any case."""
    wanted = name.replace("-", "_").lower()
    for cls in registered():
        if wanted in {cls.id, cls.__name__.lower()}:
            return cls
    raise WorkbenchError(no_operation(name))


def _tones(cls: type[Operation]) -> str:
    if issubclass(cls, FrameOperation):
        return "any image, before or after the stretch"
    return f"{cls.takes} image" if cls.takes == cls.gives else f"{cls.takes} image, makes a {cls.gives} image"


def _list() -> None:
    width = max(len(i) for i in REGISTRY) + 2
    for purpose in dict.fromkeys((*get_args(Purpose), *(cls.purpose for cls in registered()))):
        echo(purpose)
        for cls in registered():
            if cls.purpose == purpose:
                echo(f"  {cls.id:<{width}}{Story.of(cls).summary}")
    echo("\nworkbench steps NAME shows one with its settings, and when to use it.")


def _show(cls: type[Operation]) -> None:
    story = Story.of(cls)
    echo(f"{cls.id} (in Python: {cls.__name__})\nWorks on: {_tones(cls)}\n")
    for paragraph in (story.summary, story.why, *story.details):
        echo(_wrapped(paragraph) + "\n")
    settings = settings_of(cls)
    echo("Settings" if settings else "It has no settings.")
    for s in settings:
        unit = f" {s.unit}" if s.unit else ""
        expert = " (for special cases)" if s.expert else ""
        echo(f"  {s.name}: {s.allowed}{unit}; default {s.default}{expert}")
        echo(_wrapped(s.description, "      "))
    facts = facts_of(cls)
    echo("\nIt measures" if facts else "\nIt measures nothing.")
    for f in facts:
        form = ", ".join(words for words in (f.shape, f.unit) if words)
        echo(f"  {f.name}{f' ({form})' if form else ''}")
        echo(_wrapped(f.description, "      "))


def _wrapped(paragraph: str, indent: str = "") -> str:
    return textwrap.fill(" ".join(paragraph.split()), _WIDTH, initial_indent=indent, subsequent_indent=indent)


def recipe(picture: Path, output: Path | None, *, force: bool) -> None:
    """Print, or write, the recipe that a picture carries."""
    if output is not None:
        checked_output(output, force=force, inputs=[picture], suffixes=[".json"])
    found = load_recipe(picture)
    if output is None:
        echo(found.dumps(), nl=False)
        return
    io.write_text(output, found.dumps(), force)
    echo(f"Written: {output} ({len(found)} steps)")


def diff(first: Path, second: Path) -> None:
    """Print how two documents of one kind differ."""
    a, b = load_document(first), load_document(second)
    if isinstance(a, Record) and isinstance(b, Record):
        lines = record_diff(a, b)
    elif isinstance(a, Recipe) and isinstance(b, Recipe):
        lines = a.diff(b)
    else:
        kinds = [f"{p} is a {'record' if isinstance(d, Record) else 'recipe'}" for p, d in ((first, a), (second, b))]
        raise WorkbenchError(f"{' and '.join(kinds)}: give two recipes or two records")
    echo("\n".join(lines) if lines else "No difference.")


def proof(picture: Path, profile: Path, output: Path | None, *, intent: str, mark: bool, force: bool) -> None:
    """Say how much of a picture a printer cannot print, and write how it will look."""
    if output is not None:
        checked_output(output, force=force, inputs=[picture, profile])
    elif mark:
        raise WorkbenchError("--mark is for a picture that is written: name one with -o, or leave it out")
    made = soft_proof(Reading().stack(picture), profile, cast("Intent", intent))
    echo(f"{percent(made.share, 2)} of the picture is out of gamut for {made.printer} (rendering intent: {intent}).")
    if output is None:
        return
    shown = made.picture
    if mark:
        shown = shown.with_pixels(np.where(made.changed[..., None], _GRAY, shown.pixels))
    shown.save(output, overwrite=force)
    echo(f"Written: {output}")
