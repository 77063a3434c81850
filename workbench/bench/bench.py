"""The bench: picture, histogram, recipe cards and settings in a notebook, driven by gestures that are Python calls."""

from __future__ import annotations

import threading
from collections.abc import Callable
from os import PathLike, fspath
from pathlib import Path
from typing import Any

from workbench import io
from workbench.bench.autosave import Autosave
from workbench.bench.code import opening_code, session_code
from workbench.bench.export import Export
from workbench.bench.gestures import called, errand, gesture, lane_of, request
from workbench.bench.measuring import Measuring
from workbench.bench.on_card import OnCard
from workbench.bench.on_picture import OnPicture
from workbench.bench.screen import Screen
from workbench.bench.worktable import Worktable
from workbench.checkup import Checkup
from workbench.engine import Preview, Recipe
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts
from workbench.recipe.code import recipe_code
from workbench.recipe.model import Step
from workbench.stack import Stack, read

__all__ = ["Bench"]

AnyPath = str | PathLike[str]


class Bench(OnCard, OnPicture):
    """Drive every step of a recipe and see it on your own stack at once.

    Every gesture on the screen is one of this object's methods, so a cell can do whatever the screen does, and
    `history` reads a session back as Python.

    Parameters
    ----------
    stack : Stack or path, optional
        May be opened later, from the screen or with `open`.
    recipe : Recipe, optional
        Default: what was kept beside the stack when the bench was last used on it, else an empty recipe.
    autosave : bool
        Whether the recipe and the state of the bench are kept beside the stack. A bench opened again with the same
        recipe goes on where it was; with another one, an undo brings back what was kept.

    Attributes
    ----------
    stack : Stack or None
    recipe : Recipe
        Live: reading gives the recipe as it stands, setting lays another one out (which can be undone).
    log : list of str
        The gestures made since the stack was opened, as Python.
    widget : ipywidgets.VBox
        The screen, to be laid out with other widgets; a bench as the last line of a cell shows it.
    """

    def __init__(
        self, stack: Stack | AnyPath | None = None, recipe: Recipe | None = None, *, autosave: bool = True
    ) -> None:
        self.log: list[str] = []
        self.lock = threading.RLock()
        self.stack: Stack | None = None
        self.path: Path | None = None
        self.preview: Preview | None = None
        self._autosave_wanted = autosave
        self._given: dict[str, Any] | None = None
        self.measuring = Measuring()
        self._asked_by_page = threading.local()
        self.table = Worktable(recipe or Recipe(), changed=self.changed)
        self.keeper = Autosave(None)
        self.screen = Screen(self)
        self.export = Export(self.screen.leaving.progress)
        if stack is not None:
            self._lay_open(stack, recipe)

    @property
    def widget(self) -> Any:
        """The screen as a widget of the notebook."""
        return self.screen.layout_widget

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        return self.widget._repr_mimebundle_(**kwargs)

    def __repr__(self) -> str:
        name = "no stack" if self.stack is None else self.stack.source.name
        return f"Bench({name}, {len(self.recipe)} steps)"

    # -- the recipe, live ----------------------------------------------------------------------------------------

    @property
    def recipe(self) -> Recipe:
        """The recipe as it stands."""
        return self.table.recipe

    @recipe.setter
    def recipe(self, recipe: Recipe) -> None:
        with self.lock:
            self.table.recipe = recipe
            self.log.append(f"bench.recipe = {recipe_code(recipe)}")

    @property
    def facts(self) -> dict[int, Facts]:
        """What every step that is on measured on the full frame; waits for what is still being measured."""
        self.opened_stack()
        assert self.preview is not None
        return self.preview.facts

    @property
    def history(self) -> str:
        """The session so far as Python, gesture by gesture."""
        return "\n".join([opening_code(None if self.path is None else str(self.path)), *self.log]) + "\n"

    # -- starting ------------------------------------------------------------------------------------------------

    @errand
    def open(self, path: AnyPath) -> None:
        """Open a stack by its path; what was kept beside it is laid out."""
        self._lay_open(path, None)

    @gesture
    def open_recipe(self, path: AnyPath) -> None:
        """Lay out a recipe from its file, or the one that a finished picture carries (can be undone)."""
        if Path(fspath(path)).suffix.lower() == ".json":
            recipe = Recipe.load(path)
        else:
            text = io.embedded(path).recipe
            if text is None:
                raise WorkbenchError(f"{fspath(path)} carries no recipe")
            recipe = Recipe.loads(text, f"the recipe in {fspath(path)}")
        self.table.recipe = recipe

    @errand
    def suggest(self) -> None:
        """Lay out a recipe built from what the stack measures (can be undone)."""
        recipe = self.measuring.suggestion(self.opened_stack())
        with self.lock:
            self.table.recipe = recipe.titled(self.recipe.title or recipe.title)

    @errand
    def check(self) -> Checkup:
        """Measure the stack and show the advice."""
        report = self.measuring.checkup(self.opened_stack())
        self.screen.show_checkup(report)
        return report

    @errand
    def add_advised(self, number: int) -> int:
        """Add the step that piece of advice ``number`` (from 0) recommends."""
        advice = self.measuring.checkup(self.opened_stack()).advice
        if not 0 <= number < len(advice) or advice[number].step is None:
            raise WorkbenchError(f"there is no advice {number} that recommends a step")
        step = Step.from_dict(advice[number].step, 1)
        with self.lock:
            return self._select(self.table.add(step.operation, note=advice[number].says))

    # -- leaving -------------------------------------------------------------------------------------------------

    @gesture
    def save_recipe(self, path: AnyPath, overwrite: bool = False) -> None:
        """Write the recipe file."""
        self._must_be_free(Path(fspath(path)), overwrite=overwrite)
        self.recipe.save(path, overwrite=overwrite)
        self.screen.leaving.saved(path)

    @errand
    def save_record(self, path: AnyPath, overwrite: bool = False) -> None:
        """Run the recipe and write the run record."""
        self._write(path, self.export.record, overwrite=overwrite)

    @errand
    def save_picture(self, path: AnyPath, overwrite: bool = False, **options: Any) -> None:
        """Run the recipe and write the picture, as ``workbench run`` would; the suffix says the format.

        Parameters
        ----------
        path : path
        overwrite : bool
        **options
            As of `workbench.io.encode`: ``quality`` of a JPEG, ``float32``, ``bits``, ``compression``.
        """
        self._write(path, self.export.picture, overwrite=overwrite, **options)

    @errand
    def save_sheet(self, path: AnyPath, overwrite: bool = False) -> None:
        """Run the recipe and write before, after, settings, facts and reason of every step, as a page or a notebook.

        The suffix decides: ``.html`` or ``.ipynb``.
        """
        self._write(path, self.export.sheet, overwrite=overwrite)

    @request
    def stop(self) -> None:
        """Stop writing or measuring; nothing is left half-done."""
        self.measuring.stop()
        self.screen.leaving.stop()

    @request
    def session_code(self) -> str:
        """A cell of Python that reads the stack, runs the recipe as it stands and saves the picture."""
        source = self.opened_stack().source
        return session_code(None if self.path is None else str(self.path), source, self.recipe)

    def wait(self, timeout: float | None = 120) -> bool:
        """Wait until every view and file asked for is made; False when ``timeout`` seconds passed before."""
        return self.screen.wait(timeout)

    def close(self) -> None:
        """Keep the state, end the threads, take the panels off the page and free the memory."""
        self.keeper.flush()
        self.screen.close()
        self.measuring.close()
        self.preview = self.stack = None
        self.export.forget()

    # -- inside --------------------------------------------------------------------------------------------------

    def perform(self, name: str, wanted: dict[str, Any]) -> Any:
        """Do what the page asks for: a gesture of this object, or a request of the screen."""
        owner = next((o for o in (self, self.screen, self.screen.files) if lane_of(o, name)), None)
        if owner is None:
            raise WorkbenchError(f"the page asked for {name!r}, which the bench does not know: reload the page")
        self._asked_by_page.now = True
        try:
            return called(owner, name, wanted)
        finally:
            self._asked_by_page.now = False

    def changed(self, what: str) -> None:
        """Told by the table after each change: of the recipe, while moving, of the variants."""
        if self.preview is not None:
            self.preview = self.preview.showing(self.recipe, self.table.layout.frozen)
        if what != "moving":
            self.export.forget(self.table.layout)
            self._keep()
        self.screen.refresh(what)

    @property
    def kept_where(self) -> str:
        """Where the recipe is kept by itself, in words."""
        if self.stack is None:
            return ""
        return self.keeper.where if self._autosave_wanted else "nothing is kept by itself, as you asked for"

    def opened_stack(self) -> Stack:
        """The stack, or a sentence asking for one."""
        if self.stack is None:
            raise WorkbenchError("open a stack first")
        return self.stack

    def _keep(self) -> None:
        table, selected, given = self.table.snapshot(), self.selected, self._given
        self.keeper.keep(lambda: {"table": table(), "selected": selected, "given": given})

    def _lay_open(self, stack: Stack | AnyPath, recipe: Recipe | None) -> None:
        opened = stack if isinstance(stack, Stack) else read(stack)
        path = _file_of(stack, opened)
        with self.lock:
            table = Worktable(recipe or Recipe(), opened.tone, self.changed)
            keeper = Autosave(path if self._autosave_wanted else None)
            preview = Preview(opened, Recipe())
            self.keeper.flush()
            self.screen.rest()
            self.export.forget()
            self.log.clear()
            self.stack, self.path, self.table, self.keeper = opened, path, table, keeper
            self.preview = preview
            self.measuring.forget()
            self._chosen, self._given = None, None if recipe is None else recipe.to_dict()
            self.screen.opened()
            if recipe is not None or self.recipe.steps:
                self.log.append(f"bench.recipe = {recipe_code(self.recipe)}")
            self._take_up(keeper.load(), recipe)
            self.changed("recipe")

    def _take_up(self, kept: dict[str, Any] | None, recipe: Recipe | None) -> None:
        """Go on where the bench was left. A recipe given anew is laid over that, so that an undo brings it back."""
        if kept is None:
            return
        try:
            self.table.restore(kept.get("table"))
        except WorkbenchError as error:
            self.screen.leaving.say(str(error), kind="error")
            return
        chosen = kept.get("selected")
        self.selected = chosen if isinstance(chosen, int) else None
        if recipe is not None and kept.get("given") != recipe.to_dict():
            if self.recipe != recipe:
                self.table.recipe = recipe
                self.screen.leaving.say("undo brings back the recipe that was kept when this stack was last open")
        elif self.recipe.steps:
            self.log[:] = [f"bench.recipe = {recipe_code(self.recipe)}"]
            self.screen.leaving.say("this stack was open before: the recipe lies as it was left")

    def _must_be_free(self, target: Path, *, overwrite: bool) -> None:
        if self.path is not None and target.resolve() == self.path.resolve():
            raise WorkbenchError(f"{target} is the stack itself, which is never written to: choose another name")
        if target.exists() and not overwrite:
            raise WorkbenchError(f"{target} exists already: choose another name, or allow replacing it")

    def _write(self, path: AnyPath, write: Callable[..., None], *, overwrite: bool, **options: Any) -> None:
        target = Path(fspath(path))
        with self.lock:
            stack, layout = self.opened_stack(), self.table.layout
        self._must_be_free(target, overwrite=overwrite)
        # A cell goes on when the file is there; the screen must stay alive meanwhile.
        wait = not getattr(self._asked_by_page, "now", False)
        self.screen.leaving.write(
            target, lambda cancel: write(target, stack, layout, cancel, overwrite=overwrite, **options), wait=wait
        )


def _file_of(given: Stack | AnyPath, stack: Stack) -> Path | None:
    """The stack's file, where it is still there."""
    if not isinstance(given, Stack):
        return Path(fspath(given))
    path = Path(stack.source.path)
    return path if stack.source.path and path.is_file() else None
