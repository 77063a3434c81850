"""The steps of the recipe as they are at one moment, and their plain form."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import count
from typing import Any

from workbench.engine import Recipe
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts
from workbench.outputs import Output
from workbench.recipe.facts import frozen_facts
from workbench.recipe.model import Step
from workbench.recipe.store import from_data

__all__ = ["DAMAGED", "SessionStep", "Snapshot", "shared", "unshared"]

#: Said of plain data that is none of ours.
DAMAGED = "the kept state of the bench is damaged: open the recipe file instead"

_numbers = count(1)


@dataclass(frozen=True, slots=True)
class SessionStep:
    """A step of the recipe being worked on.

    Attributes
    ----------
    step : Step
    frozen : Facts or None
        Facts used in place of measuring.
    key : int
        Stays with the step when it is moved or changed.
    """

    step: Step
    frozen: Facts | None = None
    key: int = field(default_factory=lambda: next(_numbers))


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All steps in order, the recipe's title and outputs, as they are at one moment."""

    steps: tuple[SessionStep, ...] = ()
    title: str = ""
    outputs: tuple[Output, ...] = ()

    @property
    def recipe(self) -> Recipe:
        """The steps as a recipe."""
        return Recipe([s.step for s in self.steps], self.title, self.outputs)

    @property
    def frozen(self) -> dict[int, Facts]:
        """Frozen facts by place."""
        return {i: s.frozen for i, s in enumerate(self.steps) if s.frozen is not None}

    @classmethod
    def of(cls, recipe: Recipe, old: Snapshot | None = None) -> Snapshot:
        """A recipe; steps that are in ``old`` keep their keys and frozen facts.

        Parameters
        ----------
        recipe : Recipe
        old : Snapshot, optional

        Returns
        -------
        Snapshot
        """
        left = list(old.steps) if old else []
        kept = []
        for step in recipe:
            known = next((s for s in left if s.step == step), None)
            if known is not None:
                left.remove(known)
            kept.append(known or SessionStep(step))
        return cls(tuple(kept), recipe.title, recipe.outputs)


def shared(snapshot: Snapshot, store: dict[int, tuple[str, Facts]]) -> dict[str, Any]:
    """The snapshot as plain data, its frozen facts as names under which ``store`` has them.

    Parameters
    ----------
    snapshot : Snapshot
    store : dict of int to (str, Facts)
        Names of facts by their identity; those of this snapshot are added.

    Returns
    -------
    dict
    """
    names = {str(i): store.setdefault(id(facts), (str(len(store)), facts))[0] for i, facts in snapshot.frozen.items()}
    return {"recipe": snapshot.recipe.to_dict(), "frozen": names}


def unshared(data: Any, store: dict[str, Any]) -> Snapshot:
    """The snapshot that `shared` made plain.

    Parameters
    ----------
    data : object
    store : dict of str to object
        Facts by name, as plain data; those that were read take its place.

    Returns
    -------
    Snapshot

    Raises
    ------
    WorkbenchError
        When it is damaged.
    """
    if not isinstance(data, dict) or not isinstance(data.get("frozen"), dict):
        raise WorkbenchError(DAMAGED)
    steps, title, outputs = from_data(data.get("recipe"), "the kept recipe")
    names = {i: str(data["frozen"][str(i)]) for i in range(len(steps)) if str(i) in data["frozen"]}
    given = {i: store[name] for i, name in names.items() if store.get(name) is not None}
    frozen = frozen_facts(enumerate(steps), given)
    store |= {names[i]: facts for i, facts in frozen.items()}  # what was read once is shared by all snapshots again
    return Snapshot(tuple(SessionStep(s, frozen.get(i)) for i, s in enumerate(steps)), title, tuple(outputs))
