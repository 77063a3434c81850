"""The session as Python."""

from __future__ import annotations

from os import PathLike, fspath
from pathlib import PurePath
from typing import Any

from workbench.acquisition import Source, Tone
from workbench.masks import Mask
from workbench.operations.base import Operation
from workbench.recipe.code import call_of, recipe_code, where_code
from workbench.recipe.model import RecipeData

__all__ = ["literal", "opening_code", "session_code"]


def literal(value: Any) -> str:
    """A command's argument as a Python expression.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
    """
    if isinstance(value, Operation):
        return call_of(value)
    if isinstance(value, Mask):
        return where_code(value)
    if isinstance(value, RecipeData):
        return recipe_code(value)
    return repr(fspath(value)) if isinstance(value, PathLike) else repr(value)


def session_code(path: str | None, source: Source, recipe: RecipeData, tone: Tone | None = None) -> str:
    """A cell that reads the stack, builds the recipe as it stands, runs it and saves the picture.

    Parameters
    ----------
    path : str or None
        The stack's file; None when it was given as an array.
    source : Source
        How the stack was read.
    recipe : RecipeData
    tone : Tone, optional
        What a person said that the stack is, whatever its file says.

    Returns
    -------
    str
    """
    name = path or source.name
    said = "" if tone is None else f", tone={str(tone)!r}"
    first = (
        f"stack = wb.read({name!r}{said})" if path else f"# stack: the array {name!r} that the bench was opened with"
    )
    picture = str(PurePath(name).with_suffix(".picture.tif"))
    return (
        "import workbench as wb\n\n"
        f"{first}\n"
        f"recipe = {recipe_code(recipe)}\n"
        "result = recipe.run(stack)\n"
        f"result.save({picture!r})\n"
    )


def opening_code(path: str | None) -> str:
    """The lines that open a bench; the log's lines follow them.

    Parameters
    ----------
    path : str or None
        The stack's file.

    Returns
    -------
    str
    """
    stack = repr(path) if path else "stack"
    told = "" if path else "# stack: the array that the bench was opened with\n"
    return f"import workbench as wb\n\n{told}bench = wb.Bench({stack}, wb.Recipe())"
