"""Commands for the recipe as a whole: title, outputs, undo and redo, variants."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from pydantic import ValidationError

from workbench.bench.commands.dispatch import command
from workbench.bench.events import RecipeChanged, VariantsChanged
from workbench.bench.model import Session
from workbench.bench.snapshot import Snapshot
from workbench.errors import WorkbenchError
from workbench.outputs import PRESETS, Output
from workbench.recipe.faults import sentence

__all__ = ["WholeRecipeCommands"]


class WholeRecipeCommands:
    """The recipe named, given outputs, taken back and kept as a variant."""

    session: Session

    @command
    def rename(self, title: str) -> None:
        """Give the recipe a title.

        Parameters
        ----------
        title : str
        """
        self.session.put(replace(self.session.now, title=title))

    @command
    def put_output(self, /, name: str, **settings: Any) -> None:
        """Add an output to the recipe, or change the one of this name.

        Parameters
        ----------
        name : str
            Of the output; "web" and "print" begin with settings for those.
        **settings
            Of `Output`, new values by name.

        Raises
        ------
        WorkbenchError
            When the values are not possible.
        """
        there = {output.name: output for output in self.session.now.outputs}
        start = there.get(name) or PRESETS.get(name)
        try:
            output = Output.model_validate({**({} if start is None else start.model_dump()), "name": name, **settings})
        except ValidationError as error:
            raise WorkbenchError(f"output {name}: {sentence(error, Output)}") from None
        self.session.recipe = self.session.recipe.with_outputs((there | {name: output}).values())

    @command
    def remove_output(self, name: str) -> None:
        """Take an output out of the recipe.

        Parameters
        ----------
        name : str

        Raises
        ------
        WorkbenchError
            When there is none of this name.
        """
        if all(output.name != name for output in self.session.now.outputs):
            raise WorkbenchError(f"the recipe has no output named {name!r}")
        left = (output for output in self.session.now.outputs if output.name != name)
        self.session.recipe = self.session.recipe.with_outputs(left)

    @command
    def undo(self) -> None:
        """Take the last change back.

        Raises
        ------
        WorkbenchError
            When there is nothing to take back.
        """
        self.session.timeline.undo()
        self.session.tell(RecipeChanged())

    @command
    def redo(self) -> None:
        """Make the last change that was taken back again.

        Raises
        ------
        WorkbenchError
            When nothing was taken back.
        """
        self.session.timeline.redo()
        self.session.tell(RecipeChanged())

    @command
    def go_to(self, place: int) -> None:
        """Undo or redo as far as a place of the timeline.

        Parameters
        ----------
        place : int
            From 0, the oldest that is kept.

        Raises
        ------
        WorkbenchError
            Where there is no such place.
        """
        self.session.timeline.go_to(place)
        self.session.tell(RecipeChanged())

    @command
    def keep_variant(self, name: str) -> None:
        """Keep the recipe as it stands under a name.

        Parameters
        ----------
        name : str
            Of the variant.

        Raises
        ------
        WorkbenchError
            When the name is empty.
        """
        if not name.strip():
            raise WorkbenchError("a variant needs a name")
        self.session.variants[name.strip()] = self.session.now
        self.session.tell(VariantsChanged())

    @command
    def use_variant(self, name: str) -> None:
        """Lay a kept variant out in place of the present recipe (this can be undone).

        Parameters
        ----------
        name : str
            Of the variant.
        """
        self.session.put(self._variant(name))

    @command
    def drop_variant(self, name: str) -> None:
        """Forget a kept variant.

        Parameters
        ----------
        name : str
            Of the variant.
        """
        self._variant(name)
        del self.session.variants[name]
        self.session.tell(VariantsChanged())

    def _variant(self, name: str) -> Snapshot:
        if name not in self.session.variants:
            known = ", ".join(self.session.variants) or "none"
            raise WorkbenchError(f"there is no variant {name!r}; kept are: {known}")
        return self.session.variants[name]
