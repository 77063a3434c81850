"""Gestures made on the recipe card and on the settings: the part of the bench that changes the recipe."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

from workbench.bench.gestures import errand, gesture
from workbench.bench.worktable import Worktable
from workbench.engine import Preview
from workbench.errors import WorkbenchError
from workbench.operations.base import Operation
from workbench.recipe.model import Where

if TYPE_CHECKING:
    from workbench.bench.screen import Screen

__all__ = ["OnCard"]


class OnCard:
    """The part of the bench that takes gestures on the recipe. Places of steps count from 0."""

    table: Worktable
    screen: Screen
    preview: Preview | None
    lock: threading.RLock
    _chosen: int | None = None

    @property
    def selected(self) -> int | None:
        """Place of the step whose settings are shown; it follows the step wherever that goes."""
        keys = [card.key for card in self.table.layout.cards]
        return keys.index(self._chosen) if self._chosen in keys else None

    @selected.setter
    def selected(self, index: int | None) -> None:
        cards = self.table.layout.cards
        self._chosen = cards[index].key if index is not None and 0 <= index < len(cards) else None
        self._keep()

    def _keep(self) -> None:
        """Keep the state of the bench, soon."""
        raise NotImplementedError

    # -- which step ----------------------------------------------------------------------------------------------

    @gesture
    def select(self, index: int | None) -> None:
        """Choose the step whose settings are shown."""
        if index is not None and not 0 <= index < len(self.table.layout.cards):
            raise WorkbenchError(f"there is no step {index} (counted from 0)")
        self.screen.tool_for(None)
        self.selected = index
        self.screen.refresh("selection")

    @gesture
    def add(self, operation: Operation | str, at: int | None = None, **settings: Any) -> int:
        """Add a step where it fits, or at a place, and return its place."""
        return self._select(self.table.add(operation, at, **settings))

    @gesture
    def remove(self, index: int) -> None:
        """Take a step out."""
        chosen = self.selected == index
        self.table.remove(index)
        if chosen and self.table.layout.cards:
            self._select(min(index, len(self.table.layout.cards) - 1))

    @gesture
    def move(self, index: int, to: int) -> None:
        """Move a step to another place."""
        self.table.move(index, to)
        self._select(to)

    @gesture
    def duplicate(self, index: int) -> int:
        """Put a copy of a step behind it."""
        return self._select(self.table.duplicate(index))

    @gesture
    def switch(self, index: int, on: bool | None = None) -> None:
        """Switch a step on or off."""
        self.table.switch(index, on)

    @gesture
    def note(self, index: int, text: str) -> None:
        """Write down why a step is there."""
        self.table.note(index, text)

    @gesture
    def rename(self, title: str) -> None:
        """Give the recipe a title."""
        self.table.rename(title)

    # -- its settings and facts ----------------------------------------------------------------------------------

    @gesture
    def set(self, index: int, *, live: bool = False, **settings: Any) -> None:
        """Change settings of a step; ``live`` while a control is still moving."""
        self.table.set(index, live=live, **settings)

    @gesture
    def reset(self, index: int, names: list[str] | tuple[str, ...] = ()) -> None:
        """Put settings (default: all) back to their defaults."""
        self.table.reset(index, *names)

    @gesture
    def limit(self, index: int, where: Where | dict[str, Any] | None) -> None:
        """Limit a step to a part of the frame; None: all of it."""
        self.table.limit(index, where)

    @errand
    def freeze(self, index: int) -> None:
        """Keep what the step measured, whatever comes before it from now on."""
        if self.preview is None:
            raise WorkbenchError("open a stack first")
        preview = self.preview
        facts = preview.known_facts.get(index) or preview.facts.get(index)
        if facts is None:
            raise WorkbenchError(f"step {index} is off, missing or measures nothing, so there is nothing to keep")
        with self.lock:
            if self.preview is not preview:
                raise WorkbenchError("the recipe changed while the step was measured: keep its measurements again")
            self.table.freeze(index, facts)

    @gesture
    def measure_again(self, index: int) -> None:
        """Measure anew in place of frozen facts."""
        self.table.freeze(index, None)

    # -- back, forth, beside -------------------------------------------------------------------------------------

    @gesture
    def undo(self) -> None:
        """Take the last change back."""
        self.table.undo()

    @gesture
    def redo(self) -> None:
        """Make the last change that was taken back again."""
        self.table.redo()

    @gesture
    def keep_variant(self, name: str) -> None:
        """Keep the recipe as it stands under a name."""
        self.table.keep_variant(name)

    @gesture
    def use_variant(self, name: str) -> None:
        """Lay a kept variant out."""
        self.table.use_variant(name)

    @gesture
    def drop_variant(self, name: str) -> None:
        """Forget a kept variant."""
        self.table.drop_variant(name)

    def _select(self, index: int) -> int:
        self.selected = index
        self.screen.refresh("selection")
        return index
