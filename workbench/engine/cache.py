"""A cache keyed by content: the same pixels and the same steps always find the same entry, and no others do."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Hashable
from typing import Any, Generic, TypeVar

from workbench.engine.digest import canonical, digest
from workbench.operations.base import Facts
from workbench.recipe.model import Step
from workbench.stack import Stack

__all__ = ["Recent", "facts_key", "facts_weight", "stack_key", "step_key"]

V = TypeVar("V")


def stack_key(stack: Stack) -> str:
    """Digest of what steps can see of a stack: pixels, coverage, tone, acquisition."""
    about = canonical([list(stack.shape), str(stack.tone), stack.acquisition.to_dict()])
    return digest(stack.pixels, b"" if stack.coverage is None else stack.coverage, about)


def facts_key(before: str, step: Step) -> str:
    """Key of what a step measures on the frame with key ``before``."""
    op = step.operation
    looked_at = None if op.measured_by is None else set(op.measured_by)
    return digest(before, canonical([op.id, op.model_dump(mode="json", include=looked_at)]))


def step_key(before: str, step: Step, facts: Facts | dict[str, Any]) -> str:
    """Key of the frame that a step makes of the frame with key ``before``; notes do not count."""
    data = step.to_dict()
    found = facts.model_dump_json() if isinstance(facts, Facts) else canonical(facts)
    return digest(before, canonical([data["do"], data["with"], data["where"]]), found)


def facts_weight(facts: Facts) -> int:
    """Bytes of the facts as text, which tells a list of ten thousand stars from three numbers."""
    return len(facts.model_dump_json())


class Recent(Generic[V]):
    """The most recently used entries up to a total weight; safe from any thread."""

    def __init__(self, limit: float) -> None:
        self.limit = limit
        self.weight = 0.0
        self._lock = threading.Lock()
        self._items: OrderedDict[Hashable, tuple[V, float]] = OrderedDict()

    def get(self, key: Hashable) -> V | None:
        """The entry, or None."""
        with self._lock:
            if key not in self._items:
                return None
            self._items.move_to_end(key)
            return self._items[key][0]

    def put(self, key: Hashable, value: V, weight: float) -> None:
        """Keep an entry; the least recently used ones leave when the weight grows over the limit."""
        with self._lock:
            if key in self._items:
                self.weight -= self._items.pop(key)[1]
            self._items[key] = (value, weight)
            self.weight += weight
            while self.weight > self.limit and len(self._items) > 1:
                self.weight -= self._items.popitem(last=False)[1][1]

    def __len__(self) -> int:
        return len(self._items)

    def clear(self) -> None:
        """Forget everything."""
        with self._lock:
            self._items.clear()
            self.weight = 0.0
