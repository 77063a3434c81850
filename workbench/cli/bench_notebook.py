"""The small notebook that holds a stack's bench: beside the stack, told from a person's own by a mark."""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from workbench.cli.files import made_folder
from workbench.cli.jupyter import KERNEL, language_of_kernels
from workbench.io import atomic_write, writable
from workbench.lazy import on_first_use

if TYPE_CHECKING:
    import nbformat
    from nbformat import sign
else:
    nbformat = on_first_use("nbformat")
    sign = on_first_use("nbformat.sign")

__all__ = ["BenchNotebook", "own_folder"]

#: In the metadata of a notebook of ours: the stack that it is for, as its first cell names it.
_MARK = "workbench_bench"
#: Id of the cell that opens the bench.
_CELL = "bench"

#: All that is seen of the folded code: a notebook that is opened without its kernel has no bench to show.
_HINT = "# Run this cell (Shift+Enter) when the bench is not below it"

_VIEW = "application/vnd.jupyter.widget-view+json"


def own_folder() -> Path:
    """Where notebooks go whose stack lies in a folder that cannot be written."""
    return Path.home() / "workbench-notebooks"


class BenchNotebook:
    """A notebook whose first cell opens the bench on a stack.

    Parameters
    ----------
    path : Path
        Its file, which may not be there yet.
    named : str
        The stack, as seen from there.
    book : object, optional
        Its content, as nbformat has it; a new one if left out.
    """

    def __init__(self, path: Path, named: str, book: Any = None) -> None:
        self.path, self._named, self._source = path, named, _source(named)
        self._there, self._content = book is not None, book
        #: Whether Jupyter shows what its cells gave: they ran on this machine, or it holds nothing but what is ours.
        self._trusted = book is None or sign.NotebookNotary().check_signature(book)
        self._trusted = self._trusted or (len(book.cells) == 1 and self.source == self._source)

    @classmethod
    def of(cls, stack: Path) -> BenchNotebook:
        """The notebook of a stack, or a new one; never a file that has not the mark.

        Parameters
        ----------
        stack : Path

        Returns
        -------
        BenchNotebook
        """
        stack = stack.resolve()
        beside = writable(stack.parent)
        folder, named = (stack.parent, stack.name) if beside else (made_folder(own_folder()), str(stack))
        for number in itertools.count(1):
            path = folder / f"{stack.name}.bench{f'-{number}' * (number > 1)}.ipynb"
            if not path.exists() and not path.is_symlink():
                return cls(path, named)
            book = _read(path)
            if book is not None and book.metadata[_MARK] == named:
                return cls(path, named, book)
        raise AssertionError  # there is no end of numbers

    @property
    def _book(self) -> Any:
        """Its content; a new one is made when it is first asked for: nbformat takes a second to load."""
        if self._content is None:
            self._content = _new(self._named)
        return self._content

    @property
    def kernel(self) -> str:
        """Name of its kernel."""
        return str(self._book.metadata.get("kernelspec", {}).get("name", KERNEL))

    @property
    def source(self) -> str | None:
        """The code that opens the bench, as the person left it; None where they took the cell out."""
        cell = _cell(self._book)
        return None if cell is None else str(cell.source)

    @property
    def may_run(self) -> bool:
        """Whether its code is ours, or ran on this machine before: that of strangers runs when a person runs it."""
        return self.source is not None and (self._trusted or self.source == self._source)

    @property
    def widget(self) -> str | None:
        """Id of the bench that the notebook shows, which lives as long as the kernel that made it."""
        cell = _cell(self._book)
        outputs = [] if cell is None else cell.outputs
        views = [each.data[_VIEW] for each in outputs if _VIEW in each.get("data", {})]
        return str(views[-1]["model_id"]) if views else None

    def write(self, count: int | None = None, outputs: Sequence[Any] = ()) -> None:
        """Write the file, below its first cell what that gave; what was saved meanwhile stays.

        Parameters
        ----------
        count : int, optional
            The number that Jupyter gave to the run of the cell.
        outputs : sequence
            As a notebook has them.

        Raises
        ------
        WorkbenchError
            When the file cannot be written, or another has come in its place.
        """
        if self._there:
            self._content = _read(self.path) or self._content
        cell = _cell(self._book)
        if cell is not None:
            cell.execution_count, cell.outputs = count, list(outputs)
        with atomic_write(self.path, overwrite=self._there) as file:
            file.write(f"{nbformat.writes(self._book)}\n".encode())
        if self._trusted:
            sign.NotebookNotary().sign(self._book)


def _source(named: str) -> str:
    return f"{_HINT}\nimport workbench as wb\n\nbench = wb.Bench({json.dumps(named, ensure_ascii=False)})\nbench"


def _new(named: str) -> Any:
    # The code is folded: the bench has the room.
    cell = nbformat.v4.new_code_cell(_source(named), id=_CELL, metadata={"jupyter": {"source_hidden": True}})
    return nbformat.v4.new_notebook(cells=[cell], metadata=language_of_kernels() | {_MARK: named})


def _cell(book: Any) -> Any:
    return next((cell for cell in book.cells if cell.get("id") == _CELL and cell.cell_type == "code"), None)


def _read(path: Path) -> Any:
    """A notebook with the mark; None where the file is something else, or damaged."""
    try:
        told = json.loads(path.read_bytes())
        marked = _MARK in told["metadata"]
        return nbformat.reads(json.dumps(told), as_version=4) if marked else None
    except (OSError, ValueError, KeyError, TypeError, AttributeError, nbformat.ValidationError):
        return None
