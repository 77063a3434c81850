"""Recipes as Python: the ordinary calls that build them."""

from __future__ import annotations

import pprint
import textwrap
from collections.abc import Iterable
from typing import Any

from pydantic import BaseModel

from workbench.masks import Mask
from workbench.operations.base import Operation
from workbench.outputs import Output
from workbench.recipe.model import RecipeData, Step

__all__ = ["call_of", "listed", "recipe_code", "step_code", "step_lines", "where_code"]

#: Longest line of code for people to read.
_WIDTH = 88


def call_of(operation: Operation) -> str:
    """The operation as a Python expression, with the settings that differ from the defaults.

    Parameters
    ----------
    operation : Operation

    Returns
    -------
    str
    """
    settings = ", ".join(f"{name}={value!r}" for name, value in _changed(operation).items())
    return f"wb.{type(operation).__name__}({settings})"


def step_code(step: Step) -> str:
    """The step as a Python expression on one line: the operation alone where nothing else is said of it.

    Parameters
    ----------
    step : Step

    Returns
    -------
    str
    """
    call, extras = call_of(step.operation), _extras(step)
    if step.note:
        extras.append(f"note={step.note!r}")
    return call if not extras else f"wb.Step({call}, {', '.join(extras)})"


def where_code(where: BaseModel) -> str:
    """A mask as a Python expression, with the settings that differ from the defaults.

    Parameters
    ----------
    where : Mask
        Or one of the models inside it.

    Returns
    -------
    str
    """
    values = ((name, getattr(where, name)) for name in where.model_dump(exclude_defaults=True))
    settings = ", ".join(f"{name}={_value_code(value)}" for name, value in values)
    return f"wb.{type(where).__name__}({settings})" if isinstance(where, Mask) else repr(where.model_dump())


def _value_lines(value: Any, width: int) -> str:
    """A mask, or something inside it, over as many lines as it takes to be no wider."""
    short = where_code(value) if isinstance(value, BaseModel) else _value_code(value)
    if len(short) <= width:
        return short
    if isinstance(value, Mask):
        names = value.model_dump(exclude_defaults=True)
        lines = (f"{n}={_value_lines(getattr(value, n), width - len(n) - 6)}," for n in names)
        return f"wb.{type(value).__name__}(\n{textwrap.indent(chr(10).join(lines), '    ')}\n)"
    if isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
        items = (f"{_value_lines(item, width - 5)}," for item in value)
        return f"[\n{textwrap.indent(chr(10).join(items), '    ')}\n]"
    plain = value.model_dump() if isinstance(value, BaseModel) else value
    return pprint.pformat(plain, width=max(width, 20), compact=True, sort_dicts=False)


def _value_code(value: Any) -> str:
    if isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
        return f"[{', '.join(map(where_code, value))}]"
    return repr(value)


def recipe_code(recipe: RecipeData) -> str:
    """The recipe as a Python expression over several lines.

    Parameters
    ----------
    recipe : RecipeData

    Returns
    -------
    str
    """
    if not recipe.steps and not recipe.title and not recipe.outputs:
        return "wb.Recipe()"
    steps = "".join(f"        {step_code(s)},\n" for s in recipe)
    outputs = "".join(f"        {_output_code(o)},\n" for o in recipe.outputs)
    listed = f"    outputs=[\n{outputs}    ],\n" if outputs else ""
    return f"wb.Recipe(\n    [\n{steps}    ],\n    title={recipe.title!r},\n{listed})"


def _output_code(output: Output) -> str:
    """``wb.Output(name="web", ...)`` with what is not the default."""
    given = output.model_dump(exclude_defaults=True)
    return f"wb.Output({', '.join(f'{name}={value!r}' for name, value in given.items())})"


def step_lines(step: Step, indent: int = 0) -> str:
    """The step as a Python expression, over as many lines as make it easy to read where ``indent`` stands before it.

    Parameters
    ----------
    step : Step
    indent : int
        In characters.

    Returns
    -------
    str
    """
    short = step_code(step)
    if len(short) + indent <= _WIDTH:
        return short
    extras = [f"{extra}," for extra in _extras(step, _WIDTH - indent - len("    where=,"))]
    if step.note:
        extras.append(f"note={_text_lines(step.note)},")
    if not extras:
        return _call_lines(step.operation, indent)
    lines = "\n".join([f"{_call_lines(step.operation, indent + 4)},", *extras])
    return f"wb.Step(\n{textwrap.indent(lines, '    ')}\n)"


def listed(opening: str, items: Iterable[str], closing: str) -> str:
    """Expressions in a list, as in ``wb.Recipe([a, b])``: on one line, indented on one, or one a line, as they fit.

    Parameters
    ----------
    opening : str
    items : iterable of str
    closing : str

    Returns
    -------
    str
    """
    items = list(items)
    row = f"[{', '.join(items)}]"
    if len(opening) + len(row) + len(closing) <= _WIDTH:
        return f"{opening}{row}{closing}"
    if len(row) + 4 > _WIDTH:
        row = f"[\n{textwrap.indent(''.join(f'{item},{chr(10)}' for item in items), ' ' * 8)}    ]"
    return f"{opening}\n    {row}\n{closing}"


def _changed(operation: Operation) -> dict[str, Any]:
    # Only whole settings are left out: what lies inside a region must be written, its defaults too.
    changed = operation.model_dump(exclude_defaults=True)
    return operation.model_dump(include=set(changed))


def _extras(step: Step, width: int = 10**9) -> list[str]:
    extras = [] if step.on else ["on=False"]
    if step.where is not None:
        extras.append(f"where={_value_lines(step.where, width)}")
    if step.layer is not None:
        extras.append(f"layer={step.layer!r}")
    return extras if step.opacity == 1 else [*extras, f"opacity={step.opacity!r}"]


def _call_lines(operation: Operation, indent: int) -> str:
    call = call_of(operation)
    if len(call) + indent < _WIDTH:
        return call
    settings = []
    for name, value in _changed(operation).items():
        head = f"    {name}="
        shown = pprint.pformat(value, width=_WIDTH - indent - len(head), compact=True, sort_dicts=False)
        settings.append(head + shown.replace("\n", "\n" + " " * len(head)) + ",\n")
    return f"wb.{type(operation).__name__}(\n{''.join(settings)})"


def _text_lines(text: str) -> str:
    """A text as Python, cut between words into pieces that stand below each other."""
    if len(text) <= _WIDTH - 16:
        return repr(text)
    pieces, line = [], ""
    for word in text.split(" "):
        if line and len(line) + len(word) > _WIDTH - 12:
            pieces.append(line)
            line = ""
        line += word + " "
    pieces.append(line[:-1])
    return "(\n" + "".join(f"    {piece!r}\n" for piece in pieces) + ")"
