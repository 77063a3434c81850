"""Recipe cards in order: what lies on the table at one moment."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import count
from typing import Any

from workbench.engine import Recipe
from workbench.errors import WorkbenchError
from workbench.operations.base import Facts
from workbench.recipe.facts import frozen_facts
from workbench.recipe.model import Step
from workbench.recipe.store import from_data

__all__ = ["Card", "Layout", "shared", "unshared"]

_numbers = count(1)


@dataclass(frozen=True, slots=True)
class Card:
    """A step on the table.

    Attributes
    ----------
    step : Step
    frozen : Facts or None
        Facts used in place of measuring.
    key : int
        Stays with the card when it is moved or changed.
    """

    step: Step
    frozen: Facts | None = None
    key: int = field(default_factory=lambda: next(_numbers))


@dataclass(frozen=True, slots=True)
class Layout:
    """All cards in order, and the recipe's title."""

    cards: tuple[Card, ...] = ()
    title: str = ""

    @property
    def recipe(self) -> Recipe:
        """The cards as a recipe."""
        return Recipe([c.step for c in self.cards], self.title)

    @property
    def frozen(self) -> dict[int, Facts]:
        """Frozen facts by place."""
        return {i: c.frozen for i, c in enumerate(self.cards) if c.frozen is not None}

    @classmethod
    def of(cls, recipe: Recipe, old: Layout | None = None) -> Layout:
        """Lay a recipe out; steps that were on the table keep their cards."""
        left = list(old.cards) if old else []
        cards = []
        for step in recipe:
            card = next((c for c in left if c.step == step), None)
            if card is not None:
                left.remove(card)
            cards.append(card or Card(step))
        return cls(tuple(cards), recipe.title)

    def to_dict(self) -> dict[str, Any]:
        """Plain data that `from_dict` reads back."""
        return {"recipe": self.recipe.to_dict(), "frozen": {str(i): f.to_data() for i, f in self.frozen.items()}}

    @classmethod
    def from_dict(cls, data: Any) -> Layout:
        """Read a layout back; anything else is refused."""
        if not isinstance(data, dict) or not isinstance(data.get("frozen"), dict):
            raise WorkbenchError("the kept state of the bench is damaged: open the recipe file instead")
        steps, title = from_data(data.get("recipe"), "the kept recipe")
        given = {i: data["frozen"][str(i)] for i in range(len(steps)) if data["frozen"].get(str(i)) is not None}
        frozen = frozen_facts(enumerate(steps), given)
        return cls(tuple(Card(s, frozen.get(i)) for i, s in enumerate(steps)), title)


def shared(layout: Layout, store: dict[int, tuple[str, Facts]]) -> dict[str, Any]:
    """The layout as plain data, its frozen facts as names under which ``store`` has them."""
    names = {str(i): store.setdefault(id(facts), (str(len(store)), facts))[0] for i, facts in layout.frozen.items()}
    return {"recipe": layout.recipe.to_dict(), "frozen": names}


def unshared(data: Any, store: dict[str, Any]) -> Layout:
    """The layout that `shared` made plain."""
    if not isinstance(data, dict) or not isinstance(data.get("frozen"), dict):
        return Layout.from_dict(data)
    layout = Layout.from_dict(
        {**data, "frozen": {place: store.get(str(name)) for place, name in data["frozen"].items()}}
    )
    # What was read once is shared by all layouts again.
    store |= {str(data["frozen"][str(place)]): facts for place, facts in layout.frozen.items()}
    return layout
