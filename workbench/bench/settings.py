"""The chosen step's settings as controls, what they mean, and what the step measured."""

from __future__ import annotations

from typing import Any, ClassVar

from workbench.bench.panel import Handler, Panel

__all__ = ["Settings"]


class Settings(Panel):
    """Controls made from the operation's declaration. It shows what `settings_state` says; index None: nothing."""

    module = "settings"
    parts: ClassVar[tuple[str, ...]] = ("settings-controls",)

    def __init__(self, handler: Handler, **kwargs: Any) -> None:
        super().__init__(handler, state={"index": None}, **kwargs)
