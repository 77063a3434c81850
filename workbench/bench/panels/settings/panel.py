"""The chosen step's settings as controls, what they mean, and what the step measured."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar, Literal

from workbench.bench.context import Context
from workbench.bench.events import (
    Event,
    Failed,
    Picked,
    RecipeChanged,
    SelectionChanged,
    Settled,
    VariantsChanged,
    ViewChanged,
)
from workbench.bench.limits import KINDS, MASK_TOOLS, how_of, masks_of
from workbench.bench.panel import Panel
from workbench.bench.panels.settings.fields import fields_of
from workbench.bench.panels.settings.plots import picked_state, plots_state
from workbench.bench.snapshot import SessionStep
from workbench.bench.wording import found_words
from workbench.masks import Mask
from workbench.operations.base import Facts, Operation
from workbench.operations.describe import Story, declared, plain_facts, title_of
from workbench.recipe.model import Step

__all__ = ["Settings", "settings_state"]


class Settings(Panel):
    """Controls made from the operation's declaration. It shows what `settings_state` says; index None: nothing."""

    module = "settings"
    place: ClassVar[Literal["side"]] = "side"

    def __init__(self, context: Context, **kwargs: Any) -> None:
        super().__init__(context, state={"index": None}, **kwargs)
        self._session, self._views = context.session, context.views
        self._picked = Picked()

    def hear(self, event: Event) -> None:
        match event:
            case Picked():
                self._picked = event
                self.put(picked=self._picked_state())
            case RecipeChanged() | SelectionChanged() | VariantsChanged() | ViewChanged() | Settled() | Failed():
                self._show()
            case _:
                pass

    def _show(self) -> None:
        session, index = self._session, self._session.selected
        if index is None:
            self.put(index=None)
            return
        apart = session.recipe.layers()[index] > 1
        state = settings_state(session.steps[index], index, self._views.facts.get(index), apart=apart)
        self.put(**state, picked=self._picked_state())

    def _picked_state(self) -> dict[str, Any] | None:
        """The point that was picked, where it is one of the chosen step's."""
        index = self._session.selected
        if index is None:
            return None
        return picked_state(self._session.steps[index].step.operation, self._views.facts.get(index), self._picked)


def settings_state(
    held: SessionStep,
    index: int,
    facts: Facts | None,
    *,
    apart: bool = False,
) -> dict[str, Any]:
    """The controls of one step, with what they mean and what the step measured.

    ``facts`` is None while they are not known; ``apart`` says whether
    stars lie apart before the step.

    Parameters
    ----------
    held : SessionStep
    index : int
        Its place, from 0.
    facts : Facts or None
    apart : bool

    Returns
    -------
    dict
    """
    operation = held.step.operation
    kind = type(operation)
    story = Story.of(kind)
    tools = {name: f"{kind.id}.{d.setting}" for d in kind.drawn if d.on_picture for name in d.settings}
    whole = next((f"{kind.id}.{d.setting}" for d in kind.drawn if d.setting not in kind.model_fields), None)
    fields = fields_of(operation, facts)
    needed = {name: _needed_for(kind, name) for name in kind.model_fields}
    for field in fields:
        own = tools.get(field["name"])
        field["tool"] = own if own == f"{kind.id}.{field['name']}" else None
        field["empty"] = "not given" if needed[field["name"]] else "automatic"
        field["first"] = _first(field["name"], fields, needed, tools)
    return {
        "index": index,
        "key": held.key,
        "id": operation.id,
        "title": title_of(kind),
        "summary": story.summary,
        "why": [story.why] if story.why else [],
        "details": list(story.details),
        "fields": fields,
        "tool": whole,
        "where": _where_state(held.step),
        "layer": _layer_field(held.step) if apart else None,
        "opacity": _opacity_field(held.step),
        "facts": [] if facts is None else plain_facts(facts),
        "plots": plots_state(operation, facts),
        "found": found_words(held.step, facts) if held.step.on else "",
        "on": held.step.on,
        "measures": held.step.measures(),
        "frozen": held.frozen is not None,
        "drafted": held.step.on and facts is None,
    }


def _needed_for(kind: type[Operation], name: str) -> Mapping[str, Any]:
    """The choices of other settings for which this one must be given."""
    found = declared(kind.model_fields[name], "needed_for")
    return found if isinstance(found, dict) else {}


def _first(
    name: str, fields: list[dict[str, Any]], needed: Mapping[str, Mapping[str, Any]], tools: Mapping[str, str]
) -> dict[str, Any]:
    """What choices of a setting need before they can be made: {choice: {"tool": ...} or {"with": settings}}.

    What is drawn makes the choice itself; any other setting starts from what was measured.
    """
    first: dict[str, Any] = {}
    for field in fields:
        choice = needed[field["name"]].get(name)
        if choice is None or field["value"] is not None:
            continue
        if field["name"] in tools:
            first[choice] = {"tool": tools[field["name"]]}
        else:
            first[choice] = {"with": {field["name"]: field["start"]}}
    return first


def _layer_field(step: Step) -> dict[str, Any] | None:
    """The control for the layer that a step changes; None where it always changes both."""
    if not step.blends:
        return None
    return {
        "kind": "choice",
        "name": "layer",
        "label": "Works on",
        "help": "Which layer this step changes while the stars lie apart",
        "unit": "",
        "expert": False,
        "optional": False,
        "default": Step(step.operation).works_on,
        "value": step.works_on,
        "choices": [["starless", "starless"], ["stars", "stars"], ["both", "both"]],
    }


def _opacity_field(step: Step) -> dict[str, Any] | None:
    """The slider for how much of a step's change is made; None where it cannot be mixed with what was before."""
    if not step.blends:
        return None
    return {
        "kind": "number",
        "name": "opacity",
        "label": "Opacity",
        "help": "How much of this step's change is made: 0 is nothing, 1 all of it",
        "unit": "",
        "expert": False,
        "optional": False,
        "default": 1.0,
        "value": step.opacity,
        "start": 1.0,
        "measured": None,
        **dict.fromkeys(("min", "low"), 0.0),
        **dict.fromkeys(("max", "high"), 1.0),
        "step": 0.01,
        "scale": "linear",
    }


def _where_state(step: Step) -> dict[str, Any]:
    """Whether the step may be limited to a part of the frame, and the controls for it."""
    masks = masks_of(step.where)
    return {
        "possible": step.blends,
        "words": "changes the whole frame" if step.where is None else f"changes only what lies {step.where.words()}",
        "kinds": list(KINDS.items()),
        "how": how_of(step.where) if len(masks) > 1 else None,
        "masks": [_mask_state(mask) for mask in masks],
    }


def _mask_state(mask: Mask) -> dict[str, Any]:
    """A mask with its controls; what is drawn has a tool."""
    told = {"kind", "masks"}
    fields = [field for field in fields_of(mask) if field["name"] not in told]
    return {
        "kind": mask.kind,
        "title": KINDS.get(mask.kind, "Several masks"),
        "fields": fields,
        "tool": tool if (tool := f"mask.{mask.kind}") in MASK_TOOLS else None,
    }
