"""Commands that change one step: adding, moving, settings, how much of it and on which layer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, get_args

from pydantic import ValidationError

from workbench.bench.commands.dispatch import command
from workbench.bench.events import MoveRefused, SelectionChanged
from workbench.bench.model import Session
from workbench.bench.snapshot import SessionStep
from workbench.errors import WorkbenchError
from workbench.operations.base import REGISTRY, Operation
from workbench.recipe.faults import no_operation, sentence
from workbench.recipe.model import Layer

__all__ = ["StepCommands", "made_operation", "with_settings"]


class StepCommands:
    """Steps added, moved, changed and removed, one at a time. Places of steps count from 0."""

    session: Session

    @command
    def select(self, index: int | None) -> None:
        """Choose the step whose settings are shown.

        Parameters
        ----------
        index : int or None
            Place of the step, from 0; None: none.
        """
        self.session.chosen = None if index is None else self.session.step(index).key
        self.session.tell(SelectionChanged())

    @command
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
            operation = made_operation(operation, settings)
        return self.session.insert(operation, at, note)

    @command
    def remove(self, index: int) -> None:
        """Take a step out; where it was the chosen one, its neighbor is chosen.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        """
        steps = list(self.session.steps)
        del steps[self.session.checked_place(index)]
        neighbor = steps[min(index, len(steps) - 1)] if steps and self.session.selected == index else None
        self.session.put_steps(steps, chosen=neighbor)

    @command
    def move(self, index: int, to: int) -> None:
        """Move a step to another place (counted after it was taken out), and choose it.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        to : int
            Place from 0.
        """
        steps = list(self.session.steps)
        step = steps.pop(self.session.checked_place(index))
        steps.insert(self.session.checked_place(to, len(steps)), step)
        try:
            self.session.put_steps(steps, chosen=step)
        except WorkbenchError as error:
            self.session.tell(MoveRefused(index, f"not moved to place {to + 1}: {error}"))
            raise

    @command
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
        steps = list(self.session.steps)
        steps.insert(index + 1, SessionStep(steps[self.session.checked_place(index)].step))
        self.session.put_steps(steps, chosen=steps[index + 1])
        return index + 1

    @command
    def switch(self, index: int, on: bool | None = None) -> None:
        """Switch a step on or off; without ``on``, the other way.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        on : bool, optional
        """
        self.session.change(index, on=not self.session.step(index).step.on if on is None else on)

    @command
    def note(self, index: int, text: str) -> None:
        """Write down why a step is there.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        text : str
            Empty takes the note away.
        """
        self.session.change(index, note=text)

    @command
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
        self.session.change(index, live=live, opacity=opacity)

    @command
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
        self.session.change(index, layer=layer)

    @command
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
        old = self.session.step(index).step.operation
        self.session.change(index, live=live, operation=with_settings(old, settings))

    @command
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
        operation = self.session.step(index).step.operation
        fields = type(operation).model_fields
        for name in names:
            if name not in fields:
                raise WorkbenchError(f"{operation.id} has no setting {name!r}; it has {', '.join(fields)}")
        kept = {} if not names else {k: v for k, v in operation.model_dump().items() if k not in names}
        self.session.change(index, operation=made_operation(operation.id, kept))

    @command
    def measure_again(self, index: int) -> None:
        """Measure anew in place of frozen facts.

        Parameters
        ----------
        index : int
            Place of the step, from 0.
        """
        self.session.hold(index, frozen=None)


def made_operation(name: str, settings: dict[str, Any]) -> Operation:
    """An operation by its recipe id.

    Parameters
    ----------
    name : str
    settings : dict of str to object
        By name; the others are the defaults.

    Returns
    -------
    Operation

    Raises
    ------
    WorkbenchError
        When there is no such operation, or the settings are not possible.
    """
    if name not in REGISTRY:
        raise WorkbenchError(no_operation(name))
    try:
        return REGISTRY[name].model_validate(settings)
    except ValidationError as error:
        raise WorkbenchError(f"{name}: {sentence(error, REGISTRY[name])}") from None


def with_settings(operation: Operation, settings: dict[str, Any]) -> Operation:
    """The operation with some settings changed.

    Parameters
    ----------
    operation : Operation
    settings : dict of str to object
        New values by name.

    Returns
    -------
    Operation

    Raises
    ------
    WorkbenchError
        When they are not possible.
    """
    return made_operation(operation.id, operation.model_dump() | settings)
