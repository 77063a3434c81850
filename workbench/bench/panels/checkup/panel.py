"""The drawer with what was measured in the stack, and advice."""

from __future__ import annotations

from typing import Any, ClassVar

from workbench.bench.commands.dispatch import beside
from workbench.bench.context import Context
from workbench.bench.drawer import Drawer
from workbench.bench.events import CheckedUp, Event, Pointed, RecipeChanged, StackOpened
from workbench.bench.panel import Panel
from workbench.bench.panels.checkup.places import placed, pointed
from workbench.checkup import Checkup
from workbench.checkup.text import NIGHT
from workbench.errors import WorkbenchError

__all__ = ["CheckupDrawer"]


class CheckupDrawer(Panel):
    """What was measured in the stack, and advice whose steps can be added."""

    module = "checkup"
    place: ClassVar[Drawer] = Drawer("Check-up", "what was measured in this stack, and advice", measures=True)

    def __init__(self, context: Context, **kwargs: Any) -> None:
        state: dict[str, Any] = {"advice": [], "measured": [], "placed": {}, "seen": placed()}
        state |= {"pointed": None, "caution": ""}
        super().__init__(context, state=state, **kwargs)
        self._session, self._tell = context.session, context.tell
        self._found: Checkup | None = None

    def hear(self, event: Event) -> None:
        match event:
            case StackOpened():
                self._found = None
                self.put(advice=[], measured=[], pointed=None, caution="")
            case CheckedUp(report=report):
                self._found = report
                measured = [list(row) for row in report.summary()]
                advice = report.to_dict()["advice"]
                # One caution for all advice that sends somebody out at night, not one for each.
                outdoors = any(NIGHT in one["do"] for one in advice)
                advice = [one | {"do": one["do"].replace(NIGHT, "").rstrip()} for one in advice]
                self.put(advice=advice, measured=measured, caution=NIGHT if outdoors else "")
            case Pointed(about=about):
                self.put(pointed=about)
            case RecipeChanged(moving=False):
                # Of several steps of a kind the first one is meant.
                on = ((s.step.operation.id, i) for i, s in enumerate(self._session.steps) if s.step.on)
                self.put(placed=dict(reversed(list(on))))
            case _:
                pass

    @beside("look")
    def show_finding(self, about: str | None = None) -> None:
        """Mark the place of a finding in the picture.

        Parameters
        ----------
        about : str or None
            What the advice is about; None: nothing is marked any more.

        Raises
        ------
        WorkbenchError
            Where the check-up found nothing of this kind, or its place is not known.
        """
        if about is None:
            self._tell(Pointed())
            return
        if self._found is None or about not in placed():
            raise WorkbenchError(f"nothing is known of the place of {about!r}")
        self._tell(pointed(about, self._found, self._session.opened_stack()))
