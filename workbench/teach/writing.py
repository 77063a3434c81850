"""Lessons as files: a page or a notebook, as the name's suffix says."""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike
from pathlib import Path

from workbench import io
from workbench.checkup import Checkup
from workbench.engine import Cancel, Recipe, Result
from workbench.engine.progress import Progress
from workbench.errors import WorkbenchError
from workbench.stack import Stack
from workbench.teach.notebook import lesson_notebook
from workbench.teach.sheet import step_sheet

__all__ = ["SUFFIXES", "checked_suffix", "write_lesson"]

_NOTEBOOK = ".ipynb"
#: Ends of names that a lesson may have.
SUFFIXES = (".html", ".htm", _NOTEBOOK)


def checked_suffix(path: str | PathLike[str]) -> Path:
    """``path``, when its suffix is that of a lesson; otherwise a sentence.

    Parameters
    ----------
    path : path

    Returns
    -------
    Path

    Raises
    ------
    WorkbenchError
        When it is not; it names those that are.
    """
    target = Path(path)
    if target.suffix.lower() not in SUFFIXES:
        raise WorkbenchError(f"{target}: the name must end in one of {', '.join(SUFFIXES)}")
    return target


def write_lesson(
    path: str | PathLike[str],
    stack: Stack,
    recipe: Recipe,
    result: Result,
    check: Checkup | None = None,
    *,
    overwrite: bool = False,
    protect: Iterable[str | PathLike[str]] = (),
    tone_given: bool = False,
    progress: Progress | None = None,
    cancel: Cancel | None = None,
) -> None:
    """Write the step sheet (``.html``) or the notebook (``.ipynb``) of a run, whole or not at all.

    Parameters
    ----------
    path : path
    stack : Stack
        What the recipe was run on.
    recipe : Recipe
    result : Result
        Of that run.
    check : Checkup, optional
        What was measured in the stack, to stand at the head.
    overwrite : bool
        Replace a file that exists.
    protect : iterable of path
        Files that are never replaced.
    tone_given : bool
        Whether the stack was read with its tone given in place of judged.
    progress : callable, optional
        Told how far it is.
    cancel : Cancel, optional
        Heeded between two steps.

    Raises
    ------
    WorkbenchError
        When the suffix is none of these, or the file exists or cannot be written.
    Cancelled
        When ``cancel`` was set.
    """
    target = checked_suffix(path)
    if target.suffix.lower() == _NOTEBOOK:
        text = lesson_notebook(
            stack,
            recipe,
            result,
            check,
            folder=target.absolute().parent,
            tone_given=tone_given,
            progress=progress,
            cancel=cancel,
        )
    else:
        text = step_sheet(stack, recipe, result.record, check, progress=progress, cancel=cancel)
    if progress is not None:
        progress(1.0, f"writing {target.name}")
    io.write_text(target, text, overwrite, protect=protect)
