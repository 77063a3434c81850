"""The strip above: what is open, progress and messages, and the buttons that pull drawers out."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any, ClassVar, Literal

from workbench.bench.commands.dispatch import request
from workbench.bench.context import Context
from workbench.bench.events import Event, FilesProgress, Kept, Said, StackOpened, Written
from workbench.bench.panel import Panel
from workbench.checkup.text import acquired
from workbench.io.formats import titles
from workbench.stack import Stack

__all__ = ["Toolbar", "stack_state"]


class Toolbar(Panel):
    """The strip above the picture and the steps."""

    module = "toolbar"
    place: ClassVar[Literal["top"]] = "top"

    def __init__(self, context: Context, **kwargs: Any) -> None:
        drawers = [{"name": name, **asdict(drawer)} for name, drawer in context.drawers.items()]
        kinds = titles("or", linear_only=True)
        state = {"stack": None, "drawers": drawers, "kinds": kinds, "progress": None, "message": None, "autosave": ""}
        super().__init__(context, state=state, **kwargs)
        self._session = context.session

    def hear(self, event: Event) -> None:
        match event:
            case StackOpened():
                self.put(stack=stack_state(self._session.opened_stack(), self._session.path), message=None)
            case Said(text=text, error=error):
                kind = "error" if error else "info"
                self.put(message=None if text is None else {"kind": kind, "text": text})
            case FilesProgress(doing=None):
                self.put(progress=None)
            case FilesProgress(share=share, doing=doing):
                self.put(progress={"share": round(share, 3), "doing": doing})
            case Written(path=path):
                self.put(message={"kind": "info", "text": f"written: {path}"})
            case Kept(where=where):
                self.put(autosave=where)
            case _:
                pass

    @request
    def ping(self) -> bool:
        """Say that the kernel hears the page."""
        return True

    @request
    def dismiss(self) -> None:
        """Put the message away."""
        self.put(message=None)


def stack_state(stack: Stack, path: Path | None) -> dict[str, Any]:
    """What is known of the stack, in words.

    Parameters
    ----------
    stack : Stack
    path : Path or None
        Its file.

    Returns
    -------
    dict
    """
    height, width, channels = stack.shape
    kind = "color" if channels == 3 else "gray"
    name = path.name if path is not None else stack.source.name
    return {
        "name": name,
        "size": f"{width} x {height} px ({width * height / 1e6:.1f} megapixels), {kind}, {stack.tone}",
        "acquisition": acquired(stack.acquisition, stack.shape),
        "remarks": list(stack.source.remarks),
    }
