"""Keeping the session beside the stack, so that a closed tab or a restarted kernel loses nothing."""

from __future__ import annotations

import atexit
import contextlib
import itertools
import os
import platform
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from workbench import io
from workbench.engine.digest import digest
from workbench.errors import WorkbenchError
from workbench.recipe.store import dumps, parse_json, read_text

__all__ = ["Autosave"]

_KIND = "bench state"
_VERSION = 1

_numbers = itertools.count(1)


class Autosave:
    """Writes two files beside the stack: the recipe as it stands, and the whole state of the bench.

    The bench that opened a stack last is the one that keeps it: the state names its owner, and who finds another one
    there keeps nothing any more and says so. Files of the same names that no bench has written are left as they are.

    Where the folder cannot be written, a folder of the user's temporary files is used; ``where`` says which.
    Writing happens a moment after the last change, on its own thread, so that no command waits for a disk; a program
    that ends before, a kernel that is restarted say, writes what waits.

    Parameters
    ----------
    stack : Path or None
        The stack's file; None: nothing is kept.
    delay : float
        Seconds to wait for further changes.
    """

    def __init__(self, stack: Path | None, delay: float = 0.4) -> None:
        self._lock = threading.Lock()
        self._timer: threading.Timer | None = None
        self._waiting: Callable[[], dict[str, Any]] | None = None
        self._delay = delay
        self.problem = ""
        self._owner = f"{platform.node()}:{os.getpid()}:{next(_numbers)}"
        self._owned = False
        self._old_state: Path | None = None  # where earlier versions kept it
        self.state_path = self.recipe_path = None
        if stack is not None:
            folder = stack.resolve().parent
            if not io.writable(folder):
                folder = Path(tempfile.gettempdir()) / "workbench-bench" / digest(str(stack.resolve()))[:16]
                folder.mkdir(parents=True, exist_ok=True)
            self.state_path = folder / f"{stack.name}.bench.json"
            self.recipe_path = folder / f"{stack.name}.autosave.recipe.json"
            self._old_state = folder / f"{stack.stem}.bench.json"

    @property
    def where(self) -> str:
        """The recipe's file, or why there is none."""
        if self.problem:
            return self.problem
        kept = f"kept by itself in {self.recipe_path}"
        return kept if self.recipe_path else "the stack has no file, so nothing is kept by itself"

    def keep(self, state: Callable[[], dict[str, Any]]) -> None:
        """Keep what ``state`` says, soon and on another thread; a later call takes its place.

        Parameters
        ----------
        state : callable
            Gives plain data; called on that thread.
        """
        if self.state_path is None:
            return
        with self._lock:
            self._waiting = state
            if self._timer is None:
                self._timer = threading.Timer(self._delay, self.flush)
                self._timer.daemon = True
                self._timer.start()
                atexit.register(self.flush)

    def flush(self) -> None:
        """Write what waits, now."""
        atexit.unregister(self.flush)
        with self._lock:
            state, self._waiting = self._waiting, None
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            if state is None or self.state_path is None or self.recipe_path is None:
                return
            try:
                self._write(state(), self.state_path, self.recipe_path)
                self.problem = ""
            except WorkbenchError as error:
                self.problem = f"not kept: {error}"

    def release(self) -> None:
        """Write what waits, and let others have the stack: nothing more is kept."""
        self.flush()
        with self._lock:
            state = _state(self.state_path) if self._owned else None
            self._owned = False
            if state is not None and self.state_path is not None and state.get("owner") == self._owner:
                with contextlib.suppress(WorkbenchError):
                    io.write_text(self.state_path, dumps({**state, "owner": None}), overwrite=True)

    def _write(self, kept: dict[str, Any], state_path: Path, recipe_path: Path) -> None:
        there = _state(state_path)
        if there is None and state_path.exists():
            raise WorkbenchError(f"{state_path} is not a bench's file: rename it, and work is kept again")
        before = [] if there is None else list(there.get("recipes") or [])
        if self._owned and (there is None or there.get("owner") != self._owner):
            raise WorkbenchError("another bench has opened this stack since, and keeps its own work")
        # The file may be the one told of, or one told of before whose successor was never written.
        if recipe_path.exists() and digest(_text(recipe_path)) not in before:
            raise WorkbenchError(f"{recipe_path} is not the bench's own file: rename it, and work is kept again")
        recipe = dumps(kept["table"]["layout"]["recipe"])
        recipes = [*before, digest(recipe)][-2:]
        body = {"kind": _KIND, "version": _VERSION, "owner": self._owner, "recipes": recipes, **kept}
        io.write_text(state_path, dumps(body), overwrite=True)
        self._owned = True
        io.write_text(recipe_path, recipe, overwrite=True)

    @property
    def taken_from(self) -> bool:
        """Whether another bench that is still running keeps this stack now."""
        state = _state(self.state_path)
        owner = None if state is None else state.get("owner")
        return isinstance(owner, str) and owner != self._owner and _running(owner)

    def load(self) -> dict[str, Any] | None:
        """The state that was kept, or None where there is none or it cannot be read."""
        path = next((p for p in (self.state_path, self._old_state) if p is not None and p.is_file()), None)
        if path is None:
            return None
        try:
            data = parse_json(read_text(path, "the kept state"), "the kept state")
        except WorkbenchError as error:
            self.problem = f"the kept state was not used: {error}"
            return None
        good = isinstance(data, dict) and data.get("kind") == _KIND and data.get("version") == _VERSION
        return data if good else None


def _state(path: Path | None) -> dict[str, Any] | None:
    """A state that a bench wrote; None where there is none or it is something else."""
    if path is None or not path.is_file():
        return None
    try:
        data = parse_json(read_text(path, "the kept state"), "the kept state")
    except WorkbenchError:
        return None
    return data if isinstance(data, dict) and data.get("kind") == _KIND else None


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return ""


def _running(owner: str) -> bool:
    """Whether the process that an owner names runs on this machine."""
    host, _, rest = owner.rpartition(":")[0].rpartition(":")
    if host != platform.node() or not rest.isdigit() or os.name == "nt":  # there asking would be a signal
        return False
    try:
        os.kill(int(rest), 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True  # it runs, and is somebody else's
    return True
