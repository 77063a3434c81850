"""What a change of the steps was, in words: what an undo takes back."""

from __future__ import annotations

from typing import Any

from workbench.bench.snapshot import SessionStep, Snapshot
from workbench.operations.describe import label_of, number_words, title_of, value_words
from workbench.recipe.words import layer_words

__all__ = ["change_words"]


def change_words(old: Snapshot, new: Snapshot) -> str:
    """What turned one snapshot into another, in a few words; empty where they are the same.

    Parameters
    ----------
    old, new : Snapshot

    Returns
    -------
    str
    """
    was, now = {s.key: s for s in old.steps}, {s.key: s for s in new.steps}
    added = [step for step in new.steps if step.key not in was]
    removed = [step for step in old.steps if step.key not in now]
    changed = [(was[key], step) for key, step in now.items() if key in was and was[key] != step]
    moved = [step.key for step in old.steps if step.key in now] != [step.key for step in new.steps if step.key in was]
    kinds = [bool(added), bool(removed), bool(changed), moved, old.title != new.title, old.outputs != new.outputs]
    if not any(kinds):
        return ""
    if sum(kinds) > 1 or len(changed) > 1:
        return "another recipe"
    if added or removed:
        verb, steps = ("added", added) if added else ("removed", removed)
        return f"{_title(steps[0])} {verb}" if len(steps) == 1 else f"{len(steps)} steps {verb}"
    if changed:
        return _step_words(*changed[0])
    if moved:
        return f"{_title(_carried(old, new))} moved"
    return "the title" if old.title != new.title else "the outputs"


def _title(held: SessionStep) -> str:
    return title_of(type(held.step.operation))


def _carried(old: Snapshot, new: Snapshot) -> SessionStep:
    """The step whose taking out makes both orders the same; of two neighbors that changed places, the later one."""
    for step in new.steps:
        orders = ([s.key for s in each.steps if s.key != step.key] for each in (old, new))
        if next(orders) == next(orders):
            return step
    return new.steps[0]


def _step_words(old: SessionStep, new: SessionStep) -> str:
    title = _title(new)
    if old.step.on != new.step.on:
        return f"{title} switched {'on' if new.step.on else 'off'}"
    beside = {
        "its note": old.step.note != new.step.note,
        "its part of the frame": old.step.where != new.step.where,
        f"opacity{_values(old.step.opacity, new.step.opacity)}": old.step.opacity != new.step.opacity,
        f"on {layer_words(new.step.works_on)}": old.step.layer != new.step.layer,
        "measured again" if new.frozen is None else "measurements kept": old.frozen != new.frozen,
    }
    for words, changed in beside.items():
        if changed:
            return f"{title}: {words}"
    before, after = old.step.operation.model_dump(), new.step.operation.model_dump()
    names = [name for name, value in after.items() if before.get(name) != value]
    if len(names) != 1:
        return f"{title}: {len(names)} settings"
    [name] = names
    return f"{title}: {label_of(name).lower()}{_values(before.get(name), after[name])}"


def _values(old: Any, new: Any) -> str:
    """Numbers and choices in figures and words; what was drawn is not spelled out."""
    plain = (int, float, str, type(None))
    if not (isinstance(old, plain) and isinstance(new, plain)):
        return ""
    return f" {_value(old)} → {_value(new)}"


def _value(value: Any) -> str:
    return number_words(value) if isinstance(value, float) else value_words(value).replace("_", " ")
