"""The session as Python."""

from __future__ import annotations

from os import PathLike, fspath
from pathlib import PurePath
from typing import Any

from workbench.acquisition import Source
from workbench.operations.base import Operation
from workbench.recipe.model import RecipeData, Step, Where

__all__ = ["call_of", "literal", "opening_code", "recipe_code", "session_code"]


def call_of(operation: Operation) -> str:
    """The operation as a Python expression, with the settings that differ from the defaults."""
    # Only whole settings are left out: what lies inside a region must be written, its defaults too.
    changed = operation.model_dump(exclude_defaults=True)
    whole = operation.model_dump(include=set(changed))
    settings = ", ".join(f"{name}={value!r}" for name, value in whole.items())
    return f"wb.{type(operation).__name__}({settings})"


def literal(value: Any) -> str:
    """A gesture's argument as a Python expression."""
    if isinstance(value, Operation):
        return call_of(value)
    if isinstance(value, Where):
        return _where(value)
    if isinstance(value, RecipeData):
        return recipe_code(value)
    return repr(fspath(value)) if isinstance(value, PathLike) else repr(value)


def recipe_code(recipe: RecipeData) -> str:
    """The recipe as a Python expression over several lines."""
    if not recipe.steps and not recipe.title:
        return "wb.Recipe()"
    steps = "".join(f"        {_step(s)},\n" for s in recipe)
    return f"wb.Recipe(\n    [\n{steps}    ],\n    title={recipe.title!r},\n)"


def session_code(path: str | None, source: Source, recipe: RecipeData) -> str:
    """A cell that reads the stack, builds the recipe as it stands, runs it and saves the picture.

    Parameters
    ----------
    path : str or None
        The stack's file; None when it was given as an array.
    """
    name = path or source.name
    first = f"stack = wb.read({name!r})" if path else f"# stack: the array {name!r} that the bench was opened with"
    picture = str(PurePath(name).with_suffix(".picture.tif"))
    return (
        "import workbench as wb\n\n"
        f"{first}\n"
        f"recipe = {recipe_code(recipe)}\n"
        "result = recipe.run(stack)\n"
        f"result.save({picture!r})\n"
    )


def opening_code(path: str | None) -> str:
    """The lines that open a bench; the log's lines follow them."""
    stack = repr(path) if path else "stack"
    told = "" if path else "# stack: the array that the bench was opened with\n"
    return f"import workbench as wb\n\n{told}bench = wb.Bench({stack}, wb.Recipe())"


def _step(step: Step) -> str:
    call = call_of(step.operation)
    extras = []
    if not step.on:
        extras.append("on=False")
    if step.where is not None:
        extras.append(f"where={_where(step.where)}")
    if step.note:
        extras.append(f"note={step.note!r}")
    return call if not extras else f"wb.Step({call}, {', '.join(extras)})"


def _where(where: Where) -> str:
    values = ", ".join(f"{k}={v!r}" for k, v in where.model_dump(exclude_defaults=True).items())
    return f"wb.Where({values})"
