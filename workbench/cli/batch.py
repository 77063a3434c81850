"""Many stacks in one run: what became of each, the table at the end, the summary file, and which are done already."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from workbench import io
from workbench.cli.files import beside
from workbench.engine import Recipe, Record
from workbench.errors import WorkbenchError
from workbench.recipe.model import RecipeData
from workbench.recipe.store import from_data, parse_json

__all__ = ["Outcome", "State", "is_summary", "made_before", "summary_text", "table"]

KIND = "run summary"
State = Literal["done", "differs", "skipped", "failed", "not reached"]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one stack.

    Attributes
    ----------
    stack : str
    state : str
        ``done``; ``differs``: done, but not what ``--verify`` compared with; ``skipped``: its picture was there;
        ``failed``: nothing was made of it; ``not reached``: the run was stopped before.
    says : str
        Why, where it failed or was skipped.
    picture, record : str or None
        Files that are there now because of this run or an earlier one.
    seconds : float
    digest : str or None
        Of the picture's pixels, as its record has it.
    """

    stack: str
    state: State
    says: str = ""
    picture: str | None = None
    record: str | None = None
    seconds: float = 0.0
    digest: str | None = None


def counted(outcomes: Sequence[Outcome]) -> str:
    """How many stacks became what, in words."""
    order = ("done", "differs", "skipped", "failed", "not reached")
    found = {state: sum(o.state == state for o in outcomes) for state in order}
    return ", ".join(f"{n} {state}" for state, n in found.items() if n)


def table(outcomes: Sequence[Outcome]) -> str:
    """One line a stack, and the counts."""
    wide = max(len(Path(o.stack).name) for o in outcomes)
    lines = [
        f"{Path(o.stack).name:<{wide}}  {o.state:<11}  {o.seconds:6.1f} s  {o.says or o.picture or ''}".rstrip()
        for o in outcomes
    ]
    return "\n".join([*lines, f"{len(outcomes)} stacks: {counted(outcomes)}"])


def summary_text(outcomes: Sequence[Outcome], recipe: RecipeData) -> str:
    """The summary file: what the table says, as JSON."""
    states = [o.state for o in outcomes]
    counts = {name: states.count(name) for name in ("done", "differs", "skipped", "failed", "not reached")}
    entries = [asdict(o) for o in outcomes]
    data = {"kind": KIND, "version": 1, "recipe": recipe.title, "counts": counts, "stacks": entries}
    return json.dumps(data, indent=1, ensure_ascii=False) + "\n"


def is_summary(path: Path) -> bool:
    """Whether a file is a summary of an earlier run, which a resumed one may replace."""
    try:
        data = parse_json(path.read_text(encoding="utf-8"), str(path))
    except (OSError, ValueError, WorkbenchError):
        return False
    return isinstance(data, dict) and data.get("kind") == KIND


def made_before(
    stack: Path, picture: Path, recipe: Recipe, facts: Record | None, *, white_level: float | None, linear: bool
) -> Record | None:
    """The record of ``picture`` when it was made from this very stack by this recipe; None when it was not.

    Pictures appear whole or not at all, so one that carries its record is complete. The record beside it counts where
    the picture carries none.

    Parameters
    ----------
    stack, picture : Path
    recipe : Recipe
    facts : Record or None
        What was to be used in place of measuring; without it, the picture's facts must have been measured.
    white_level : float or None
    linear : bool
        How the stack was to be read.
    """
    record = _record_of(picture)
    if record is None or not record.intact or not _same_recipe(record, recipe):
        return None
    given = {} if facts is None else {i: f for i, f in facts.facts.items() if recipe[i].measures()}
    for step in record.steps:
        if not recipe[step.index].measures():
            continue
        if step.frozen is (facts is None) or (facts is not None and given.get(step.index) != step.facts):
            return None
    asked: dict[str, Any] = {} if white_level is None else {"white_level": white_level}
    asked |= {"tone": "linear"} if linear else {}
    if any(record.input.get(name) != value for name, value in asked.items()):
        return None
    return record if io.file_digest(stack) == record.input.get("sha256") else None


def _record_of(picture: Path) -> Record | None:
    companion = beside(picture, ".record.json")
    try:
        text = io.embedded(picture).record
        if text is not None:
            return Record.loads(text)
        return Record.load(companion) if companion.exists() else None
    except WorkbenchError:
        return None


def _same_recipe(record: Record, recipe: Recipe) -> bool:
    try:
        made = RecipeData(*from_data(record.recipe, "its recipe"))
    except WorkbenchError:
        return False
    return made.to_dict() == recipe.to_dict()
