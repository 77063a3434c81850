"""The drawer from which picture, recipe, run record and step sheet leave as files."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar

from workbench import io
from workbench.bench.context import Context
from workbench.bench.drawer import Drawer
from workbench.bench.events import Event, RecipeChanged, StackOpened, Written
from workbench.bench.panel import Panel
from workbench.stack import Stack

__all__ = ["FORMATS", "ExportDrawer", "stem_of"]

#: How many of the last files are listed.
_LISTED = 6
#: Formats of a picture: suffix, words, and the options of `Result.save` that make it.
FORMATS: list[dict[str, Any]] = [
    {"suffix": kind.suffixes[0], "words": offer.words, "options": offer.options}
    for offer, kind in sorted(((o, f) for f in io.FORMATS.values() for o in f.offers), key=lambda pair: pair[0].rank)
]


class ExportDrawer(Panel):
    """Writing the picture, the recipe, the run record and the step sheet."""

    module = "export"
    place: ClassVar[Drawer] = Drawer("Export…", "picture, recipe, record, step sheet")

    def __init__(self, context: Context, **kwargs: Any) -> None:
        super().__init__(context, state={"stem": None, "formats": FORMATS, "saved": [], "layers": False}, **kwargs)
        self._session = context.session

    def hear(self, event: Event) -> None:
        match event:
            case StackOpened():
                self.put(stem=stem_of(self._session.opened_stack(), self._session.path), saved=[])
            case Written(path=written):
                self.put(saved=[*self.state["saved"], written][-_LISTED:])
            case RecipeChanged(moving=False):
                self.put(layers=self._session.recipe.apart is not None)
            case _:
                pass


def stem_of(stack: Stack, path: Path | None) -> str:
    """The path of files about a stack by default, without the ends of their names."""
    folder = Path.cwd() if path is None else path.resolve().parent
    return str(folder / Path(stack.source.name if path is None else path.name).stem)
