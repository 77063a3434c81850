"""The button of the toolbar that pulls a panel out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Drawer"]


@dataclass(frozen=True, slots=True)
class Drawer:
    """The button of the toolbar that pulls a panel out, which lies over the others until it is put in again.

    Attributes
    ----------
    words : str
        What stands on the button.
    title : str
        What is in the drawer.
    label : str
        What a screen reader says in place of the words; empty: the words.
    stands : {"start", "work", "help"}
        Where the button stands in the toolbar.
    needs_stack : bool
        Whether there is nothing in it before a stack is open.
    measures : bool
        Whether pulling it out begins something long, so that it waits while something long goes on.
    """

    words: str
    title: str
    label: str = ""
    stands: Literal["start", "work", "help"] = "work"
    needs_stack: bool = True
    measures: bool = False
