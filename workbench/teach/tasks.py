"""Something to try: changes of settings that are worth seeing, drawn from the operations' declarations."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from pydantic import ValidationError

from workbench.acquisition import Tone
from workbench.errors import WorkbenchError
from workbench.operations.base import FrameOperation, Operation
from workbench.operations.describe import value_words
from workbench.recipe.model import RecipeData, Step
from workbench.teach.account import PLACES
from workbench.teach.step_views import place_for

__all__ = ["Task", "tasks_of", "to_begin_with"]

#: From this ratio of the ends of a range on, the range says little about what is worth trying.
_WIDE = 500.0


@dataclass(frozen=True, slots=True)
class Task:
    """A change of one step.

    Attributes
    ----------
    index : int
        The step's place in the recipe, from 0.
    step : Step
        The step as it is to be tried.
    setting, does : str
        The setting that changes and, in words that go on a sentence, what it does; empty when the step is left out.
    change : str
        ``from 0.1 up to 0.2``
    look : str
        Where the change shows.
    """

    index: int
    step: Step
    setting: str
    change: str
    does: str
    look: str


def tasks_of(recipe: RecipeData, tone: Tone = Tone.LINEAR) -> list[Task]:
    """One task for every step that is on and that something can be tried with, for a stack of this tone.

    Parameters
    ----------
    recipe : RecipeData
    tone : {"linear", "display"}

    Returns
    -------
    list of Task
    """
    found = (_task(recipe, index, tone) for index, _ in recipe.active)
    return [task for task in found if task is not None]


def to_begin_with(tasks: list[Task]) -> Task | None:
    """The task that shows most: on the step that makes light a picture, else the last with a setting, else the last.

    Parameters
    ----------
    tasks : list of Task

    Returns
    -------
    Task or None
    """
    if not tasks:
        return None
    return max(tasks, key=lambda t: (t.step.operation.takes != t.step.operation.gives, bool(t.setting), t.index))


def _task(recipe: RecipeData, index: int, tone: Tone) -> Task | None:
    step = recipe[index]
    op, place = step.operation, place_for(step.operation)
    look = "the whole frame, its corners too" if place is None else f"{PLACES[place]}, pixel by pixel"
    for name, new, info in _candidates(op):
        try:
            changed = type(op).model_validate(op.model_dump() | {name: new})
        except (ValidationError, WorkbenchError):
            continue
        words = _change_words(getattr(op, name), new)
        does = info.get("description", "").rstrip(".")
        does = does[:1].lower() + does[1:]
        return Task(index, replace(step, operation=changed), name, words, does, look)
    steps = list(recipe.steps)
    steps[index] = off = replace(step, on=False)
    # A step that later ones rest on cannot be left out.
    turns = not isinstance(op, FrameOperation) and op.takes != op.gives
    return None if turns or not _possible(RecipeData(steps), tone) else Task(index, off, "", "", "", look)


def _possible(recipe: RecipeData, tone: Tone) -> bool:
    try:
        recipe.tones(tone)
    except WorkbenchError:
        return False
    return True


def _candidates(op: Operation) -> Iterator[tuple[str, Any, dict[str, Any]]]:
    """(setting, another value, its declaration): what the recipe chose first, then numbers, choices, switches."""
    ranked = []
    properties = type(op).model_json_schema().get("properties", {})
    for place, (name, info) in enumerate(properties.items()):
        value = getattr(op, name)
        other = None if info.get("expert") else _other_value(value, info)
        if other is not None:
            rank, new = other
            ranked.append(((value == info.get("default"), rank, place), (name, new, info)))
    return iter([item for _, item in sorted(ranked, key=lambda pair: pair[0])])


def _other_value(value: Any, info: dict[str, Any]) -> tuple[int, Any] | None:
    """A value that is worth trying, and how late it comes."""
    if isinstance(value, bool):
        return 3, not value
    if isinstance(value, int | float):
        return _other_number(value, info)
    choices = info.get("enum")
    if choices and value in choices:
        return 2, choices[(choices.index(value) + 1) % len(choices)]
    return None


def _other_number(value: float, info: dict[str, Any]) -> tuple[int, float] | None:
    """Twice as much where the range allows it, else half; from zero half of the way up."""
    kind: dict[str, Any] = next((k for k in info.get("anyOf", [info]) if k.get("type") in {"number", "integer"}), {})
    low, high = kind.get("minimum", kind.get("exclusiveMinimum")), kind.get("maximum", kind.get("exclusiveMaximum"))
    top = float("inf") if high is None else high
    doubled = 2 * value if 2 * value <= top else value / 2
    from_zero = top / 2 if value == 0 and high else 0.0
    new = doubled if value > 0 else from_zero
    new = round(new) if isinstance(value, int) else float(f"{new:.2g}")
    if new == value:
        return None
    wide = low is None or high is None or (low > 0 and high / low > _WIDE)
    return int(wide), new


def _change_words(old: Any, new: Any) -> str:
    if isinstance(old, bool) or not isinstance(old, int | float):
        return f"from {value_words(old)} to {value_words(new)}".replace("_", " ")
    way = "up" if new > old else "down"
    return f"from {value_words(old)} {way} to {value_words(new)}"
