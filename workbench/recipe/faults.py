"""What is wrong with a recipe's entries, in words that name the entry and what it may be."""

from __future__ import annotations

import difflib
from typing import Any

from pydantic import BaseModel, ValidationError

from workbench.errors import brief
from workbench.operations.base import registered
from workbench.operations.describe import limits, range_words

__all__ = ["facts_sentence", "impossible_values", "no_operation", "sentence"]

#: What a settings check wanted, by the beginning of its fault's name.
_WANTED = (
    ("int", "a whole number"),
    ("float", "a number"),
    ("finite", "a number"),
    ("bool", "true or false"),
    ("string", "text"),
    ("tuple", "a list"),
    ("list", "a list"),
    ("dict", "an object"),
    ("model", "an object"),
)
#: Faults of a value that is out of its range; the context of each holds the bound by its name in the declaration.
_BOUNDS = {"greater_than_equal", "greater_than", "less_than_equal", "less_than"}


def no_operation(name: Any) -> str:
    """That there is no operation of this name, what there is, and which of it was probably meant.

    Parameters
    ----------
    name : object

    Returns
    -------
    str
    """
    return f"there is no operation {brief(name)}; known are {_listed([kind.id for kind in registered()], name)}"


def sentence(error: ValidationError, model: type[BaseModel] | None = None) -> str:
    """The first fault of a settings check in plain words, with the allowed range.

    Parameters
    ----------
    error : pydantic.ValidationError
        Of an operation's settings, of an output, or of the part of the frame that a step is limited to.
    model : type, optional
        What was checked, where it is one model.

    Returns
    -------
    str
    """
    fault = error.errors(include_url=False)[0]
    place, kind, context = _place(fault["loc"]), fault["type"], fault.get("ctx", {})
    if kind == "extra_forbidden":
        has = f"; it has {_listed(list(model.model_fields), place)}" if model and len(fault["loc"]) == 1 else ""
        return f"there is no setting {brief(place)}{has}"
    if kind == "missing":
        return f"{place} is missing"
    if kind == "value_error":  # one of our own sentences
        return f"{place}: {context['error']}" if place else str(context["error"])
    return f"{place or 'it'} {_complaint(kind, context, fault)}{_range(model, place, kind, context)}"


def facts_sentence(error: ValidationError, model: type[BaseModel]) -> str:
    """The first fault of a check of facts, as what follows "the frozen facts": ``have no 'black'``.

    Parameters
    ----------
    error : pydantic.ValidationError
        Of the facts of an operation.
    model : type
        Their model.

    Returns
    -------
    str
    """
    fault = error.errors(include_url=False)[0]
    place, kind, context = _place(fault["loc"]), fault["type"], fault.get("ctx", {})
    if kind == "missing":
        return f"have no {brief(place)}"
    if kind == "extra_forbidden":
        return f"have an unknown entry {brief(place)}; they have {_listed(list(model.model_fields), place)}"
    if kind == "value_error":  # one of our own sentences
        return f"have a wrong {brief(place)}: {context['error']}" if place else f"do not agree: {context['error']}"
    return f"are wrong: {brief(place)} {_complaint(kind, context, fault)}{_range(model, place, kind, context)}"


def impossible_values(error: ValidationError, model: type[BaseModel]) -> bool:
    """Whether a model was given values that are out of range or no numbers, and nothing that is a program's mistake.

    Parameters
    ----------
    error : pydantic.ValidationError
    model : type
        The model that was checked.

    Returns
    -------
    bool
    """
    kinds = {fault["type"] for fault in error.errors(include_url=False)}
    return error.title == model.__name__ and kinds <= {*_BOUNDS, "finite_number", "value_error"}


def _complaint(kind: str, context: dict[str, Any], fault: Any) -> str:
    """What is wrong with a value."""
    given = brief(fault["input"])
    if kind in _BOUNDS or kind == "string_pattern_mismatch":
        return f"cannot be {given}"
    if kind in {"too_long", "too_short"}:
        return f"has {context['actual_length']} entries"
    if kind == "union_tag_invalid":
        name = context["discriminator"].strip("'")
        return f"cannot have the {name} {brief(context['tag'])} (allowed: {context['expected_tags']})"
    if kind == "union_tag_not_found":
        return f"must say its {context['discriminator'].strip(chr(39))}"
    wanted = context.get("expected") or next((words for start, words in _WANTED if kind.startswith(start)), None)
    return f"must be {wanted}, not {given}" if wanted else f"{fault['msg'].removeprefix('Input ')}, got {given}"


def _range(model: type[BaseModel] | None, place: str, kind: str, context: dict[str, Any]) -> str:
    """What is allowed: the setting's range, else the bound that was passed."""
    info = model.model_fields.get(place) if model else None
    bounds = limits(info) if info else {}
    if words := range_words(bounds or (context if kind in _BOUNDS else {})):
        return f" (allowed: {words})"
    if kind == "string_pattern_mismatch" and info and info.description:  # a pattern is no words, its description is
        return f" ({info.description[0].lower()}{info.description[1:]})"
    if kind == "too_long":
        return f" (allowed: at most {context['max_length']})"
    return f" (allowed: at least {context['min_length']})" if kind == "too_short" else ""


def _place(path: tuple[int | str, ...]) -> str:
    """Where a fault lies: ``gains, entry 2``."""
    words = ""
    for part in path:
        words += f", entry {part + 1}" if isinstance(part, int) else f".{part}" if words else part
    return words


def _listed(names: list[str], wrong: Any) -> str:
    near = difflib.get_close_matches(wrong.lower(), names, n=1) if isinstance(wrong, str) else []
    return (", ".join(names) or "none") + (f" (did you mean {near[0]}?)" if near else "")
