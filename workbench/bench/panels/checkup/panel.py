"""The drawer with what was measured in the stack, and advice."""

from __future__ import annotations

from typing import Any, ClassVar

from workbench.bench.context import Context
from workbench.bench.drawer import Drawer
from workbench.bench.events import CheckedUp, Event, RecipeChanged, StackOpened
from workbench.bench.panel import Panel

__all__ = ["CheckupDrawer"]


class CheckupDrawer(Panel):
    """What was measured in the stack, and advice whose steps can be added."""

    module = "checkup"
    place: ClassVar[Drawer] = Drawer("Check-up", "what was measured in this stack, and advice", measures=True)

    def __init__(self, context: Context, **kwargs: Any) -> None:
        super().__init__(context, state={"advice": [], "measured": [], "placed": {}}, **kwargs)
        self._session = context.session

    def hear(self, event: Event) -> None:
        match event:
            case StackOpened():
                self.put(advice=[], measured=[])
            case CheckedUp(report=report):
                measured = [list(row) for row in report.summary()]
                self.put(advice=report.to_dict()["advice"], measured=measured)
            case RecipeChanged(moving=False):
                # Of several steps of a kind the first one is meant.
                on = ((s.step.operation.id, i) for i, s in enumerate(self._session.steps) if s.step.on)
                self.put(placed=dict(reversed(list(on))))
            case _:
                pass
