"""``workbench lab``: a folder with notebooks of one's own, opened in JupyterLab."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path

from typer import echo

from workbench.cli.faults import DONE, STOPPED, UNUSABLE, tell
from workbench.cli.files import made_folder
from workbench.errors import WorkbenchError
from workbench.io import atomic_write

__all__ = ["FOLDER", "Delivery", "deliver", "lab", "notebooks", "run_and_wait"]

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


def deliver(folder: Path) -> Delivery:
    """Copy the notebooks into ``folder``; one that the person changed, or ran and saved, is left as it is.

    A notebook of an older version that nobody has touched is renewed.
    """
    listed = _listed(folder)
    outcome: dict[str, list[str]] = {"new": [], "renewed": [], "same": [], "kept": []}
    for source in notebooks():
        target, content = folder / source.name, source.read_bytes()
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
    if find_spec("jupyterlab") is None:
        raise WorkbenchError("JupyterLab is not installed here: python -m pip install jupyterlab")
    if port is not None and not _free(port):
        raise WorkbenchError(f"port {port} is in use by another program: choose another, or leave --port out")
    done = deliver(made_folder(folder))
    _report(folder, done)
    # The file, not the folder: JupyterLab takes its folder as root and opens it.
    command = [sys.executable, "-m", "jupyterlab", str(folder.resolve() / notebooks()[0].name)]
    command += [] if browser else ["--no-browser"]
    command += [] if port is None else [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"]
    return _finished(run_and_wait([*command, *options]))


def _report(folder: Path, done: Delivery) -> None:
    count = len(done.new) + len(done.renewed)
    if count:
        echo(f"{count} notebook{'s' * (count != 1)} copied into {folder}")
    if done.kept:
        echo(f"Left as you changed {'it' if len(done.kept) == 1 else 'them'}: {', '.join(done.kept)}")
        echo("(rename such a notebook to get a fresh copy next time)")
    echo(f"JupyterLab opens on {folder}; Ctrl-C here shuts it down.")


def _free(port: int) -> bool:
    """Whether a server could listen there."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        if os.name == "posix":  # a port just given up counts as free, as it does for the server
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def run_and_wait(command: Sequence[str]) -> int:
    """Run a program to its end. The interrupt key is its own affair: JupyterLab asks before it shuts down."""
    sys.stdout.flush()
    try:
        child = subprocess.Popen(command)  # noqa: S603 - this Python, and what the person typed
    except OSError as error:
        raise WorkbenchError(f"JupyterLab could not be started: {error.strerror or error}") from None
    before = {
        signal.SIGINT: signal.signal(signal.SIGINT, signal.SIG_IGN),
        signal.SIGTERM: signal.signal(signal.SIGTERM, lambda *_: child.terminate()),
    }
    try:
        return child.wait()
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _finished(code: int) -> int:
    if code == 0:
        return DONE
    if code in {-signal.SIGINT, -signal.SIGTERM, STOPPED, 128 + signal.SIGTERM}:
        return STOPPED
    tell(f"JupyterLab ended with code {code}; what it says above tells why")
    return UNUSABLE
