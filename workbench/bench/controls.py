"""What the panels show of operations, cards and stacks: plain data, no widget."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from workbench.bench.fields import fields_of, number_words
from workbench.bench.layout import Card, Layout
from workbench.bench.worktable import Worktable
from workbench.checkup.text import acquired
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, FrameOperation, Operation, registered
from workbench.operations.color import CalibrateColor, CalibrateColorFacts
from workbench.recipe.model import Step, Where
from workbench.stack import Stack
from workbench.teach.wording import Story, label_of, title_of

__all__ = ["card_states", "plain_facts", "settings_state", "shelf_operations", "stack_state", "where_words"]

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
#: Settings that are drawn on the picture, and the tool that does it.
_DRAWN = {
    ("remove_gradient", "exclude"): "exclude",
    ("remove_gradient", "samples"): "sample",
    ("calibrate_color", "region"): "white",
}
#: Settings that are not measured when they are left empty, but not given.
_NOT_MEASURED = {("calibrate_color", "region"), ("calibrate_color", "gains")}
#: Operations that are drawn as a whole.
_DRAWN_WHOLE = {"crop": "crop"}
#: Longer lists of numbers are data, not something to read.
_READABLE = 4
#: A new limit covers the middle half of the frame.
_MIDDLE = (0.25, 0.75)


def card_states(
    layout: Layout,
    facts: Mapping[int, Facts],
    selected: int | None,
    thumbs: Mapping[int, str],
    seconds: Mapping[int, tuple[float | None, float | None]] | None = None,
    problem: tuple[int, str] | None = None,
) -> list[dict[str, Any]]:
    """The recipe cards, in order.

    Parameters
    ----------
    layout : Layout
    facts : mapping
        Known facts by place.
    selected : int or None
    thumbs : mapping
        Small pictures as data addresses, by the key of the card.
    seconds : mapping, optional
        How long measuring on the full frame and drawing the view took, by place.
    problem : (place, sentence), optional
        The step that could not be done, and why.
    """
    return [
        {
            "key": card.key,
            "index": index,
            "id": card.step.operation.id,
            "title": title_of(type(card.step.operation)),
            "purpose": card.step.operation.purpose,
            "on": card.step.on,
            "note": card.step.note,
            "where": where_words(card.step.where),
            "frozen": card.frozen is not None,
            "found": _found(card.step.operation, facts.get(index)) if card.step.on else "",
            "seconds": list((seconds or {}).get(index, (None, None))),
            "thumb": thumbs.get(card.key) if card.step.on else None,
            "selected": index == selected,
            "problem": problem[1] if problem is not None and problem[0] == index else None,
        }
        for index, card in enumerate(layout.cards)
    ]


def settings_state(card: Card, index: int, facts: Facts | None, shape: tuple[int, int] | None = None) -> dict[str, Any]:
    """The controls of one card, with what they mean and what the step measured.

    ``facts`` is None while they are not known; ``shape`` is the (height, width) of the stack.
    """
    operation = card.step.operation
    kind = type(operation)
    story = Story.of(kind)
    fields = fields_of(operation, facts)
    for field in fields:
        field["tool"] = _DRAWN.get((operation.id, field["name"]))
        field["empty"] = "not given" if (operation.id, field["name"]) in _NOT_MEASURED else "automatic"
        field["first"] = _first(operation, field["name"], facts)
    return {
        "index": index,
        "key": card.key,
        "id": operation.id,
        "title": title_of(kind),
        "summary": story.summary,
        "why": [story.why] if story.why else [],
        "details": list(story.details),
        "fields": fields,
        "tool": _DRAWN_WHOLE.get(operation.id),
        "where": _where_state(card.step, shape),
        "facts": [] if facts is None else plain_facts(facts),
        "found": _found(operation, facts) if card.step.on else "",
        "on": card.step.on,
        "measures": kind.measure is not Operation.measure,
        "frozen": card.frozen is not None,
        "drafted": card.step.on and facts is None,
    }


def shelf_operations(table: Worktable) -> list[dict[str, Any]]:
    """All operations by purpose, each with whether it fits into the recipe now, and why not if it doesn't."""
    groups: dict[str, list[dict[str, Any]]] = {purpose: [] for purpose in PURPOSES}
    for kind in registered():
        reason = _refusal(table, kind)
        entry = {
            "id": kind.id,
            "title": title_of(kind),
            "first_line": Story.of(kind).summary,
            "fits": reason is None,
            "reason": reason,
        }
        groups.setdefault(kind.purpose, []).append(entry)
    return [
        {"purpose": p, "title": PURPOSES.get(p, label_of(p)), "operations": sorted(ops, key=lambda o: not o["fits"])}
        for p, ops in groups.items()
        if ops
    ]


def stack_state(stack: Stack, path: Path | None) -> dict[str, Any]:
    """What is known of the stack, in words, and where files about it go by default."""
    height, width, channels = stack.shape
    kind = "color" if channels == 3 else "gray"
    name = path.name if path is not None else stack.source.name
    folder = Path.cwd() if path is None else path.resolve().parent
    return {
        "name": name,
        "folder": str(folder),
        "stem": Path(name).stem,
        "size": f"{width} x {height} px ({width * height / 1e6:.1f} megapixels), {kind}, {stack.tone}",
        "acquisition": acquired(stack.acquisition, stack.shape),
        "remarks": list(stack.source.remarks),
    }


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


def where_words(where: Where | None) -> str | None:
    """The part of the frame that a step is limited to, in words."""
    if where is None:
        return None
    side = "outside" if where.outside else "inside"
    edge = f", edge {where.feather:g} px soft" if where.feather else ""
    return f"only {side} the {where.shape} x {where.x0:g} to {where.x1:g}, y {where.y0:g} to {where.y1:g}{edge}"


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


def _first(operation: Operation, name: str, facts: Facts | None) -> dict[str, Any]:
    """What choices of a setting need before they can be made: {choice: {"tool": ...} or {"with": settings}}."""
    if not isinstance(operation, CalibrateColor) or name != "reference":
        return {}
    first: dict[str, Any] = {}
    if operation.region is None:
        first["region"] = {"tool": "white"}  # the region that is drawn makes the choice
    if operation.gains is None:
        gains = facts.gains if isinstance(facts, CalibrateColorFacts) else (1.0, 1.0, 1.0)
        first["given"] = {"with": {"gains": [round(gain, 3) for gain in gains]}}
    return first


def _found(operation: Operation, facts: Facts | None) -> str:
    return "" if facts is None else operation.explain(facts)


def _refusal(table: Worktable, kind: type[Operation]) -> str | None:
    try:
        table.place_for(kind())
    except ValidationError:
        return "some of its settings have no default: add it from a cell"
    except WorkbenchError as error:
        return str(error)
    return None


def _where_state(step: Step, shape: tuple[int, int] | None) -> dict[str, Any]:
    """Whether the step may be limited to a part of the frame, and the controls for it."""
    operation = step.operation
    possible = not isinstance(operation, FrameOperation) and operation.takes == operation.gives
    height, width = shape or (1000, 1000)
    low, high = _MIDDLE
    middle = Where(x0=round(low * width), y0=round(low * height), x1=round(high * width), y1=round(high * height))
    return {
        "possible": possible,
        "words": where_words(step.where),
        "start": middle.model_dump(mode="json"),
        "fields": [] if step.where is None else fields_of(step.where),
    }
