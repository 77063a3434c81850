"""Keeping the session beside the stack, so that a closed tab or a restarted kernel loses nothing."""

from __future__ import annotations

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


class Autosave:
    """Writes two files beside the stack: the recipe as it stands, and the whole state of the bench.

    Where the folder cannot be written, a folder of the user's temporary files is used; ``where`` says which.
    Writing happens a moment after the last change, on its own thread, so that no command waits for a disk.

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
        self.state_path = self.recipe_path = None
        if stack is not None:
            folder = stack.resolve().parent
            if not _writable(folder):
                folder = Path(tempfile.gettempdir()) / "workbench-bench" / digest(str(stack.resolve()))[:16]
                folder.mkdir(parents=True, exist_ok=True)
            self.state_path = folder / f"{stack.stem}.bench.json"
            self.recipe_path = folder / f"{stack.stem}.autosave.recipe.json"

    @property
    def where(self) -> str:
        """The recipe's file, or why there is none."""
        if self.problem:
            return self.problem
        kept = f"kept by itself in {self.recipe_path}"
        return kept if self.recipe_path else "the stack has no file, so nothing is kept by itself"

    def keep(self, state: Callable[[], dict[str, Any]]) -> None:
        """Keep what ``state`` says, soon and on another thread; a later call takes its place."""
        if self.state_path is None:
            return
        with self._lock:
            self._waiting = state
            if self._timer is None:
                self._timer = threading.Timer(self._delay, self.flush)
                self._timer.daemon = True
                self._timer.start()

    def flush(self) -> None:
        """Write what waits, now."""
        with self._lock:
            state, self._waiting = self._waiting, None
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            if state is None or self.state_path is None or self.recipe_path is None:
                return
            try:
                kept = state()
                body = {"kind": _KIND, "version": _VERSION, **kept}
                io.write_text(self.recipe_path, dumps(kept["table"]["layout"]["recipe"]), overwrite=True)
                io.write_text(self.state_path, dumps(body), overwrite=True)
                self.problem = ""
            except WorkbenchError as error:
                self.problem = f"not kept: {error}"

    def load(self) -> dict[str, Any] | None:
        """The state that was kept, or None where there is none or it cannot be read."""
        if self.state_path is None or not self.state_path.is_file():
            return None
        try:
            data = parse_json(read_text(self.state_path, "the kept state"), "the kept state")
        except WorkbenchError as error:
            self.problem = f"the kept state was not used: {error}"
            return None
        good = isinstance(data, dict) and data.get("kind") == _KIND and data.get("version") == _VERSION
        return data if good else None


def _writable(folder: Path) -> bool:
    try:
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False
