"""What views and measurements are made of, kept by content under one byte budget.

The same pixels and the same steps always find the same entry, and no others do: a key is made of digests of content,
never of a place in memory. An entry's key begins with what kind it is: "facts", "bound step", "full frame", "reduced
frame", "tile" or "seconds".
"""

from __future__ import annotations

import threading
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from pydantic import BaseModel

from workbench.engine.digest import canonical, digest
from workbench.masks import Mask
from workbench.recipe.model import Step
from workbench.stack import Stack

__all__ = ["Cache", "facts_key", "stack_key", "step_key", "weight"]

#: What any entry weighs at least, with its key, in bytes.
_LEAST = 256
#: Bytes of a number in a list.
_NUMBER = 32

Key = tuple[Hashable, ...]


def stack_key(stack: Stack) -> str:
    """Digest of what steps can see of a stack: pixels, coverage, tone, acquisition.

    Parameters
    ----------
    stack : Stack

    Returns
    -------
    str
        Digest in hex.
    """
    about = canonical([list(stack.shape), str(stack.tone), stack.acquisition.to_dict()])
    return digest(stack.pixels, b"" if stack.coverage is None else stack.coverage, about)


def facts_key(before: str, step: Step) -> str:
    """Key of what a step measures on the frame with key ``before``.

    Parameters
    ----------
    before : str
        Key of the frame that is measured.
    step : Step

    Returns
    -------
    str
        Digest in hex.
    """
    op = step.operation
    looked_at = None if op.measured_by is None else set(op.measured_by)
    layer = [] if step.layer is None else [step.layer]
    mask = [list(step.mask_kinds)] if step.mask_kinds else []
    return digest(before, canonical([op.id, op.model_dump(mode="json", include=looked_at), *layer, *mask]))


def step_key(before: str, step: Step, source: str) -> str:
    """Key of the frame that a step makes of the frame with key ``before``; notes do not count.

    ``source`` says where the step's facts come from. Facts measured on that very frame follow from it and the step.

    Parameters
    ----------
    before : str
        Key of the frame before the step.
    step : Step
    source : str
        Where the step's facts come from.

    Returns
    -------
    str
        Digest in hex.
    """
    op, where = step.operation, None if step.where is None else _mask_key(step.where)
    return digest(before, canonical([op.id, op.model_dump(mode="json"), where, source, step.layer or "", step.opacity]))


@lru_cache(maxsize=64)
def _mask_key(where: Mask) -> str:
    """Digest of a mask; one that is brushed may hold many thousand places."""
    return digest(where.model_dump_json())


def weight(value: Any) -> int:
    """Bytes that a value takes, about: arrays by their size, lists by their length, records by what they hold.

    Parameters
    ----------
    value : object
        Array, text, sequence, mapping, model or dataclass.

    Returns
    -------
    int
        Bytes.
    """
    if isinstance(value, np.ndarray):
        return int(value.nbytes)
    if isinstance(value, str | bytes):
        return len(value)
    if isinstance(value, Sequence) and value and isinstance(value[0], int | float):
        return _NUMBER * len(value)
    return sum(map(weight, _parts(value))) or _NUMBER


def _parts(value: Any) -> Iterable[Any]:
    if isinstance(value, Mapping):
        return value.values()
    if isinstance(value, Sequence):
        return value
    if isinstance(value, BaseModel):
        return (getattr(value, name) for name in type(value).model_fields)
    if is_dataclass(value) and not isinstance(value, type):
        return (getattr(value, field.name) for field in fields(value))
    return ()


@dataclass(slots=True)
class _Entry:
    value: Any
    size: int
    used: int


class Cache:
    """Entries by content up to a total of bytes; safe from any thread.

    Parameters
    ----------
    budget : int
        Bytes of all entries together. The entry just put stays in any case.

    Notes
    -----
    When the budget is overdrawn, the entry leaves for which bytes times the time since its last use is largest: a full
    frame that nobody asks for goes before a small thing that may be wanted again and is as dear to make.
    """

    def __init__(self, budget: int) -> None:
        self.budget = budget
        self._lock = threading.Lock()
        self._entries: dict[Key, _Entry] = {}
        self._size = self._clock = 0

    @property
    def size(self) -> int:
        """Bytes of all entries."""
        return self._size

    def get(self, key: Key) -> Any:
        """The entry, or None.

        Parameters
        ----------
        key : tuple
            Its first entry says what kind it is.

        Returns
        -------
        object or None
        """
        with self._lock:
            entry = self._entries.get(key)
            if entry is None:
                return None
            self._clock += 1
            entry.used = self._clock
            return entry.value

    def put(self, key: Key, value: Any, size: int | None = None) -> None:
        """Keep an entry of ``size`` bytes (default: its `weight`).

        Parameters
        ----------
        key : tuple
            Its first entry says what kind it is.
        value : object
        size : int, optional
            Bytes.
        """
        size = _LEAST + (weight(value) if size is None else size)
        with self._lock:
            self._clock += 1
            old = self._entries.pop(key, None)
            self._size += size - (0 if old is None else old.size)
            self._entries[key] = _Entry(value, size, self._clock)
            while self._size > self.budget and len(self._entries) > 1:
                now, most, leaves = self._clock, -1, key
                for other, entry in self._entries.items():
                    waste = entry.size * (now - entry.used)
                    if waste > most:
                        most, leaves = waste, other
                self._size -= self._entries.pop(leaves).size

    def __len__(self) -> int:
        return len(self._entries)
