"""What is worked on: stack, steps of the recipe as they stand and were, variants, the chosen step. Nothing is shown."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from workbench.acquisition import Tone
from workbench.bench.code import opening_code
from workbench.bench.events import Event, RecipeChanged, Tell, VariantsChanged
from workbench.bench.snapshot import DAMAGED, SessionStep, Snapshot, shared, unshared
from workbench.bench.timeline import Timeline
from workbench.engine import Recipe
from workbench.engine.transform import Transform
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts, Operation
from workbench.recipe.model import Step
from workbench.stack import Stack

__all__ = ["Session"]

#: How many undos are kept when the bench is closed.
_KEPT = 100


class Session:
    """The stack and the steps being worked on. Each change of the steps can be undone. Places of steps count from 0.

    What a person does with it is told by the commands in `workbench.bench.commands`.

    Parameters
    ----------
    recipe : Recipe
    tone : Tone
        Tone of the stack; a recipe in an order that breaks the tone rule is refused.
    tell : callable
        Takes events: `RecipeChanged`, `SelectionChanged`, `VariantsChanged`.

    Attributes
    ----------
    stack : Stack or None
    path : Path or None
        The stack's file; None where it was given as an array.
    timeline : Timeline
        The steps as they stand, and what undo and redo lead to.
    chosen : int or None
        Key of the step whose settings are shown.
    variants : dict of str to Snapshot
        What was kept, by name.
    log : list of str
        The commands since the stack was opened, as Python.
    lock : RLock
        Held by whoever changes something.
    tell : callable
        Takes events.
    """

    def __init__(self, recipe: Recipe | None = None, tone: Tone = Tone.LINEAR, tell: Tell | None = None) -> None:
        self.lock = threading.RLock()
        self.log: list[str] = []
        self.stack: Stack | None = None
        self.path: Path | None = None
        #: From the frame before a step to the stack's; None while that is not known. Set by who shows the stack.
        self.to_stack: Callable[[int], Transform | None] = lambda _: None
        self.tell: Callable[[Event], None] = tell or (lambda _event: None)
        self._start(recipe or Recipe(), tone)

    def _start(self, recipe: Recipe, tone: Tone) -> None:
        recipe.tones(tone)
        self.tone = tone
        self.timeline = Timeline(Snapshot.of(recipe))
        self.chosen: int | None = None
        self.variants: dict[str, Snapshot] = {}

    def open(self, stack: Stack, path: Path | None, recipe: Recipe) -> None:
        """Begin anew with another stack; nothing changes where the recipe does not fit it.

        Parameters
        ----------
        stack : Stack
        path : Path or None
            Its file.
        recipe : Recipe
        """
        self._start(recipe, stack.tone)
        self.stack, self.path = stack, path
        self.log.clear()

    def opened_stack(self) -> Stack:
        """The stack, or a sentence asking for one.

        Raises
        ------
        WorkbenchError
            When no stack is open.
        """
        if self.stack is None:
            raise WorkbenchError("open a stack first")
        return self.stack

    # -- as it stands --------------------------------------------------------------------------------------------------

    @property
    def now(self) -> Snapshot:
        """The steps and the title as they stand."""
        return self.timeline.now

    @property
    def steps(self) -> tuple[SessionStep, ...]:
        """The steps in order."""
        return self.now.steps

    @property
    def recipe(self) -> Recipe:
        """The recipe as it stands."""
        return self.now.recipe

    @recipe.setter
    def recipe(self, recipe: Recipe) -> None:
        self.put(Snapshot.of(recipe, self.now))

    @property
    def history(self) -> str:
        """The session so far as Python, command by command."""
        return "\n".join([opening_code(None if self.path is None else str(self.path)), *self.log]) + "\n"

    @property
    def selected(self) -> int | None:
        """Place of the step whose settings are shown; it follows the step wherever that goes."""
        keys = [step.key for step in self.steps]
        return keys.index(self.chosen) if self.chosen in keys else None

    def step(self, index: int) -> SessionStep:
        """The step at a place.

        Parameters
        ----------
        index : int
            From 0.

        Returns
        -------
        SessionStep

        Raises
        ------
        WorkbenchError
            When there is none.
        """
        return self.steps[self.checked_place(index)]

    def checked_place(self, index: int, last: int | None = None) -> int:
        """The place as it was given, where there is one.

        Parameters
        ----------
        index : int
            From 0.
        last : int, optional
            The last place that there is. Default: that of the last step.

        Returns
        -------
        int

        Raises
        ------
        WorkbenchError
            When there is no such place.
        """
        top = len(self.steps) - 1 if last is None else last
        if not 0 <= index <= top:
            known = f"the last is {top}" if top >= 0 else "the recipe has none yet"
            raise WorkbenchError(f"there is no step {index} (counted from 0); {known}")
        return index

    def place_for(self, operation: Operation) -> int:
        """The last place at which the operation fits the tone rule.

        Parameters
        ----------
        operation : Operation

        Returns
        -------
        int
            Place from 0.

        Raises
        ------
        WorkbenchError
            When it fits nowhere.
        """
        steps = list(self.steps)
        refusal: WorkbenchError | None = None
        for place in range(len(steps), -1, -1):
            trial = [*steps[:place], SessionStep(Step(operation)), *steps[place:]]
            try:
                replace(self.now, steps=tuple(trial)).recipe.tones(self.tone)
            except WorkbenchError as error:
                refusal = refusal or error
            else:
                return place
        raise refusal or WorkbenchError(f"{operation.id} does not fit anywhere in this recipe")

    def place_of(self, kind: type[Operation]) -> int | None:
        """The chosen step where it is of this kind, else the first one that is.

        Parameters
        ----------
        kind : type of Operation

        Returns
        -------
        int or None
            Place from 0; None where there is no such step.
        """
        if self.selected is not None and isinstance(self.steps[self.selected].step.operation, kind):
            return self.selected
        return next((i for i, s in enumerate(self.steps) if isinstance(s.step.operation, kind)), None)

    # -- changing it ---------------------------------------------------------------------------------------------------

    def put(self, snapshot: Snapshot, *, live: bool = False, chosen: SessionStep | None = None) -> None:
        """Lay something else; nothing changes where it breaks the tone rule.

        Parameters
        ----------
        snapshot : Snapshot
        live : bool
            True while a control is moving: all changes until the next one that is not live undo as one.
        chosen : SessionStep, optional
            The step whose settings are shown from now on. Default: the one that is.

        Raises
        ------
        WorkbenchError
            When the steps are in an order that the tone rule forbids.
        """
        snapshot.recipe.tones(self.tone)
        self.timeline.put(snapshot, live=live)
        if chosen is not None:
            self.chosen = chosen.key
        self.tell(RecipeChanged(moving=live))

    def put_steps(self, steps: Sequence[SessionStep], *, chosen: SessionStep | None = None) -> None:
        """Lay other steps.

        Parameters
        ----------
        steps : sequence of SessionStep
        chosen : SessionStep, optional
            As of `put`.
        """
        self.put(replace(self.now, steps=tuple(steps)), chosen=chosen)

    def insert(self, operation: Operation, at: int | None = None, note: str = "") -> int:
        """Lay one step more, and choose it.

        Parameters
        ----------
        operation : Operation
        at : int, optional
            Place from 0. Default: the last place where its tone fits.
        note : str
            Why it is there.

        Returns
        -------
        int
            Place from 0.
        """
        place = self.place_for(operation) if at is None else self.checked_place(at, len(self.steps))
        step = SessionStep(Step(operation, note=note))
        self.put_steps([*self.steps[:place], step, *self.steps[place:]], chosen=step)
        return place

    def hold(self, index: int, *, live: bool = False, **changes: Any) -> None:
        """Change what the session holds of a step: the step itself, or its frozen facts.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        live : bool
            As of `put`.
        **changes
            New values of the attributes of `SessionStep`: ``frozen`` are facts used in place of measuring.
        """
        steps = list(self.steps)
        steps[index] = replace(self.step(index), **changes)
        self.put(replace(self.now, steps=tuple(steps)), live=live)

    def change(self, index: int, *, live: bool = False, **changes: Any) -> None:
        """Change what the recipe says of a step.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        live : bool
            As of `put`.
        **changes
            New values of the attributes of `Step`.
        """
        self.hold(index, live=live, step=replace(self.step(index).step, **changes))

    # -- keeping it ----------------------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """All steps as plain data, undo and redo included."""
        return self.frozen_state()()

    def frozen_state(self) -> Callable[[], dict[str, Any]]:
        """What `to_dict` would say now, to be put into plain data later and on another thread."""
        now, variants = self.now, dict(self.variants)
        past, future = self.timeline.past[-_KEPT:], self.timeline.future[-_KEPT:]

        def plain() -> dict[str, Any]:
            # Facts can be long, and most snapshots share theirs: each is written once.
            store: dict[int, tuple[str, Facts]] = {}
            return {
                "layout": shared(now, store),
                "past": [shared(p, store) for p in past],
                "future": [shared(f, store) for f in future],
                "variants": {n: shared(v, store) for n, v in variants.items()},
                "facts": {name: facts.to_data() for name, facts in store.values()},
            }

        return plain

    def restore(self, data: Any, selected: Any = None) -> None:
        """Lay out what `to_dict` kept; nothing changes when it is damaged.

        Parameters
        ----------
        data : dict
            As it was kept.
        selected : int or None
            Place of the chosen step, from 0.

        Raises
        ------
        WorkbenchError
            When it is damaged.
        """
        known = isinstance(data, dict) and isinstance(data.get("variants"), dict)
        if not known or not isinstance(data.get("facts"), dict):
            raise WorkbenchError(DAMAGED)
        store = dict(data["facts"])
        now = unshared(data.get("layout"), store)
        now.recipe.tones(self.tone)
        past, future = ([unshared(d, store) for d in data.get(k) or []] for k in ("past", "future"))
        variants = {str(n): unshared(v, store) for n, v in data["variants"].items()}
        self.timeline, self.variants = Timeline(now, past, future), variants
        fits = isinstance(selected, int) and 0 <= selected < len(now.steps)
        self.chosen = now.steps[selected].key if fits else None
        self.tell(RecipeChanged())
        self.tell(VariantsChanged())
