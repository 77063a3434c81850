"""The recipe's steps in order, with adding, moving, switching, notes, variants, undo and redo."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from itertools import pairwise
from typing import Any, ClassVar, Literal

from pydantic import ValidationError

from workbench.bench.changes import change_words
from workbench.bench.context import Context
from workbench.bench.events import (
    Event,
    Failed,
    MoveRefused,
    Pictured,
    RecipeChanged,
    SelectionChanged,
    Settled,
    StackOpened,
    VariantPictured,
    VariantsChanged,
    ViewChanged,
)
from workbench.bench.model import Session
from workbench.bench.panel import Panel
from workbench.bench.snapshot import Snapshot
from workbench.bench.wording import PURPOSES, found_words, sentence_of
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Operation, registered
from workbench.operations.describe import Story, label_of, title_of
from workbench.recipe.words import layer_words, opacity_words

__all__ = ["Steps", "addable_operations", "history_lines", "step_states"]

_START: dict[str, Any] = {
    "title": "",
    "cards": [],
    "selected": None,
    "can_undo": False,
    "can_redo": False,
    "undoes": "",
    "redoes": "",
    "variants": [],
    "variant_pictures": {},
    "used": [],
    "history": [],
    "here": 0,
    "operations": [],
    "compare": {"kind": "none", "step": None, "name": None},
    "opened": False,
    "busy": False,
}


class Steps(Panel):
    """The recipe as a numbered list. It shows what `step_states` and `addable_operations` say."""

    module = "steps"
    place: ClassVar[Literal["side"]] = "side"

    def __init__(self, context: Context, **kwargs: Any) -> None:
        super().__init__(context, state=dict(_START), **kwargs)
        self._session, self._views = context.session, context.views
        self._thumbs: dict[int, str] = {}
        self._variants: dict[str, str] = {}
        self._problem: tuple[int, str] | None = None

    def hear(self, event: Event) -> None:
        match event:
            case StackOpened():
                self._thumbs.clear()
                self._variants.clear()
                self._problem = None
                return
            case RecipeChanged(moving=moving):
                self._problem = None
                if moving:
                    return
            case Failed(error=error):
                place = error.step if isinstance(error, WorkbenchError) else None
                self._problem = None if place is None else (place, sentence_of(error, in_place=True))
            case MoveRefused(index=index, why=why):
                self._problem = (index, why)
            case Settled():
                self._problem = None
            case Pictured(pictures=pictures):  # a step without a new one keeps what it had
                self._thumbs |= {key: _address(jpeg) for key, jpeg in pictures.items()}
            case VariantPictured(name=name, picture=jpeg):
                self._variants[name] = _address(jpeg)
            case SelectionChanged() | VariantsChanged() | ViewChanged():
                pass
            case _:
                return
        self._show()

    def _show(self) -> None:
        session, views = self._session, self._views
        now = session.now
        self._thumbs = {s.key: self._thumbs[s.key] for s in now.steps if s.key in self._thumbs}
        seconds = {} if views.preview is None else views.preview.seconds
        self.put(
            title=now.title,
            cards=step_states(now, views.facts, session.selected, self._thumbs, seconds, self._problem),
            selected=session.selected,
            can_undo=session.timeline.can_undo,
            can_redo=session.timeline.can_redo,
            undoes=change_words(*session.timeline.last_change),
            redoes=change_words(*session.timeline.next_change),
            variants=list(session.variants),
            variant_pictures={name: url for name, url in self._variants.items() if name in session.variants},
            used=[name for name, kept in session.variants.items() if kept == now],
            history=history_lines(session),
            here=session.timeline.here,
            operations=addable_operations(session),
            compare=views.comparison.state(),
            opened=session.stack is not None,
        )


def history_lines(session: Session) -> list[str]:
    """What was done, in words, the oldest first; the first line is what everything began with.

    Parameters
    ----------
    session : Session

    Returns
    -------
    list of str
    """
    line = session.timeline.line
    return ["The beginning", *(change_words(old, new) or "no change" for old, new in pairwise(line))]


def _address(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"


def step_states(
    snapshot: Snapshot,
    facts: Mapping[int, Facts],
    selected: int | None,
    thumbs: Mapping[int, str],
    seconds: Mapping[int, tuple[float | None, float | None]] | None = None,
    problem: tuple[int, str] | None = None,
) -> list[dict[str, Any]]:
    """The steps, in order.

    Parameters
    ----------
    snapshot : Snapshot
    facts : mapping
        Known facts by place.
    selected : int or None
    thumbs : mapping
        Small pictures as data addresses, by the key of the step.
    seconds : mapping, optional
        How long measuring on the full frame and drawing the view took, by place.
    problem : (place, sentence), optional
        The step that could not be done, and why.

    Returns
    -------
    list of dict
    """
    return [
        {
            "key": held.key,
            "index": index,
            "id": held.step.operation.id,
            "title": title_of(type(held.step.operation)),
            "purpose": held.step.operation.purpose,
            "on": held.step.on,
            "note": held.step.note,
            "where": None if held.step.where is None else f"only {held.step.where.words()}",
            "layer": None if held.step.layer is None else f"on {layer_words(held.step.layer)}",
            "opacity": None if held.step.opacity == 1 else opacity_words(held.step.opacity),
            "frozen": held.frozen is not None,
            "found": found_words(held.step, facts.get(index)) if held.step.on else "",
            "seconds": list((seconds or {}).get(index, (None, None))),
            "thumb": thumbs.get(held.key) if held.step.on else None,
            "selected": index == selected,
            "problem": problem[1] if problem is not None and problem[0] == index else None,
        }
        for index, held in enumerate(snapshot.steps)
    ]


def addable_operations(session: Session) -> list[dict[str, Any]]:
    """All operations by purpose, each with whether it fits into the recipe now, and why not if it doesn't.

    Parameters
    ----------
    session : Session

    Returns
    -------
    list of dict
    """
    groups: dict[str, list[dict[str, Any]]] = {purpose: [] for purpose in PURPOSES}
    for kind in registered():
        reason = _refusal(session, kind)
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


def _refusal(session: Session, kind: type[Operation]) -> str | None:
    try:
        session.place_for(kind())
    except ValidationError:
        return "some of its settings have no default: add it from a cell"
    except WorkbenchError as error:
        return str(error)
    return None
