"""Cells of a notebook as plain data, in notebook format 4.5, and text that Markdown leaves as it is."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterable, Sequence
from typing import Any

from workbench.operations.describe import spans
from workbench.teach.lesson import Look
from workbench.teach.pictures import Shown

__all__ = ["Cells", "code", "marked", "plain", "table"]

_MARKS = re.compile(r"([\\`*_{}\[\]<>#|$~&])")
_LIST = re.compile(r"^(\d*)([.)+=-])")

Cell = dict[str, Any]


def plain(words: str) -> str:
    """Words on one line in which nothing is taken for Markdown, mathematics or HTML.

    Parameters
    ----------
    words : str

    Returns
    -------
    str
        Markdown.
    """
    return _LIST.sub(r"\1\\\2", _escaped(" ".join(words.split())))


def code(text: str) -> str:
    """Text set as code, in a table, too.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
        Markdown.
    """
    if "|" in text or "`" in text:  # a bar would end a cell of a table
        return f"<code>{html.escape(text, quote=False).replace('|', '&#124;').replace('`', '&#96;')}</code>"
    return f"`{text}`"


def marked(words: str) -> str:
    """Words with what is code in them set as code.

    Parameters
    ----------
    words : str

    Returns
    -------
    str
        Markdown.
    """
    pieces = (code(text) if is_code else _escaped(text) for is_code, text in spans(words))
    return _LIST.sub(r"\1\\\2", "".join(pieces))


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; its cells are Markdown already.

    Parameters
    ----------
    head : sequence of str
    rows : iterable of sequence of str

    Returns
    -------
    str
        Markdown.
    """
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


class Cells:
    """Collects the cells of a notebook with the outputs that running them would give."""

    def __init__(self) -> None:
        self._cells: list[Cell] = []
        self._count = 0

    def text(self, name: str, *paragraphs: str) -> None:
        """Add a cell of Markdown; empty paragraphs are left out.

        Parameters
        ----------
        name : str
            Of the cell, as its id begins.
        *paragraphs : str
        """
        source = "\n\n".join(p for p in paragraphs if p)
        self._cells.append({"cell_type": "markdown", "id": name, "metadata": {}, "source": _lines(source)})

    def code(self, name: str, source: str, *shown: str | Shown | Look) -> None:
        """Add a cell of code and what it prints (text) and displays; a `Look` is printed, then its pictures shown.

        Parameters
        ----------
        name : str
            Of the cell, as its id begins.
        source : str
            Python.
        *shown : str, Shown or Look
        """
        self._count += 1
        outputs: list[Cell] = []
        for thing in shown:
            if isinstance(thing, Shown):
                outputs.append(_display(thing))
            else:
                outputs.append({"name": "stdout", "output_type": "stream", "text": _lines(f"{thing}\n")})
            if isinstance(thing, Look):
                outputs += [_display(picture) for picture in thing.pictures]
        cell = {"cell_type": "code", "execution_count": self._count, "id": name, "metadata": {}, "outputs": outputs}
        self._cells.append(cell | {"source": _lines(source)})

    def dumps(self) -> str:
        """The notebook file; the same cells give the same bytes."""
        kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
        metadata = {"kernelspec": kernel, "language_info": {"name": "python"}}
        book = {"cells": self._cells, "metadata": metadata, "nbformat": 4, "nbformat_minor": 5}
        return json.dumps(book, indent=1, ensure_ascii=False, sort_keys=True) + "\n"


def _escaped(text: str) -> str:
    return _MARKS.sub(r"\\\1", text)


def _display(picture: Shown) -> Cell:
    data, metadata = picture._repr_mimebundle_()
    return {"data": {k: _lines(v) for k, v in data.items()}, "metadata": metadata, "output_type": "display_data"}


def _lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)
