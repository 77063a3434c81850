"""Writing the picture, the record or the step sheet while the screen stays alive."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from workbench.bench.layout import Layout
from workbench.engine import Cancel, Result
from workbench.engine.progress import Progress
from workbench.stack import Stack
from workbench.teach import write_lesson
from workbench.teach.writing import checked_suffix

__all__ = ["Export"]


class Export:
    """Runs the whole recipe for a file, keeping the last result for the next file of the same recipe.

    Parameters
    ----------
    told : callable
        Called with (share 0..1, doing).
    """

    def __init__(self, told: Progress) -> None:
        self._told = told
        self._last: tuple[Stack, Layout, Result] | None = None

    def result(self, stack: Stack, layout: Layout, cancel: Cancel) -> Result:
        """The finished image and its record."""
        if self._last is not None and self._last[0] is stack and self._last[1] == layout:
            return self._last[2]
        self.forget()
        result = layout.recipe.run(stack, facts=layout.frozen, progress=self._told, cancel=cancel)
        self._last = (stack, layout, result)
        return result

    def picture(
        self, path: Path, stack: Stack, layout: Layout, cancel: Cancel, *, overwrite: bool, **options: Any
    ) -> None:
        """Write the picture with its recipe and record, as ``workbench run`` would."""
        result = self.result(stack, layout, cancel)
        self._told(1.0, f"writing {path.name}")
        result.save(path, overwrite=overwrite, **options)

    def record(self, path: Path, stack: Stack, layout: Layout, cancel: Cancel, *, overwrite: bool) -> None:
        """Write the run record."""
        self.result(stack, layout, cancel).record.save(path, overwrite=overwrite)

    def sheet(self, path: Path, stack: Stack, layout: Layout, cancel: Cancel, *, overwrite: bool) -> None:
        """Write what every step does as a page (.html) or a notebook (.ipynb)."""
        checked_suffix(path)
        result = self.result(stack, layout, cancel)
        write_lesson(path, stack, layout.recipe, result, overwrite=overwrite, progress=self._told, cancel=cancel)

    def forget(self, layout: Layout | None = None) -> None:
        """Free the last result's memory; with ``layout``, only where it is of another one."""
        if self._last is not None and self._last[1] != layout:
            self._last = None
