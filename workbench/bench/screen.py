"""The bench's screen: its panels side by side, each of which hears what happens."""

from __future__ import annotations

import contextlib
import threading
from dataclasses import replace
from typing import Any

from workbench.bench.arrangement import drawers, family, laid_out
from workbench.bench.context import Context
from workbench.bench.events import Event
from workbench.bench.panel import Panel
from workbench.bench.panels import PANELS
from workbench.bench.views import Viewed

__all__ = ["Screen"]


class Screen:
    """The panels, by the name of their module."""

    def __init__(self, context: Context) -> None:
        self._lock = threading.RLock()
        context = replace(context, drawers=drawers(PANELS))
        self.panels: dict[str, Panel] = {kind.module: kind(context) for kind in PANELS}
        self.widget = laid_out(self.panels.values())

    @property
    def owners(self) -> list[Any]:
        """Everything whose marked methods pages may call."""
        return [owner for panel in self.panels.values() for owner in panel.owners]

    def hear(self, event: Event) -> None:
        """Have every panel show what happened, one event after the other; views come from one thread anyway.

        Parameters
        ----------
        event : Event
        """
        with contextlib.nullcontext() if isinstance(event, Viewed) else self._lock:
            for panel in self.panels.values():
                panel.hear(event)

    def close(self) -> None:
        """Take the panels off the page."""
        for widget in family(self.widget):
            with contextlib.suppress(Exception):
                widget.close()
