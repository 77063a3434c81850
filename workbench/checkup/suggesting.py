"""A recipe for a stack: all operations are asked whether it needs them, and answer with settings and a reason."""

from __future__ import annotations

from workbench.acquisition import Tone
from workbench.checkup.measuring import check as check_stack
from workbench.checkup.report import Checkup
from workbench.checkup.rules import SMALLEST
from workbench.engine import Recipe
from workbench.errors import WorkbenchError
from workbench.io.source_file import AnyPath
from workbench.operations.base import registered
from workbench.operations.trial import StackTrial, Suggestion, window
from workbench.recipe.model import Step
from workbench.stack import Stack
from workbench.threads import one_thread_libraries

__all__ = ["suggest"]


@one_thread_libraries()
def suggest(stack: Stack, check: Checkup | None = None, *, scratch: AnyPath | None = None) -> Recipe:
    """Make a recipe for a linear stack.

    Parameters
    ----------
    stack : Stack
    check : Checkup, optional
        What `check` found in this stack, to save measuring it again.
    scratch : path, optional
        As of `check`.

    Returns
    -------
    Recipe
        Every step's note holds its reason with the numbers it rests on. The steps measure anew when the recipe is
        run, so it also serves the next stack of the same kind.

    Raises
    ------
    WorkbenchError
        When the stack is not linear, or shows nothing.

    Notes
    -----
    Each operation says for itself when it is suggested (`Operation.suggested`). Sky, borders, stars and noise come from
    the checkup. What depends on what earlier steps leave (excess green, how bright the object may be shown,
    saturation) is measured on a trial run of the earlier steps over the middle of the frame (at most 6 megapixels).
    """
    if stack.tone != Tone.LINEAR:
        raise WorkbenchError(
            f"{stack.source.name} is a finished picture and not linear light, so no recipe can be suggested for it; "
            "if it is linear all the same, read it with --linear, or tone='linear' in Python"
        )
    if min(stack.shape[:2]) < SMALLEST:
        height, width, _ = stack.shape
        raise WorkbenchError(
            f"{stack.source.name} is {width} x {height} px, too small to measure sky and stars in, so no recipe can be "
            f"suggested for it; give a stack of at least {SMALLEST} px a side"
        )
    found = check or check_stack(stack, scratch=scratch)
    if found.empty:
        raise WorkbenchError(
            f"{stack.source.name} shows nothing, all its pixels are alike, so no recipe can be suggested for it; "
            "look at what your stacking program wrote"
        )
    trial = StackTrial(found, lambda: window(stack, found))
    steps = []
    for kind in registered():
        if (suggestion := kind.suggested(trial)) is not None:
            steps.append(Step(suggestion.operation, note=suggestion.note))
            trial = _after(suggestion, trial)
    return Recipe(steps, title=_title(stack))


def _after(suggestion: Suggestion, trial: StackTrial) -> StackTrial:
    """The trial as a suggested step leaves it, if that makes a difference to it."""
    if not suggestion.changes_trial:
        return trial
    step, facts = Recipe([suggestion.operation]), {} if suggestion.facts is None else {0: suggestion.facts}
    return StackTrial(trial.found, lambda: step.run(trial.image, facts=facts, progress=False).image)


def _title(stack: Stack) -> str:
    name = stack.source.name.rsplit(".", 1)[0]
    return name.replace("_", " ").strip().capitalize() or "Suggested recipe"
