"""What is worked on: stack, steps of the recipe with undo and redo, variants, the chosen step. Nothing is shown."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, get_args

from pydantic import ValidationError

from workbench.acquisition import Tone
from workbench.bench.code import opening_code
from workbench.bench.events import Event, MoveRefused, RecipeChanged, SelectionChanged, Tell, VariantsChanged
from workbench.bench.limits import MASK_TOOLS, How, how_of, joined, made_mask, masks_of, start_of
from workbench.bench.snapshot import DAMAGED, SessionStep, Snapshot, shared, unshared
from workbench.bench.timeline import Timeline
from workbench.engine import Recipe
from workbench.engine.transform import Transform
from workbench.errors import WorkbenchError
from workbench.masks import Mask
from workbench.operations.base import REGISTRY, Facts, Operation, registered
from workbench.operations.drawing import Drawing
from workbench.outputs import PRESETS, Output
from workbench.recipe.faults import no_operation, sentence
from workbench.recipe.model import Layer, Step
from workbench.stack import Stack

__all__ = ["Session", "drawing_of", "drawings"]

#: How many undos are kept when the bench is closed.
_KEPT = 100


class Session:
    """The stack and the steps being worked on. Each change of the steps can be undone. Places of steps count from 0.

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
    log : list of str
        The commands since the stack was opened, as Python.
    lock : RLock
        Held by whoever changes something.
    """

    def __init__(self, recipe: Recipe | None = None, tone: Tone = Tone.LINEAR, tell: Tell | None = None) -> None:
        self.lock = threading.RLock()
        self.log: list[str] = []
        self.stack: Stack | None = None
        self.path: Path | None = None
        #: From the frame before a step to the stack's; None while that is not known. Set by who shows the stack.
        self.to_stack: Callable[[int], Transform | None] = lambda _: None
        self._tell: Callable[[Event], None] = tell or (lambda _event: None)
        self._start(recipe or Recipe(), tone)

    def _start(self, recipe: Recipe, tone: Tone) -> None:
        recipe.tones(tone)
        self.tone = tone
        self._done = Timeline(Snapshot.of(recipe))
        self._chosen: int | None = None
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

    # -- as it stands --------------------------------------------------------------------------------------------

    @property
    def now(self) -> Snapshot:
        """The steps and the title as they stand."""
        return self._done.now

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
        self._put(Snapshot.of(recipe, self.now))

    @property
    def can_undo(self) -> bool:
        """Whether there is something to take back."""
        return self.here > 0

    @property
    def can_redo(self) -> bool:
        """Whether something was taken back."""
        return self.here < len(self.timeline) - 1

    @property
    def last_change(self) -> tuple[Snapshot, Snapshot]:
        """The steps before and after what `undo` takes back; twice the same where there is nothing."""
        return (self._done.past or [self.now])[-1], self.now

    @property
    def next_change(self) -> tuple[Snapshot, Snapshot]:
        """The steps before and after what `redo` makes again; twice the same where there is nothing."""
        return self.now, (self._done.future or [self.now])[-1]

    @property
    def timeline(self) -> list[Snapshot]:
        """All that undo and redo lead to, the oldest first; what lies now is at `here`."""
        return self._done.line

    @property
    def here(self) -> int:
        """Place in the timeline of what lies now."""
        return self._done.here

    @property
    def history(self) -> str:
        """The session so far as Python, command by command."""
        return "\n".join([opening_code(None if self.path is None else str(self.path)), *self.log]) + "\n"

    @property
    def selected(self) -> int | None:
        """Place of the step whose settings are shown; it follows the step wherever that goes."""
        keys = [step.key for step in self.steps]
        return keys.index(self._chosen) if self._chosen in keys else None

    # -- changing the recipe -------------------------------------------------------------------------------------

    def select(self, index: int | None) -> None:
        """Choose the step whose settings are shown.

        Parameters
        ----------
        index : int or None
            Place of the step, from 0; None: none.
        """
        self._chosen = None if index is None else self._step(index).key
        self._tell(SelectionChanged())

    def add(self, /, operation: Operation | str, at: int | None = None, note: str = "", **settings: Any) -> int:
        """Add a step, choose it, and return its place.

        Parameters
        ----------
        operation : Operation or str
            An operation, or its recipe id with ``settings``.
        at : int, optional
            Place from 0. Default: the last place where its tone fits.
        note : str
            Why it is there.
        **settings
            By name; the others are the defaults.

        Returns
        -------
        int
            Place from 0.
        """
        if isinstance(operation, str):
            operation = _made(operation, settings)
        place = self.place_for(operation) if at is None else self._place(at, len(self.steps))
        steps = list(self.steps)
        steps.insert(place, SessionStep(Step(operation, note=note)))
        self._put_steps(steps, chosen=steps[place])
        return place

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

    def remove(self, index: int) -> None:
        """Take a step out; where it was the chosen one, its neighbor is chosen.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        """
        steps = list(self.steps)
        del steps[self._place(index)]
        neighbor = steps[min(index, len(steps) - 1)] if steps and self.selected == index else None
        self._put_steps(steps, chosen=neighbor)

    def move(self, index: int, to: int) -> None:
        """Move a step to another place (counted after it was taken out), and choose it.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        to : int
            Place from 0.
        """
        steps = list(self.steps)
        step = steps.pop(self._place(index))
        steps.insert(self._place(to, len(steps)), step)
        try:
            self._put_steps(steps, chosen=step)
        except WorkbenchError as error:
            self._tell(MoveRefused(index, f"not moved to place {to + 1}: {error}"))
            raise

    def duplicate(self, index: int) -> int:
        """Put a copy of a step behind it, choose it, and return its place.

        Parameters
        ----------
        index : int
            Place of the step, from 0.

        Returns
        -------
        int
            Place of the copy.
        """
        steps = list(self.steps)
        steps.insert(index + 1, SessionStep(steps[self._place(index)].step))
        self._put_steps(steps, chosen=steps[index + 1])
        return index + 1

    def switch(self, index: int, on: bool | None = None) -> None:
        """Switch a step on or off; without ``on``, the other way.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        on : bool, optional
        """
        self._change(index, on=not self._step(index).step.on if on is None else on)

    def note(self, index: int, text: str) -> None:
        """Write down why a step is there.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        text : str
            Empty takes the note away.
        """
        self._change(index, note=text)

    def limit(self, index: int, where: Mask | dict[str, Any] | None) -> None:
        """Limit a step to a part of the frame; None: all of it.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        where : Mask or dict, or None
            In pixels of the frame before the step.

        Raises
        ------
        WorkbenchError
            When the step cannot be limited, or that is no part of a frame.
        """
        self._change(index, where=made_mask(where) if isinstance(where, dict) else where)

    def add_mask(self, index: int, kind: str) -> int:
        """Limit a step by one more mask, and return its number.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        kind : str
            "regions", "brush", "linear", "radial", "brightness", "color", "stars" or "object".

        Returns
        -------
        int
            From 0.

        Raises
        ------
        WorkbenchError
            When there is no such kind, or the step cannot be limited.
        """
        where = self._step(index).step.where
        masks = masks_of(where)
        self.limit(index, joined([*masks, start_of(kind, self.opened_stack().shape[:2])], how_of(where)))
        return len(masks)

    def change_mask(self, /, index: int, number: int, *, live: bool = False, **settings: Any) -> None:
        """Change settings of one of the masks that limit a step.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        number : int
            Which mask, from 0.
        live : bool
            True while a control is moving: all changes until the next one that is not live undo as one.
        **settings
            New values by name.

        Raises
        ------
        WorkbenchError
            When there is no such mask, or the values are not possible.
        """
        masks = self._masks(index, number)
        masks[number] = made_mask(masks[number].model_dump() | settings)
        self._change(index, live=live, where=joined(masks, how_of(self._step(index).step.where)))

    def remove_mask(self, index: int, number: int) -> None:
        """Take one of the masks that limit a step away; without any, it changes the whole frame.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        number : int
            Which mask, from 0.

        Raises
        ------
        WorkbenchError
            When there is no such mask.
        """
        masks = self._masks(index, number)
        del masks[number]
        self.limit(index, joined(masks, how_of(self._step(index).step.where)))

    def combine_masks(self, index: int, how: How) -> None:
        """Say whether any of the masks that limit a step is enough, or all must hold.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        how : {"union", "intersection"}

        Raises
        ------
        WorkbenchError
            When it is neither.
        """
        if how not in get_args(How):
            raise WorkbenchError(f"masks are joined by union or intersection, not by {how!r}")
        self.limit(index, joined(masks_of(self._step(index).step.where), how))

    def _masks(self, index: int, number: int) -> list[Mask]:
        """The masks of a step, among which there is this one."""
        masks = list(masks_of(self._step(index).step.where))
        if not 0 <= number < len(masks):
            raise WorkbenchError(f"there is no mask {number} (counted from 0) at step {index}; it has {len(masks)}")
        return masks

    def work_on(self, index: int, layer: Layer | None) -> None:
        """Say which layer a step changes while stars lie apart: "starless", "stars" or "both"; None: its usual one.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        layer : {"starless", "stars", "both"} or None

        Raises
        ------
        WorkbenchError
            When the step cannot work on that layer.
        """
        if layer not in (None, *get_args(Layer)):
            raise WorkbenchError(f"there is no layer {layer!r}; there are {', '.join(get_args(Layer))}")
        self._change(index, layer=layer)

    def fade(self, index: int, opacity: float, *, live: bool = False) -> None:
        """Say how much of a step's change is made.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        opacity : float
            0 (nothing) to 1 (all of it).
        live : bool
            True while a control is moving: all changes until the next one that is not live undo as one.

        Raises
        ------
        WorkbenchError
            When it is not possible, or the step cannot be mixed with what was before.
        """
        self._change(index, live=live, opacity=opacity)

    def set(self, /, index: int, *, live: bool = False, **settings: Any) -> None:
        """Change settings of a step.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        **settings
            New values by name.
        live : bool
            True while a control is moving: all changes until the next one that is not live undo as one.
        """
        old = self._step(index).step.operation
        self._change(index, live=live, operation=_made(old.id, old.model_dump() | settings))

    def reset(self, index: int, names: Sequence[str] = ()) -> None:
        """Put settings (default: all) back to their defaults.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        names : sequence of str
            Settings; empty: all.

        Raises
        ------
        WorkbenchError
            When the step has no setting of such a name.
        """
        operation = self._step(index).step.operation
        fields = type(operation).model_fields
        for name in names:
            if name not in fields:
                raise WorkbenchError(f"{operation.id} has no setting {name!r}; it has {', '.join(fields)}")
        kept = {} if not names else {k: v for k, v in operation.model_dump().items() if k not in names}
        self._change(index, operation=_made(operation.id, kept))

    def freeze(self, index: int, facts: Facts) -> None:
        """Use these facts in place of measuring.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        facts : Facts
            Of the step's operation.
        """
        self._hold(index, frozen=facts)

    def measure_again(self, index: int) -> None:
        """Measure anew in place of frozen facts.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        """
        self._hold(index, frozen=None)

    def rename(self, title: str) -> None:
        """Give the recipe a title.

        Parameters
        ----------
        title : str
        """
        self._put(replace(self.now, title=title))

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
        there = {output.name: output for output in self.now.outputs}
        start = there.get(name) or PRESETS.get(name)
        try:
            output = Output.model_validate({**({} if start is None else start.model_dump()), "name": name, **settings})
        except ValidationError as error:
            raise WorkbenchError(f"output {name}: {sentence(error)}") from None
        self.recipe = self.recipe.with_outputs((there | {name: output}).values())

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
        if all(output.name != name for output in self.now.outputs):
            raise WorkbenchError(f"the recipe has no output named {name!r}")
        self.recipe = self.recipe.with_outputs(output for output in self.now.outputs if output.name != name)

    def undo(self) -> None:
        """Take the last change back.

        Raises
        ------
        WorkbenchError
            When there is nothing to take back.
        """
        self._done.undo()
        self._tell(RecipeChanged())

    def redo(self) -> None:
        """Make the last change that was taken back again.

        Raises
        ------
        WorkbenchError
            When nothing was taken back.
        """
        self._done.redo()
        self._tell(RecipeChanged())

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
        self._done.go_to(place)
        self._tell(RecipeChanged())

    # -- settings drawn on the picture ---------------------------------------------------------------------------

    def draw(self, what: str, value: Any) -> int:
        """Draw a setting: a region, a place, a rectangle, margins; the step is added where there is none.

        Parameters
        ----------
        what : str
            What is drawn: ``remove_gradient.exclude``, an operation and its setting. The chosen step is changed where
            it is of this operation, else the first one that is.
        value
            In pixels of the step's own frame, in the form that the setting's declaration says.

        Returns
        -------
        int
            The step's place.
        """
        if what in MASK_TOOLS:
            return self._draw_mask(what, MASK_TOOLS[what].changes, value)
        operation, drawing = drawing_of(what)
        place = self.place_of(operation)
        if place is not None:
            self.set(place, **drawing.changes(self._plain(place), value))
            return place
        changes = drawing.changes({}, value)
        return self.add(_made(operation.id, changes), 0 if drawing.first else None)

    def redraw(self, what: str, number: int, value: Any) -> int:
        """Draw one of several things of a setting anew (from 0), and return the step's place.

        Parameters
        ----------
        what : str
            Operation and setting, as in ``remove_gradient.exclude``.
        number : int
            Which of them, from 0.
        value : dict
            The thing as plain data, in pixels of the frame before the step.

        Returns
        -------
        int
        """
        if what in MASK_TOOLS:
            return self._draw_mask(what, lambda mask, drawn: MASK_TOOLS[what].replaced(mask, number, drawn), value)
        operation, drawing = drawing_of(what)
        place = self._drawn_place(operation)
        self.set(place, **drawing.replaced(self._plain(place), number, value))
        return place

    def erase(self, what: str, number: int) -> int:
        """Take one of several drawn things of a setting away (from 0), and return the step's place.

        Parameters
        ----------
        what : str
            Operation and setting, as in ``remove_gradient.exclude``.
        number : int
            Which of them, from 0.

        Returns
        -------
        int
        """
        if what in MASK_TOOLS:
            return self._draw_mask(what, lambda mask, _: MASK_TOOLS[what].without(mask, number))
        operation, drawing = drawing_of(what)
        place = self._drawn_place(operation)
        self.set(place, **drawing.without(self._plain(place), number))
        return place

    def _draw_mask(self, what: str, change: Callable[[dict[str, Any], Any], dict[str, Any]], drawn: Any = None) -> int:
        """Change what is drawn of a mask of the chosen step, its first of that kind; a new one where there is none."""
        index, kind = self.selected, what.removeprefix("mask.")
        if index is None:
            raise WorkbenchError("choose the step that the mask belongs to, then draw it")
        where = self.steps[index].step.where
        masks = list(masks_of(where))
        number = next((i for i, mask in enumerate(masks) if mask.kind == kind), len(masks))
        if number == len(masks):
            masks.append(start_of(kind, self.opened_stack().shape[:2]))
        mask = masks[number]
        if drawn is not None and getattr(mask, "frame", "step") == "stack":
            drawn = self._on_stack(index, drawn)
        masks[number] = made_mask(mask.model_dump() | change(mask.model_dump(mode="json"), drawn))
        self.limit(index, joined(masks, how_of(where)))
        return index

    def _on_stack(self, index: int, drawn: Any) -> dict[str, Any]:
        """What was drawn on the frame before a step, in pixels of the stack."""
        way = self.to_stack(index)
        if way is None:
            raise WorkbenchError("the steps before are still being measured; draw again in a moment")
        if not isinstance(drawn, dict):
            raise WorkbenchError(f"a mask is drawn as an object with places, not {drawn!r}")
        return way.region(drawn)

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

    def _drawn_place(self, kind: type[Operation]) -> int:
        place = self.place_of(kind)
        if place is None:
            raise WorkbenchError(f"there is no {kind.id} in the recipe on which something is drawn")
        return place

    def _plain(self, index: int) -> dict[str, Any]:
        return self.steps[index].step.operation.model_dump(mode="json")

    # -- variants ------------------------------------------------------------------------------------------------

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
        self.variants[name.strip()] = self.now
        self._tell(VariantsChanged())

    def use_variant(self, name: str) -> None:
        """Lay a kept variant out in place of the present recipe (this can be undone).

        Parameters
        ----------
        name : str
            Of the variant.
        """
        self._put(self._variant(name))

    def drop_variant(self, name: str) -> None:
        """Forget a kept variant.

        Parameters
        ----------
        name : str
            Of the variant.
        """
        self._variant(name)
        del self.variants[name]
        self._tell(VariantsChanged())

    def _variant(self, name: str) -> Snapshot:
        if name not in self.variants:
            known = ", ".join(self.variants) or "none"
            raise WorkbenchError(f"there is no variant {name!r}; kept are: {known}")
        return self.variants[name]

    # -- keeping state -------------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """All steps as plain data, undo and redo included."""
        return self.frozen_state()()

    def frozen_state(self) -> Callable[[], dict[str, Any]]:
        """What `to_dict` would say now, to be put into plain data later and on another thread."""
        now, variants = self.now, dict(self.variants)
        past, future = self._done.past[-_KEPT:], self._done.future[-_KEPT:]

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
        self._done, self.variants = Timeline(now, past, future), variants
        fits = isinstance(selected, int) and 0 <= selected < len(now.steps)
        self._chosen = now.steps[selected].key if fits else None
        self._tell(RecipeChanged())
        self._tell(VariantsChanged())

    # -- inside --------------------------------------------------------------------------------------------------

    def _step(self, index: int) -> SessionStep:
        return self.steps[self._place(index)]

    def _place(self, index: int, last: int | None = None) -> int:
        top = len(self.steps) - 1 if last is None else last
        if not 0 <= index <= top:
            raise WorkbenchError(f"there is no step {index} (counted from 0); the last is {top}")
        return index

    def _change(self, index: int, *, live: bool = False, **changes: Any) -> None:
        """Change what the recipe says of a step."""
        self._hold(index, live=live, step=replace(self._step(index).step, **changes))

    def _hold(self, index: int, *, live: bool = False, **changes: Any) -> None:
        """Change what the session holds of a step: the step itself, or its frozen facts."""
        steps = list(self.steps)
        steps[self._place(index)] = replace(steps[index], **changes)
        self._put_steps(steps, live=live)

    def _put_steps(
        self, steps: Sequence[SessionStep], *, live: bool = False, chosen: SessionStep | None = None
    ) -> None:
        self._put(replace(self.now, steps=tuple(steps)), live=live, chosen=chosen)

    def _put(self, snapshot: Snapshot, *, live: bool = False, chosen: SessionStep | None = None) -> None:
        snapshot.recipe.tones(self.tone)
        self._done.put(snapshot, live=live)
        if chosen is not None:
            self._chosen = chosen.key
        self._tell(RecipeChanged(moving=live))


def drawings() -> dict[str, tuple[type[Operation], Drawing]]:
    """Everything that is drawn on the picture, of all operations: ``operation.setting`` -> operation, declaration."""
    found = ((kind, drawing) for kind in registered() for drawing in kind.drawn if drawing.on_picture)
    return {f"{kind.id}.{drawing.setting}": (kind, drawing) for kind, drawing in found}


def drawing_of(what: str) -> tuple[type[Operation], Drawing]:
    """The operation and the declaration of something that is drawn.

    Parameters
    ----------
    what : str
        Operation and setting, as in ``remove_gradient.exclude``.

    Returns
    -------
    tuple of (type of Operation, Drawing)

    Raises
    ------
    WorkbenchError
        When nothing of that name is drawn.
    """
    known = drawings()
    if what not in known:
        raise WorkbenchError(f"nothing called {what!r} is drawn; there are {', '.join(known)}")
    return known[what]


def _made(name: str, settings: dict[str, Any]) -> Operation:
    if name not in REGISTRY:
        raise WorkbenchError(no_operation(name))
    try:
        return REGISTRY[name].model_validate(settings)
    except ValidationError as error:
        raise WorkbenchError(f"{name}: {sentence(error)}") from None
