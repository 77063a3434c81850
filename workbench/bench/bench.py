"""The bench: picture, histogram, steps and settings in a notebook, driven by commands that are Python calls."""

from __future__ import annotations

from dataclasses import replace
from os import PathLike, fspath
from pathlib import Path
from typing import Any

from workbench import io
from workbench.acquisition import Tone, checked_tone
from workbench.bench.autosave import Autosave
from workbench.bench.code import session_code
from workbench.bench.commands import RecipeCommands
from workbench.bench.commands.dispatch import Dispatcher, background, command, request
from workbench.bench.commands.save import SaveCommands
from workbench.bench.context import Context
from workbench.bench.events import (
    CheckedUp,
    Event,
    Kept,
    Opening,
    RecipeChanged,
    Said,
    SelectionChanged,
    Settled,
    StackOpened,
    VariantsChanged,
)
from workbench.bench.exporting import Export, Writer
from workbench.bench.measuring import Measuring
from workbench.bench.model import Session
from workbench.bench.recent import remember
from workbench.bench.screen import Screen
from workbench.bench.tools import Tools
from workbench.bench.views import Views
from workbench.bench.warm import warm_up
from workbench.checkup import Checkup
from workbench.engine import Preview, Recipe
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts
from workbench.prepared import prepare, prepare_behind
from workbench.recipe.code import recipe_code
from workbench.recipe.model import Step
from workbench.stack import Stack, read
from workbench.teach import sample_file

__all__ = ["Bench"]

AnyPath = str | PathLike[str]


