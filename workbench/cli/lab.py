"""``workbench lab``: a folder with notebooks of one's own, opened in JupyterLab."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from typer import echo

from workbench.cli.files import made_folder
from workbench.cli.jupyter import (
    begun,
    check_installed,
    finished,
    language_of_kernels,
    our_defaults,
    port_options,
    waited_for,
)
from workbench.errors import WorkbenchError
from workbench.io import atomic_write

__all__ = ["FOLDER", "Delivery", "deliver", "lab", "notebooks"]

#: Where the notebooks go unless a folder is named.
FOLDER = Path("workbench-notebooks")
#: In that folder: what was delivered there, by name and SHA-256, to tell a person's changes from an older version.
_LIST = ".delivered.json"


@dataclass(frozen=True, slots=True)
class Delivery:
    """What happened to each notebook, by name: ``new``, ``renewed``, ``same``, or ``kept`` because it was changed."""

    new: tuple[str, ...] = ()
    renewed: tuple[str, ...] = ()
    same: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()


def notebooks() -> list[Path]:
    """The notebooks of this installation, in reading order: beside the package, or in the checkout it runs from.

    Raises
    ------
    WorkbenchError
        When there are none.
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_notebooks", package.parent / "notebooks"):
        if found := sorted(folder.glob("[0-9]*.ipynb")):
            return found
    raise WorkbenchError("this installation has no notebooks: install the workbench again")


def _as_opened(source: Path) -> bytes:
    """A notebook as JupyterLab has it once it is open, so that looking at it is no change.

    What it shows is left out: a person sees that by running it.
    """
    book = json.loads(source.read_bytes())
    book["metadata"] |= language_of_kernels()
    for cell in book["cells"]:
        if cell["cell_type"] == "code":
            cell |= {"outputs": [], "execution_count": None}
    # The layout in which Jupyter writes.
    return (json.dumps(book, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def deliver(folder: Path) -> Delivery:
    """Copy the notebooks into ``folder``; one that the person changed, or ran and saved, is left as it is.

    A notebook of an older version that nobody has touched is renewed.
    """
    listed = _listed(folder)
    outcome: dict[str, list[str]] = {"new": [], "renewed": [], "same": [], "kept": []}
    for source in notebooks():
        target, content = folder / source.name, _as_opened(source)
        what = _fate(target, content, listed.get(source.name))
        outcome[what].append(source.name)
        if what in {"new", "renewed"}:
            with atomic_write(target, overwrite=True) as file:
                file.write(content)
        if what != "kept":
            listed[source.name] = _digest(content)
    with atomic_write(folder / _LIST, overwrite=True) as file:
        file.write(json.dumps(listed, indent=2).encode() + b"\n")
    return Delivery(**{what: tuple(names) for what, names in outcome.items()})


def _fate(target: Path, content: bytes, delivered: str | None) -> str:
    if not target.exists() and not target.is_symlink():
        return "new"
    try:
        there = target.read_bytes()
    except OSError as error:
        raise WorkbenchError(f"cannot read {target}: {error.strerror or error}") from None
    if there == content:
        return "same"
    return "renewed" if _digest(there) == delivered else "kept"


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _listed(folder: Path) -> dict[str, str]:
    """What was delivered before; empty where there is no list, or none that can be read."""
    with suppress(OSError, ValueError):
        found = json.loads((folder / _LIST).read_bytes())
        if isinstance(found, dict):
            return {str(name): str(digest) for name, digest in found.items()}
    return {}


def lab(folder: Path, *, browser: bool, port: int | None, options: Sequence[str] = ()) -> int:
    """Deliver the notebooks and open JupyterLab on them; returns when it is shut down.

    Parameters
    ----------
    folder : Path
        Made if missing.
    browser : bool
        Whether to open a browser window.
    port : int, optional
        Default: the first that is free.
    options : sequence of str
        Handed to JupyterLab as they are.

    Returns
    -------
    int
        Exit code.
    """
    check_installed()
    listening = port_options(port)
    done = deliver(made_folder(folder))
    _report(folder, done)
    # The file, not the folder: JupyterLab takes its folder as root and opens it.
    command = [str(folder.resolve() / notebooks()[0].name)]
    command += [] if browser else ["--no-browser"]
    with our_defaults() as environment:
        return finished(waited_for(begun([*command, *listening, *options], environment)))


def _report(folder: Path, done: Delivery) -> None:
    count = len(done.new) + len(done.renewed)
    if count:
        echo(f"{count} notebook{'s' * (count != 1)} copied into {folder}")
    if done.kept:
        echo(f"Left as you changed {'it' if len(done.kept) == 1 else 'them'}: {', '.join(done.kept)}")
        echo("(rename such a notebook to get a fresh copy next time)")
    echo(f"JupyterLab opens on {folder}; Ctrl-C here shuts it down.")
