"""What differs between two recipes, in lines a person reads."""

from __future__ import annotations

import json
from difflib import SequenceMatcher
from typing import Any

from workbench.recipe.model import RecipeData, Step

__all__ = ["changed_values", "recipe_diff"]


def recipe_diff(a: RecipeData, b: RecipeData) -> list[str]:
    """Lines saying how recipe ``b`` differs from ``a``; empty when they are the same.

    Steps are matched by their operations in order, so a moved or added step does not make all later ones differ.

    Parameters
    ----------
    a, b : RecipeData

    Returns
    -------
    list of str
    """
    lines = [f"title: {a.title!r} becomes {b.title!r}"] if a.title != b.title else []
    matcher = SequenceMatcher(None, [s.operation.id for s in a], [s.operation.id for s in b], autojunk=False)
    for tag, a0, a1, b0, b1 in matcher.get_opcodes():
        if tag == "equal":
            for i, j in zip(range(a0, a1), range(b0, b1), strict=True):
                lines += _step_diff(i, a[i], j, b[j])
            continue
        lines += [f"step {i + 1} ({a[i].operation.id}) is gone" for i in range(a0, a1)]
        lines += [f"step {j + 1} ({b[j].operation.id}) is new" for j in range(b0, b1)]
    return lines + _output_diff(a, b)


def _output_diff(a: RecipeData, b: RecipeData) -> list[str]:
    were, are = {o.name: o for o in a.outputs}, {o.name: o for o in b.outputs}
    lines = [f"output {name} is gone" for name in were if name not in are]
    lines += [f"output {name} is new" for name in are if name not in were]
    for name in [name for name in were if name in are]:
        now = are[name].model_dump()
        lines += [
            f"output {name}: {key} {value!r} becomes {now[key]!r}"
            for key, value in were[name].model_dump().items()
            if now[key] != value
        ]
    return lines


def _step_diff(i: int, a: Step, j: int, b: Step) -> list[str]:
    number = f"{i + 1}" if i == j else f"{i + 1} -> {j + 1}"
    head = f"step {number} ({a.operation.id}): "
    old, new = a.to_dict(), b.to_dict()
    lines = [head + line for line in changed_values(old["with"], new["with"])]
    if a.on != b.on:
        lines.append(head + ("switched on" if b.on else "switched off"))
    if a.where != b.where:
        lines.append(head + f"where {_show(old['where'])} becomes {_show(new['where'])}")
    if a.layer != b.layer:
        lines.append(head + f"layer {a.layer or 'by default'} becomes {b.layer or 'by default'}")
    if a.opacity != b.opacity:
        lines.append(head + f"opacity {a.opacity:g} becomes {b.opacity:g}")
    if a.note != b.note:
        lines.append(head + f"note {a.note!r} becomes {b.note!r}")
    return lines


def changed_values(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """``name old becomes new`` for each entry that differs, names in order.

    Parameters
    ----------
    old, new : dict

    Returns
    -------
    list of str
    """
    names = [*old, *(n for n in new if n not in old)]
    missing = object()
    return [
        f"{n} {_show(old.get(n, 'absent'))} becomes {_show(new.get(n, 'absent'))}"
        for n in names
        if old.get(n, missing) != new.get(n, missing)
    ]


def _show(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value)
    return text if len(text) <= 80 else text[:77] + "..."
