"""The drawer from which picture, labelled copy, recipe, run record and step sheet leave as files."""

from __future__ import annotations

from pathlib import Path
from typing import Any, ClassVar, cast

from workbench import io
from workbench.bench.commands.dispatch import request
from workbench.bench.context import Context
from workbench.bench.drawer import Drawer
from workbench.bench.events import Event, RecipeChanged, StackOpened, ViewChanged, Written
from workbench.bench.panel import Panel
from workbench.bench.panels.settings.fields import fields_of
from workbench.bench.views import Viewed
from workbench.errors import WorkbenchError
from workbench.outputs import PRESETS, Output, Printer
from workbench.stack import Stack

__all__ = ["LABELLED", "ExportDrawer", "picture_formats", "stem_of"]

#: What the name of a labelled copy ends in, unless another is typed.
LABELLED = ".labelled.png"
#: How many of the last files are listed.
_LISTED = 6


class ExportDrawer(Panel):
    """Writing the picture, the recipe, the run record and the step sheet."""

    module = "export"
    place: ClassVar[Drawer] = Drawer("Export…", "picture, recipe, record, step sheet")

    def __init__(self, context: Context, **kwargs: Any) -> None:
        state: dict[str, Any] = {"stem": None, "formats": picture_formats(), "saved": [], "layers": False}
        state |= {"outputs": [], "presets": list(PRESETS), "located": False, "labelled": LABELLED, "proof": None}
        super().__init__(context, state=state, **kwargs)
        self._session, self._views = context.session, context.views

    def hear(self, event: Event) -> None:
        match event:
            case StackOpened():
                stack = self._session.opened_stack()
                self.put(stem=stem_of(stack, self._session.path), saved=[], located=stack.wcs is not None)
            case Written(path=written):
                self.put(saved=[*self.state["saved"], written][-_LISTED:])
            case RecipeChanged(moving=False):
                recipe = self._session.recipe
                outputs = [{"name": o.name, "words": o.words(), "fields": output_fields(o)} for o in recipe.outputs]
                self.put(layers=recipe.apart is not None, outputs=outputs)
            case ViewChanged():
                printer = self._views.printer
                self.put(proof=None if printer is None else {"printer": printer.name, "lost": None})
            case Viewed(name="now", moving=False, lost=lost) if self.state["proof"] is not None:
                self.put(proof={**self.state["proof"], "lost": lost})
            case _:
                pass

    @request
    def soft_proof(self, profile: str = "", intent: str = "relative", on: bool = True) -> None:
        """Show the picture as a printer will print it, or as it is.

        Parameters
        ----------
        profile : str
            Path of the printer's ICC profile.
        intent : {"relative", "perceptual"}
            Rendering intent.
        on : bool

        Raises
        ------
        WorkbenchError
            When the profile cannot be used.
        """
        if on and not profile:
            raise WorkbenchError("a soft proof needs the ICC profile of the printer and its paper: name its file")
        self._views.proof(Printer(profile, cast("Any", intent)) if on else None)


def output_fields(output: Output) -> list[dict[str, Any]]:
    """The settings of an output as the page enters them; its name stays.

    Parameters
    ----------
    output : Output

    Returns
    -------
    list of dict
        As of `fields_of`, what a plain control needs of it.
    """
    told = ("name", "label", "kind", "value", "unit", "help", "optional", "choices")
    fields = ({key: field[key] for key in told if key in field} for field in fields_of(output))
    return [field for field in fields if field["name"] != "name"]


def picture_formats() -> list[dict[str, Any]]:
    """The ways to save a picture that the file formats offer, in the order of lists.

    Returns
    -------
    list of dict
        ``words``; ``suffixes``, the usual one first; ``options`` of `workbench.io.encode` that make it; ``numbers``
        that a person may choose besides: ``name``, ``default``, ``least``, ``most``.
    """
    offers = [(offer, kind) for kind in io.FORMATS.values() for offer in kind.offers]
    return [
        {
            "words": offer.words,
            "suffixes": list(kind.suffixes),
            "options": offer.options,
            "numbers": [
                {"name": option.name, "default": option.default, "least": option.span[0], "most": option.span[1]}
                for option in kind.options
                if option.span is not None
            ],
        }
        for offer, kind in sorted(offers, key=lambda pair: pair[0].rank)
    ]


def stem_of(stack: Stack, path: Path | None) -> str:
    """The path of files about a stack by default, without the ends of their names.

    Parameters
    ----------
    stack : Stack
    path : Path or None
        Its file.

    Returns
    -------
    str
    """
    folder = Path.cwd() if path is None else path.resolve().parent
    return str(folder / Path(stack.source.name if path is None else path.name).stem)
