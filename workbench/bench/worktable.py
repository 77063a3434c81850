"""What lies on the table: steps, frozen facts, variants, undo and redo. No widget, no pixels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from pydantic import ValidationError

from workbench.acquisition import Tone
from workbench.bench.layout import Card, Layout, shared, unshared
from workbench.engine import Recipe
from workbench.errors import WorkbenchError
from workbench.operations.base import REGISTRY, Facts, Operation
from workbench.recipe.faults import no_operation, sentence
from workbench.recipe.model import Step, Where

__all__ = ["Worktable"]

#: How many undos are kept when the bench is closed.
_KEPT = 100


class Worktable:
    """The steps being worked on. Each method is one gesture; each gesture can be undone.

    Parameters
    ----------
    recipe : Recipe
    tone : Tone
        Tone of the stack; a recipe in an order that breaks the tone rule is refused.
    changed : callable
        Called after each change with what changed: "recipe", "moving" (the recipe, while a control still moves) or
        "variants".
    """

    def __init__(self, recipe: Recipe, tone: Tone = Tone.LINEAR, changed: Callable[[str], None] | None = None) -> None:
        recipe.tones(tone)
        self.tone = tone
        self._changed = changed or (lambda _what: None)
        self._layout = Layout.of(recipe)
        self._past: list[Layout] = []
        self._future: list[Layout] = []
        self._before_drag: Layout | None = None
        self.variants: dict[str, Layout] = {}

    # -- what lies there -----------------------------------------------------------------------------------------

    @property
    def layout(self) -> Layout:
        """The cards as they lie."""
        return self._layout

    @property
    def recipe(self) -> Recipe:
        """The recipe as it stands."""
        return self._layout.recipe

    @recipe.setter
    def recipe(self, recipe: Recipe) -> None:
        self._put(Layout.of(recipe, self._layout))

    @property
    def can_undo(self) -> bool:
        """Whether there is something to take back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether something was taken back."""
        return bool(self._future)

    def index_of(self, key: int) -> int:
        """Place of the card with this key."""
        for i, card in enumerate(self._layout.cards):
            if card.key == key:
                return i
        raise WorkbenchError("that step is no longer on the table")

    # -- gestures ------------------------------------------------------------------------------------------------

    def add(self, operation: Operation | str, at: int | None = None, note: str = "", **settings: Any) -> int:
        """Add a step and return its place.

        Parameters
        ----------
        operation : Operation or str
            An operation, or its recipe id with ``settings``.
        at : int, optional
            Place from 0. Default: the last place where its tone fits.
        """
        if isinstance(operation, str):
            operation = _made(operation, settings)
        place = self.place_for(operation) if at is None else self._place(at, len(self._layout.cards))
        cards = list(self._layout.cards)
        cards.insert(place, Card(Step(operation, note=note)))
        self._put(self._with(cards))
        return place

    def place_for(self, operation: Operation) -> int:
        """The last place at which the operation fits the tone rule."""
        cards = list(self._layout.cards)
        refusal: WorkbenchError | None = None
        for place in range(len(cards), -1, -1):
            trial = [*cards[:place], Card(Step(operation)), *cards[place:]]
            try:
                self._with(trial).recipe.tones(self.tone)
            except WorkbenchError as error:
                refusal = refusal or error
            else:
                return place
        raise refusal or WorkbenchError(f"{operation.id} does not fit anywhere in this recipe")

    def remove(self, index: int) -> None:
        """Take a step off the table."""
        cards = list(self._layout.cards)
        del cards[self._place(index)]
        self._put(self._with(cards))

    def move(self, index: int, to: int) -> None:
        """Move a step to another place (counted after it was taken out)."""
        cards = list(self._layout.cards)
        card = cards.pop(self._place(index))
        cards.insert(self._place(to, len(cards)), card)
        self._put(self._with(cards))

    def duplicate(self, index: int) -> int:
        """Put a copy of a step behind it and return its place."""
        cards = list(self._layout.cards)
        cards.insert(index + 1, Card(cards[self._place(index)].step))
        self._put(self._with(cards))
        return index + 1

    def switch(self, index: int, on: bool | None = None) -> None:
        """Switch a step on or off; without ``on``, the other way."""
        step = self._card(index).step
        self._change(index, step=replace(step, on=not step.on if on is None else on))

    def note(self, index: int, text: str) -> None:
        """Write down why a step is there."""
        self._change(index, step=replace(self._card(index).step, note=text))

    def limit(self, index: int, where: Where | dict[str, Any] | None) -> None:
        """Limit a step to a part of the frame; None: all of it."""
        try:
            part = Where.model_validate(where) if isinstance(where, dict) else where
        except ValidationError as error:
            raise WorkbenchError(f"where: {sentence(error)}") from None
        self._change(index, step=replace(self._card(index).step, where=part))

    def set(self, index: int, *, live: bool = False, **settings: Any) -> None:
        """Change settings of a step.

        Parameters
        ----------
        live : bool
            True while a control is moving: all changes until the next one that is not live undo as one.
        """
        card = self._card(index)
        old = card.step.operation
        operation = _made(old.id, old.model_dump() | settings)
        self._change(index, live=live, step=replace(card.step, operation=operation))

    def reset(self, index: int, *names: str) -> None:
        """Put settings (default: all) back to their defaults."""
        operation = self._card(index).step.operation
        fields = type(operation).model_fields
        for name in names:
            if name not in fields:
                raise WorkbenchError(f"{operation.id} has no setting {name!r}; it has {', '.join(fields)}")
        kept = {} if not names else {k: v for k, v in operation.model_dump().items() if k not in names}
        self._change(index, step=replace(self._card(index).step, operation=_made(operation.id, kept)))

    def freeze(self, index: int, facts: Facts | None) -> None:
        """Use these facts in place of measuring; None: measure again."""
        self._change(index, frozen=facts)

    def rename(self, title: str) -> None:
        """Give the recipe another title."""
        self._put(replace(self._layout, title=title))

    def undo(self) -> None:
        """Take the last change back."""
        self._end_drag()
        if not self._past:
            raise WorkbenchError("there is nothing to undo")
        self._future.append(self._layout)
        self._lay(self._past.pop())

    def redo(self) -> None:
        """Make the last change that was taken back again."""
        self._end_drag()
        if not self._future:
            raise WorkbenchError("there is nothing to redo")
        self._past.append(self._layout)
        self._lay(self._future.pop())

    # -- variants ------------------------------------------------------------------------------------------------

    def keep_variant(self, name: str) -> None:
        """Keep the recipe as it stands under a name."""
        if not name.strip():
            raise WorkbenchError("a variant needs a name")
        self.variants[name.strip()] = self._layout
        self._changed("variants")

    def use_variant(self, name: str) -> None:
        """Lay a kept variant out in place of the present recipe (this can be undone)."""
        self._put(self._variant(name))

    def drop_variant(self, name: str) -> None:
        """Forget a kept variant."""
        self._variant(name)
        del self.variants[name]
        self._changed("variants")

    def _variant(self, name: str) -> Layout:
        if name not in self.variants:
            known = ", ".join(self.variants) or "none"
            raise WorkbenchError(f"there is no variant {name!r}; kept are: {known}")
        return self.variants[name]

    # -- keeping state -------------------------------------------------------------------------------------------

    def to_dict(self) -> dict[str, Any]:
        """Everything on the table as plain data, undo and redo included."""
        return self.snapshot()()

    def snapshot(self) -> Callable[[], dict[str, Any]]:
        """What `to_dict` would say now, to be put into plain data later and on another thread."""
        layout, variants = self._layout, dict(self.variants)
        past, future = self._past[-_KEPT:], self._future[-_KEPT:]

        def plain() -> dict[str, Any]:
            # Facts can be long, and most layouts share theirs: each is written once.
            store: dict[int, tuple[str, Facts]] = {}
            return {
                "layout": shared(layout, store),
                "past": [shared(p, store) for p in past],
                "future": [shared(f, store) for f in future],
                "variants": {n: shared(v, store) for n, v in variants.items()},
                "facts": {name: facts.to_data() for name, facts in store.values()},
            }

        return plain

    def restore(self, data: Any) -> None:
        """Lay out what `to_dict` kept; nothing changes when it is damaged."""
        known = isinstance(data, dict) and isinstance(data.get("variants"), dict)
        if not known or not isinstance(data.get("facts"), dict):
            raise WorkbenchError("the kept state of the bench is damaged: open the recipe file instead")
        store = dict(data["facts"])
        layout = unshared(data.get("layout"), store)
        layout.recipe.tones(self.tone)
        past, future = ([unshared(d, store) for d in data.get(k) or []] for k in ("past", "future"))
        variants = {str(n): unshared(v, store) for n, v in data["variants"].items()}
        self._before_drag = None
        self._past, self._future, self.variants = past, future, variants
        self._lay(layout)
        self._changed("variants")

    # -- inside --------------------------------------------------------------------------------------------------

    def _card(self, index: int) -> Card:
        return self._layout.cards[self._place(index)]

    def _place(self, index: int, last: int | None = None) -> int:
        top = len(self._layout.cards) - 1 if last is None else last
        if not 0 <= index <= top:
            raise WorkbenchError(f"there is no step {index} (counted from 0); the last is {top}")
        return index

    def _with(self, cards: Sequence[Card]) -> Layout:
        return replace(self._layout, cards=tuple(cards))

    def _change(self, index: int, *, live: bool = False, **changes: Any) -> None:
        cards = list(self._layout.cards)
        cards[self._place(index)] = replace(cards[index], **changes)
        self._put(self._with(cards), live=live)

    def _put(self, layout: Layout, *, live: bool = False) -> None:
        layout.recipe.tones(self.tone)
        self._before_drag = self._before_drag or self._layout
        self._layout = layout
        if not live:
            self._end_drag()
        self._changed("moving" if live else "recipe")

    def _end_drag(self) -> None:
        """What has changed since the last layout that can be undone becomes one change."""
        before, self._before_drag = self._before_drag, None
        if before is not None and before != self._layout:
            self._past.append(before)
            self._future.clear()

    def _lay(self, layout: Layout) -> None:
        self._layout = layout
        self._changed("recipe")


def _made(name: str, settings: dict[str, Any]) -> Operation:
    if name not in REGISTRY:
        raise WorkbenchError(no_operation(name))
    try:
        return REGISTRY[name].model_validate(settings)
    except ValidationError as error:
        raise WorkbenchError(f"{name}: {sentence(error)}") from None
