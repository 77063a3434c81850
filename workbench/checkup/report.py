"""A checkup: what was found, shown in the words of a terminal or the page of a notebook."""

from __future__ import annotations

from dataclasses import dataclass

from workbench.checkup.page import page
from workbench.checkup.text import summary, text
from workbench.operations.findings import Findings

__all__ = ["Checkup"]


@dataclass(frozen=True)
class Checkup(Findings):
    """What was measured in a stack, and advice. Printing it, or showing it in a notebook, gives a readable page.

    Its attributes are those of `Findings`.
    """

    def summary(self) -> list[tuple[str, str]]:
        """(what, value in words) of everything measured, in reading order."""
        return summary(self)

    def __str__(self) -> str:
        return text(self)

    def _repr_html_(self) -> str:
        return page(self)
