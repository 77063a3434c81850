"""Commands for what is drawn on the picture: settings of operations, and masks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from workbench.bench.commands.dispatch import command
from workbench.bench.commands.step import made_operation, with_settings
from workbench.bench.limits import MASK_TOOLS, how_of, joined, made_mask, masks_of, start_of
from workbench.bench.model import Session
from workbench.errors import WorkbenchError
from workbench.operations.base import Operation, registered
from workbench.operations.drawing import Drawing

__all__ = ["DrawCommands", "drawing_of", "drawings"]


class DrawCommands:
    """Settings and masks drawn, drawn anew and erased."""

    session: Session

    @command
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
        place = self.session.place_of(operation)
        if place is not None:
            self._set(place, drawing.changes(self._plain(place), value))
            return place
        changes = drawing.changes({}, value)
        return self.session.insert(made_operation(operation.id, changes), 0 if drawing.first else None)

    @command
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
        self._set(place, drawing.replaced(self._plain(place), number, value))
        return place

    @command
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
        self._set(place, drawing.without(self._plain(place), number))
        return place

    def _draw_mask(self, what: str, change: Callable[[dict[str, Any], Any], dict[str, Any]], drawn: Any = None) -> int:
        """Change what is drawn of a mask of the chosen step, its first of that kind; a new one where there is none."""
        index, kind = self.session.selected, what.removeprefix("mask.")
        if index is None:
            raise WorkbenchError("choose the step that the mask belongs to, then draw it")
        where = self.session.steps[index].step.where
        masks = list(masks_of(where))
        number = next((i for i, mask in enumerate(masks) if mask.kind == kind), len(masks))
        if number == len(masks):
            masks.append(start_of(kind, self.session.opened_stack().shape[:2]))
        mask = masks[number]
        if drawn is not None and getattr(mask, "frame", "step") == "stack":
            drawn = self._on_stack(index, drawn)
        masks[number] = made_mask(mask.model_dump() | change(mask.model_dump(mode="json"), drawn))
        self.session.change(index, where=joined(masks, how_of(where)))
        return index

    def _on_stack(self, index: int, drawn: Any) -> dict[str, Any]:
        """What was drawn on the frame before a step, in pixels of the stack."""
        way = self.session.to_stack(index)
        if way is None:
            raise WorkbenchError("the steps before are still being measured; draw again in a moment")
        if not isinstance(drawn, dict):
            raise WorkbenchError(f"a mask is drawn as an object with places, not {drawn!r}")
        return way.region(drawn)

    def _drawn_place(self, kind: type[Operation]) -> int:
        place = self.session.place_of(kind)
        if place is None:
            raise WorkbenchError(f"there is no {kind.id} in the recipe on which something is drawn")
        return place

    def _set(self, index: int, changes: dict[str, Any]) -> None:
        operation = self.session.step(index).step.operation
        self.session.change(index, operation=with_settings(operation, changes))

    def _plain(self, index: int) -> dict[str, Any]:
        return self.session.steps[index].step.operation.model_dump(mode="json")


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
