"""The tool in hand: what dragging on the picture does, and the step whose frame is shown meanwhile."""

from __future__ import annotations

from workbench.bench.commands.draw import drawings
from workbench.bench.limits import MASK_TOOLS
from workbench.bench.model import Session
from workbench.errors import WorkbenchError

__all__ = ["Tools"]

#: Tools that draw nothing: moving the picture about, and choosing a place for a 1:1 view.
_PLAIN = ("look", "place")


class Tools:
    """Which tool is in hand: "look", "place", or what it draws (``remove_gradient.exclude``)."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self.name = "look"

    def take(self, name: str) -> None:
        """Take a tool up.

        Parameters
        ----------
        name : str

        Raises
        ------
        WorkbenchError
            When there is no such tool.
        """
        known = (*_PLAIN, *drawings(), *MASK_TOOLS)
        if name not in known:
            raise WorkbenchError(f"there is no tool {name!r}; there are {', '.join(known)}")
        self.name = name

    def put_down(self) -> None:
        """Draw nothing any more."""
        if self.name not in _PLAIN:
            self.name = "look"

    @property
    def shown_before(self) -> int | None:
        """While a tool edits a step, the frame before that step is shown, so that places are the step's own."""
        if self.name in _PLAIN:
            return None
        if self.name in MASK_TOOLS:
            return self._session.selected
        kind, drawing = drawings()[self.name]
        place = self._session.place_of(kind)
        if place is not None:
            return place
        return 0 if drawing.first else len(self._session.steps)
