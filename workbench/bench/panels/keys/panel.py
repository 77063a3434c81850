"""The drawer with what keys, wheel and mouse do; all of it is on its page."""

from __future__ import annotations

from typing import ClassVar

from workbench.bench.drawer import Drawer
from workbench.bench.panel import Panel

__all__ = ["KeysDrawer"]


class KeysDrawer(Panel):
    """What keys, wheel and mouse do."""

    module = "keys"
    place: ClassVar[Drawer] = Drawer(
        "?", "keys, wheel and mouse", label="? Keys and mouse", stands="help", needs_stack=False
    )
