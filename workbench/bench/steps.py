"""The recipe card: steps in order, with adding, moving, switching, notes, variants, undo and redo."""

from __future__ import annotations

from typing import Any, ClassVar

from workbench.bench.panel import Handler, Panel

__all__ = ["Steps"]

_START: dict[str, Any] = {
    "title": "",
    "cards": [],
    "selected": None,
    "can_undo": False,
    "can_redo": False,
    "variants": [],
    "shelf": [],
    "compare": {"kind": "none", "step": None, "name": None},
    "opened": False,
    "busy": False,
}


class Steps(Panel):
    """The recipe as a numbered card. It shows what `card_states` and `shelf_operations` say."""

    module = "steps"
    parts: ClassVar[tuple[str, ...]] = ("steps-row", "steps-adding")

    def __init__(self, handler: Handler, **kwargs: Any) -> None:
        super().__init__(handler, state=dict(_START), **kwargs)
