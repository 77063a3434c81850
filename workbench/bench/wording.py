"""What several panels say of steps, facts and errors, in words."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Operation
from workbench.recipe.model import Where
from workbench.teach.wording import label_of

__all__ = ["PURPOSES", "found_words", "number_words", "plain_facts", "sentence_of", "where_words"]

#: Family -> its name for people, in the order in which a picture is made.
PURPOSES = {
    "frame": "Frame",
    "gradient": "Even sky",
    "color": "Color",
    "noise": "Noise",
    "detail": "Detail",
    "stretch": "Make it visible",
    "stars": "Stars",
    "tone": "Light and dark",
}
#: Longer lists of numbers are data, not something to read.
_READABLE = 4


def number_words(value: float) -> str:
    """A number with as many digits as people want to read."""
    if isinstance(value, int):
        return f"{value:,}".replace(",", "\u202f") if abs(value) >= 10000 else str(value)
    return f"{value:.4g}"


def sentence_of(error: BaseException, *, in_place: bool = False) -> str:
    """What went wrong, for people; ``in_place``: shown at the step it is about, which then need not be named."""
    if isinstance(error, WorkbenchError):
        return error.reason if in_place else str(error)
    return f"something went wrong inside: {error!r}"


def where_words(where: Where | None) -> str | None:
    """The part of the frame that a step is limited to, in words."""
    if where is None:
        return None
    side = "outside" if where.outside else "inside"
    edge = f", edge {where.feather:g} px soft" if where.feather else ""
    return f"only {side} the {where.shape} x {where.x0:g} to {where.x1:g}, y {where.y0:g} to {where.y1:g}{edge}"


def plain_facts(facts: Facts) -> list[list[str]]:
    """[what, value] of the facts that are a few plain numbers or words; longer data is left out."""
    rows: list[list[str]] = []
    for name in type(facts).model_fields:
        value = getattr(facts, name)
        words = _value_words(value)
        if words is not None:
            rows.append([label_of(name), words])
        elif isinstance(value, BaseModel):
            inner = [(k, _value_words(v)) for k, v in value]
            rows += [[f"{label_of(name)}: {label_of(k).lower()}", w] for k, w in inner if w is not None]
    return rows


def found_words(operation: Operation, facts: Facts | None) -> str:
    """What a step measured and did, in a line; empty while that is not known."""
    return "" if facts is None else operation.report(facts)


def _value_words(value: Any) -> str | None:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _fact_words(value)
    if isinstance(value, str):
        return value if 0 < len(value) <= 60 else None
    numbers = isinstance(value, tuple) and 0 < len(value) <= _READABLE
    if numbers and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
        return ", ".join(_fact_words(v) for v in value)
    return None


def _fact_words(value: float) -> str:
    """A measured number; shares of the white level are often so small that people count them in millionths."""
    small = isinstance(value, float) and 0 < abs(value) < 1e-3
    return f"{number_words(value * 1e6)} millionths" if small else number_words(value)
