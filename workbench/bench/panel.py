"""A panel of the bench: one Python class with synced state, one plain ES module, messages with replies."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any, ClassVar, Literal

import anywidget
import traitlets

from workbench.bench.context import Context
from workbench.bench.drawer import Drawer
from workbench.bench.events import Event
from workbench.errors import WorkbenchError

__all__ = ["Panel"]

STATIC = Path(__file__).parent / "static"
#: What all panels look like; each has its own style after it.
_SHARED_STYLE = (STATIC / "shared.css").read_text(encoding="utf-8")


class Panel(anywidget.AnyWidget):
    """Base of the panels: a subclass names its ``module``, a folder in ``panels`` with a page and a style sheet.

    What is loaded are their bundles in ``static``, which ``npm run build`` in ``page`` writes.

    The page sends ``{"id": n, "do": name, "with": {...}}`` and always gets ``{"reply": n, "error": sentence or null,
    "value": ...}`` back. ``state`` is what the page shows; only Python changes it.
    """

    module: ClassVar[str]
    #: Where on the bench it stands, in the order of `PANELS`, or what pulls it out.
    place: ClassVar[Literal["top", "main", "side"] | Drawer]
    state = traitlets.Dict().tag(sync=True)

    def __init_subclass__(cls, **kwargs: Any) -> None:
        # Only where a module is named: instances make unnamed subclasses whose traits of these names must stay.
        if "module" in cls.__dict__:
            cls._esm = (STATIC / f"{cls.module}.js").read_text(encoding="utf-8")
            cls._css = _SHARED_STYLE + (STATIC / f"{cls.module}.css").read_text(encoding="utf-8")
        super().__init_subclass__(**kwargs)

    def __init__(self, context: Context, **kwargs: Any) -> None:
        # Reentrant: a page may answer a change of state with a message at once.
        self._putting = threading.RLock()
        super().__init__(**kwargs)
        self._handler = context.handle
        self.on_msg(self._on_message)

    def put(self, **changes: Any) -> None:
        """Change entries of ``state``, from any thread; the page sees the change at once.

        Parameters
        ----------
        **changes
            New values, plain data, by the name of the entry.
        """
        with self._putting:
            self.state = {**self.state, **changes}

    @property
    def owners(self) -> tuple[Any, ...]:
        """The objects whose marked methods the page may call."""
        return (self,)

    def hear(self, event: Event) -> None:
        """Show what has happened; called from any thread, but for views one event after the other.

        Parameters
        ----------
        event : Event
        """

    def _on_message(self, _widget: Any, message: Any, buffers: Any) -> None:
        if not isinstance(message, dict) or not isinstance(message.get("do"), str):
            return
        wanted = message.get("with") or {}
        number = message.get("id")
        if not isinstance(wanted, dict):
            wanted = {}
        if buffers:
            wanted = {**wanted, "data": bytes(buffers[0])}

        def reply(work: Callable[[], Any]) -> None:
            self.send({"reply": number, **_outcome(work)})

        self._handler(message["do"], wanted, reply)


def _outcome(work: Callable[[], Any]) -> dict[str, Any]:
    try:
        value = work()
    except WorkbenchError as error:
        return {"error": str(error), "value": None}
    except Exception as error:  # noqa: BLE001 - a callback has no other way to tell; the page shows it
        return {"error": f"something went wrong inside ({type(error).__name__}: {error})", "value": None}
    plain = value if isinstance(value, str | int | float | list | dict) else None
    return {"error": None, "value": plain}