class Bench(RecipeCommands, SaveCommands):
    """Drive every step of a recipe and see it on your own stack at once.

    Everything a person does on the screen is one of this object's methods, so a cell can do whatever the screen does,
    and `history` reads a session back as Python. Places of steps count from 0.

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
    session : Session
        The stack, the steps with undo and redo, variants, the chosen step.
    screen : Screen
        The panels.
    """

    def __init__(
        self, stack: Stack | AnyPath | None = None, recipe: Recipe | None = None, *, autosave: bool = True
    ) -> None:
        self._autosave_wanted = autosave
        self._given: dict[str, Any] | None = None
        self._tone: Tone | None = None  # what a person said that the stack is
        self._steps_readied = False
        self._dispatcher = Dispatcher()
        self._keeper = Autosave(None)
        super().__init__(Session(recipe, tell=self._hear))
        self.tools = Tools(self.session)
        self.views = Views(self.session, self.tools, self._hear)
        self._measuring = Measuring()
        self._writer = Writer(self._hear)
        self._export = Export(self._writer.progress)
        handle, call = self._dispatcher.handle, self._dispatcher.call
        self.screen = Screen(Context(self.session, self.tools, self.views, self._hear, handle, call))
        self._dispatcher.serve([self, *self.screen.owners])
        self._hear(RecipeChanged())
        if stack is not None:
            self._lay_open(stack, recipe)

    def _hear(self, event: Event) -> None:
        """Take an event of any part to all parts that it concerns, in the order in which they rest on each other."""
        match event:
            case RecipeChanged(moving=moving):
                self.views.follow()
                if not moving:
                    self._export.forget(self.session.now)
                    self._keep()
            case SelectionChanged() | VariantsChanged():
                self._keep()
            case Settled() if not self._steps_readied:  # nobody waits for a picture: now to what other steps need
                self._steps_readied = True
                prepare_behind("picture", self._say)
                warm_up()
            case _:
                pass
        self.screen.hear(event)
        self.views.draw(event)

    @property
    def widget(self) -> Any:
        """The screen as a widget, to be laid out with others; a bench as the last line of a cell shows it."""
        return self.screen.widget

    @property
    def picture(self) -> Any:
        """The picture alone, as a widget that lives with the one on the bench: for a tab beside the notebook.

        In JupyterLab: show it as the last line of a cell, and choose "Create New View for Cell Output" with a right
        click on it.
        """
        return self.screen.panels["viewer"]

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        # Where no widget can live, on a code host for example, the words are read.
        return self.widget._repr_mimebundle_(**kwargs) | {"text/plain": repr(self)}

    def __repr__(self) -> str:
        name = "no stack" if self.stack is None else self.stack.source.name
        return f"Bench({name}, {len(self.recipe)} steps)"

    # -- the session, live ---------------------------------------------------------------------------------------

    @property
    def stack(self) -> Stack | None:
        """The stack that is open."""
        return self.session.stack

    @property
    def path(self) -> Path | None:
        """Its file; None where it was given as an array."""
        return self.session.path

    @property
    def selected(self) -> int | None:
        """Place of the step whose settings are shown."""
        return self.session.selected

    @property
    def recipe(self) -> Recipe:
        """The recipe as it stands; setting lays another one out (which can be undone)."""
        return self.session.recipe

    @recipe.setter
    def recipe(self, recipe: Recipe) -> None:
        with self.session.lock:
            self.session.recipe = recipe
            self.log.append(f"bench.recipe = {recipe_code(recipe)}")

    @property
    def facts(self) -> dict[int, Facts]:
        """What every step that is on measured on the full frame; waits for what is still being measured."""
        return self._opened_preview().facts

    @property
    def log(self) -> list[str]:
        """The commands since the stack was opened, as Python."""
        return self.session.log

    @property
    def history(self) -> str:
        """The session so far as Python, command by command."""
        return self.session.history

    # -- starting ------------------------------------------------------------------------------------------------

    @background
    def open(self, path: AnyPath) -> None:
        """Open a stack by its path; what was kept beside it is laid out.

        Parameters
        ----------
        path : path
            A stack that `workbench.read` reads.
        """
        self._lay_open(path, None)

    @background
    def open_sample(self, name: str) -> None:
        """Open a working copy of a sample stack, in a folder of your own among the temporary files.

        Parameters
        ----------
        name : str
            Of a sample: "lantern", say.
        """
        self._lay_open(sample_file(name), None)

    @background
    def take_for(self, tone: Tone | str) -> None:
        """Say what the stack is, whatever its file says: "linear" light, or "display", a finished picture.

        A recipe that does not fit is laid aside as a variant.

        Parameters
        ----------
        tone : {"linear", "display"}
        """
        stack, kept, before = self.session.opened_stack(), dict(self.session.variants), self.session.now
        self._lay_open(stack if self.path is None else self.path, None, checked_tone(tone))
        with self.session.lock:
            if before.steps and self.session.now.recipe != before.recipe:
                self.session.variants = kept | {f"as {stack.tone}": before}
                self._hear(VariantsChanged())
                self._hear(Said(f"the recipe does not fit a {tone} stack: it lies aside as a variant"))

    @command
    def open_recipe(self, path: AnyPath) -> None:
        """Lay out a recipe from its file, or the one that a finished picture carries (can be undone).

        Parameters
        ----------
        path : path
            A recipe file, or a picture that carries one.

        Raises
        ------
        WorkbenchError
            When the picture carries none.
        """
        if Path(fspath(path)).suffix.lower() == ".json":
            recipe = Recipe.load(path)
        else:
            text = io.embedded(path).recipe
            if text is None:
                raise WorkbenchError(f"{fspath(path)} carries no recipe")
            recipe = Recipe.loads(text, f"the recipe in {fspath(path)}")
        self.session.recipe = recipe

    @background
    def suggest(self) -> None:
        """Lay out a recipe built from what the stack measures (can be undone)."""
        stack = self.session.opened_stack()
        prepare("picture", self._say)
        recipe = self._measuring.suggestion(stack)
        with self.session.lock:
            self.session.recipe = recipe.titled(self.recipe.title or recipe.title)

    @background
    def check(self) -> Checkup:
        """Measure the stack and show the advice."""
        stack = self.session.opened_stack()
        prepare("check", self._say)
        report = self._measuring.checkup(stack)
        self._hear(CheckedUp(report))
        return report

    @background
    def add_advised(self, number: int) -> int:
        """Add the step that piece of advice ``number`` (from 0) recommends.

        Parameters
        ----------
        number : int

        Returns
        -------
        int
            Place of the step, from 0.

        Raises
        ------
        WorkbenchError
            When there is no such advice, or it recommends no step.
        """
        advice = self._measuring.checkup(self.session.opened_stack()).advice
        if not 0 <= number < len(advice) or advice[number].step is None:
            raise WorkbenchError(f"there is no advice {number} that recommends a step")
        step = Step.from_dict(advice[number].step, 1)
        with self.session.lock:
            return self.session.insert(step.operation, note=advice[number].says)

    @background
    def freeze(self, index: int) -> None:
        """Keep what the step measured, whatever comes before it from now on.

        Parameters
        ----------
        index : int
            Place of the step, from 0.

        Raises
        ------
        WorkbenchError
            When the step is off or measures nothing, or the recipe changed meanwhile.
        """
        preview = self._opened_preview()
        facts = preview.known_facts.get(index) or preview.facts.get(index)
        if facts is None:
            raise WorkbenchError(f"step {index} is off, missing or measures nothing, so there is nothing to keep")
        with self.session.lock:
            if self.views.preview is not preview:
                raise WorkbenchError("the recipe changed while the step was measured: keep its measurements again")
            self.session.hold(index, frozen=facts)

    # -- stopping, waiting, closing -----------------------------------------------------------------------------------

    @request
    def stop(self) -> None:
        """Stop writing or measuring; nothing is left half-done."""
        self._measuring.stop()
        self._writer.stop()

    @request
    def session_code(self) -> str:
        """A cell of Python that reads the stack, runs the recipe as it stands and saves the picture."""
        source = self.session.opened_stack().source
        return session_code(None if self.path is None else str(self.path), source, self.recipe, self._tone)

    def wait(self, timeout: float | None = 120) -> bool:
        """Wait until every view and file asked for is made; False when ``timeout`` seconds passed before.

        Parameters
        ----------
        timeout : float or None
            In seconds; None: as long as it takes.

        Returns
        -------
        bool
        """
        return self.views.feed.wait(timeout) and self._writer.wait(timeout)

    def close(self) -> None:
        """Keep the state, end the threads, take the panels off the page and free the memory."""
        self._keeper.release()
        self._writer.close()
        self.views.close()
        self._dispatcher.close()
        self.screen.close()
        self._measuring.close()
        self.session.stack = None
        self._export.forget()

    # -- inside --------------------------------------------------------------------------------------------------

    def _opened_preview(self) -> Preview:
        self.session.opened_stack()
        assert self.views.preview is not None
        return self.views.preview

    def _keep(self) -> None:
        state, selected, given, tone = self.session.frozen_state(), self.selected, self._given, self._tone
        self._keeper.keep(lambda: {"table": state(), "selected": selected, "given": given, "tone": tone})
        kept = self._keeper.where if self._autosave_wanted else "nothing is kept by itself, as you asked for"
        self._hear(Kept("" if self.stack is None else kept))

    def _lay_open(self, stack: Stack | AnyPath, recipe: Recipe | None, tone: Tone | None = None) -> None:
        name = stack.source.name if isinstance(stack, Stack) else Path(fspath(stack)).name
        self._hear(Opening(name))
        try:
            self._laid_open(stack, recipe, tone)
        finally:
            self._hear(Opening(None))

    def _laid_open(self, stack: Stack | AnyPath, recipe: Recipe | None, tone: Tone | None) -> None:
        path = _file_of(stack)
        known = self._autosave_wanted and path is not None and path.exists()
        kept = Autosave(path).load() if known else None
        # A stack without steps is soon shown; what the steps need comes behind, while it is looked at.
        prepare("look" if recipe is None and kept is None else "picture", self._note)
        declared = tone or _declared(kept)
        opened = stack if isinstance(stack, Stack) else read(stack, tone=declared)
        if isinstance(stack, Stack) and tone is not None:
            opened = replace(stack, tone=tone)
        with self.session.lock:
            first = recipe or Recipe()
            first.tones(opened.tone)
            keeper, preview = Autosave(path if self._autosave_wanted else None), Preview(opened, Recipe())
            self._keeper.release()
            self._keeper = keeper
            self._export.forget()
            self._measuring.forget()
            self._given = None if recipe is None else recipe.to_dict()
            self._tone = declared
            self.session.open(opened, path, first)
            self.views.open(preview)
            self._hear(StackOpened())
            if recipe is not None:
                self.log.append(f"bench.recipe = {recipe_code(self.recipe)}")
            taken_from = keeper.taken_from
            self._take_up(keeper.load(), recipe)
            if taken_from:
                self._hear(Said("another bench has this stack open: from now on what is done here is kept, not there"))
            self._hear(RecipeChanged())
        if path is not None and self._autosave_wanted:
            remember(path)

    def _note(self, words: str) -> None:
        """Say something on the page, and under the cell that opens a bench, which shows no page yet."""
        print(words, flush=True)  # noqa: T201
        self._say(words)

    def _say(self, words: str) -> None:
        self._hear(Said(words))

    def _take_up(self, kept: dict[str, Any] | None, recipe: Recipe | None) -> None:
        """Go on where the bench was left. A recipe given anew is laid over that, so that an undo brings it back."""
        if kept is None:
            return
        try:
            self.session.restore(kept.get("table"), kept.get("selected"))
        except WorkbenchError as error:
            self._hear(Said(str(error), error=True))
            return
        if recipe is not None and kept.get("given") != recipe.to_dict():
            if self.recipe != recipe:
                self.session.recipe = recipe
                self._hear(Said("undo brings back the recipe that was kept when this stack was last open"))
        elif self.recipe.steps:
            self.log[:] = [f"bench.recipe = {recipe_code(self.recipe)}"]
            self._hear(Said("this stack was open before: the recipe lies as it was left"))


def _file_of(given: Stack | AnyPath) -> Path | None:
    """The stack's file, where it is still there."""
    if not isinstance(given, Stack):
        return Path(fspath(given))
    path = Path(given.source.path)
    return path if given.source.path and path.exists() else None


def _declared(kept: dict[str, Any] | None) -> Tone | None:
    """What a person said that the stack is, when it was last open."""
    tone = (kept or {}).get("tone")
    return Tone(tone) if tone in set(Tone) else None
