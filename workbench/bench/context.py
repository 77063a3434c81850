"""What a panel gets to work with."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from workbench.bench.drawer import Drawer
from workbench.bench.events import Tell
from workbench.bench.model import Session
from workbench.bench.tools import Tools
from workbench.bench.views import Views

__all__ = ["Context", "Handler"]

#: Gets a request's name, its arguments, and ``reply``, which it calls (now or from another thread) with a function
#: that does the work and returns plain data.
Handler = Callable[[str, dict[str, Any], Callable[[Callable[[], Any]], None]], None]


@dataclass(frozen=True, slots=True)
class Context:
    """What a panel gets to work with.

    Attributes
    ----------
    session : Session
    tools : Tools
    views : Views
    tell : callable
        Takes events, which all panels hear.
    handle : callable
        Takes what the page asks for.
    call : callable
        Does a command by its name.
    drawers : dict of str to Drawer
        The buttons that pull panels out, by the name of the panel's module.
    """

    session: Session
    tools: Tools
    views: Views
    tell: Tell
    handle: Handler
    call: Callable[..., Any]
    drawers: Mapping[str, Drawer] = field(default_factory=dict)
