"""The drawer with the session as Python."""

from __future__ import annotations

from typing import Any, ClassVar

from workbench.bench.commands.dispatch import request
from workbench.bench.context import Context
from workbench.bench.drawer import Drawer
from workbench.bench.panel import Panel

__all__ = ["CodeDrawer"]


class CodeDrawer(Panel):
    """The recipe as it stands, or every command so far, as a cell of code."""

    module = "code"
    place: ClassVar[Drawer] = Drawer("As Python", "the session as a cell of code")

    def __init__(self, context: Context, **kwargs: Any) -> None:
        super().__init__(context, **kwargs)
        self._session = context.session

    @request
    def history(self) -> str:
        """Every command so far as Python."""
        return self._session.history
