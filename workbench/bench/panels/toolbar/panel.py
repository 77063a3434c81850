"""The strip above: opening a stack, advice, writing files, progress and messages."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar, Literal

from workbench import io
from workbench.bench.commands import beside, request
from workbench.bench.context import Context
from workbench.bench.events import (
    CheckedUp,
    Event,
    FilesProgress,
    Kept,
    RecipeChanged,
    Said,
    StackOpened,
    Written,
)
from workbench.bench.panel import Panel
from workbench.bench.panels.toolbar.files import Files, listing
from workbench.checkup.text import acquired
from workbench.stack import Stack

__all__ = ["FORMATS", "Toolbar", "stack_state"]

#: How many of the last files are listed.
_LISTED = 6
#: Formats of a picture: suffix, words, and the options of `Result.save` that make it.
FORMATS: list[dict[str, Any]] = [
    {"suffix": kind.suffixes[0], "words": offer.words, "options": offer.options}
    for offer, kind in sorted(((o, f) for f in io.FORMATS.values() for o in f.offers), key=lambda pair: pair[0].rank)
]

_START: dict[str, Any] = {
    "stack": None,
    "advice": [],
    "measured": [],
    "placed": {},
    "folder": None,
    "progress": None,
    "saved": [],
    "message": None,
    "doing": None,
    "formats": FORMATS,
    "autosave": "",
}


class Toolbar(Panel):
    """The strip above the picture and the steps."""

    module = "toolbar"
    place: ClassVar[Literal["top"]] = "top"

    def __init__(self, context: Context, **kwargs: Any) -> None:
        super().__init__(context, state=dict(_START), **kwargs)
        self._session, self._call = context.session, context.call
        self.files = Files(Path.cwd())

    @property
    def owners(self) -> tuple[Any, ...]:
        return self, self.files

    def hear(self, event: Event) -> None:
        match event:
            case StackOpened():
                self._opened()
            case Said(text=text, error=error):
                kind = "error" if error else "info"
                self.put(message=None if text is None else {"kind": kind, "text": text})
            case FilesProgress(doing=None):
                self.put(progress=None)
            case FilesProgress(share=share, doing=doing):
                self.put(progress={"share": round(share, 3), "doing": doing})
            case Written(path=path):
                saved = [*self.state.get("saved", []), path][-_LISTED:]
                self.put(saved=saved, message={"kind": "info", "text": f"written: {path}"})
            case CheckedUp(report=report):
                measured = [list(row) for row in report.summary()]
                self.put(advice=report.to_dict()["advice"], measured=measured)
            case Kept(where=where):
                self.put(autosave=where)
            case RecipeChanged(moving=False):
                self._show_placed()
            case _:
                pass

    def _opened(self) -> None:
        stack, path = self._session.opened_stack(), self._session.path
        self.files.home = Path.cwd() if path is None else path.resolve().parent
        told = {"stack": stack_state(stack, path), "folder": None, "message": None}
        self.put(**told, advice=[], measured=[], saved=[])

    def _show_placed(self) -> None:
        # Of several steps of a kind the first one is meant.
        on = ((s.step.operation.id, i) for i, s in enumerate(self._session.steps) if s.step.on)
        self.put(placed=dict(reversed(list(on))))

    # -- what the page asks for ----------------------------------------------------------------------------------

    @request
    def ping(self) -> bool:
        """Say that the kernel hears the page."""
        return True

    @request
    def dismiss(self) -> None:
        """Put the message away."""
        self.put(message=None)

    @request
    def history(self) -> str:
        """Every command so far as Python."""
        return self._session.history

    @request
    def browse(self, path: str | None = None) -> None:
        """List a folder."""
        self.put(folder=listing(path, self.files.home))

    @beside("background")
    def upload_end(self, token: str) -> str:
        """Give an uploaded file its name, and open it."""
        path = str(self.files.upload_finish(token))
        self._call("open", path=path)
        return path

    def close(self) -> None:
        """Forget uploads, and leave the page."""
        self.files.close()
        super().close()


def stack_state(stack: Stack, path: Path | None) -> dict[str, Any]:
    """What is known of the stack, in words, and where files about it go by default."""
    height, width, channels = stack.shape
    kind = "color" if channels == 3 else "gray"
    name = path.name if path is not None else stack.source.name
    folder = Path.cwd() if path is None else path.resolve().parent
    return {
        "name": name,
        "folder": str(folder),
        "stem": Path(name).stem,
        "size": f"{width} x {height} px ({width * height / 1e6:.1f} megapixels), {kind}, {stack.tone}",
        "acquisition": acquired(stack.acquisition, stack.shape),
        "remarks": list(stack.source.remarks),
    }
