"""Files written beside the screen, and what the shelf tells meanwhile."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from workbench.bench.shelf import Shelf
from workbench.bench.worker import LatestWins
from workbench.engine import Cancel
from workbench.errors import Cancelled, WorkbenchError

__all__ = ["Leaving", "sentence_of"]

#: How many of the last files the shelf lists.
_LISTED = 6


def sentence_of(error: BaseException) -> str:
    """What went wrong, for people."""
    return str(error) if isinstance(error, WorkbenchError) else f"something went wrong inside: {error!r}"


class Leaving:
    """Writes one file at a time on its own thread, with progress, a way to stop, and messages on the shelf."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._thread = LatestWins(
            "bench export", lambda error: self.say(sentence_of(error), kind="error"), interrupt=False
        )
        self._lock = threading.Lock()
        self._writing: Path | None = None
        self._cancel = Cancel()

    def write(self, target: Path, work: Callable[[Cancel], None], *, wait: bool) -> None:
        """Write a file.

        Parameters
        ----------
        target : Path
        work : callable
            Does it, heeding the `Cancel` that it gets.
        wait : bool
            Return when it is written, and raise what goes wrong; else return at once, and say it on the shelf.
        """
        with self._lock:
            if self._writing is not None:
                raise WorkbenchError(f"{self._writing.name} is still being written: wait for it, or stop it")
            self._writing = target
            # Its own, not the thread's: a stop that comes before the thread has begun must still end in words.
            cancel = self._cancel = Cancel()
        failures: list[BaseException] = []

        def job(_: Cancel) -> None:
            try:
                cancel.check()
                work(cancel)
            except Cancelled as stopped:
                self.say(f"stopped; {target.name} was not written")
                failures.append(stopped)
            except Exception as error:  # noqa: BLE001 - told on the shelf, or raised where somebody waits
                self.say(sentence_of(error), kind="error")
                failures.append(error)
            else:
                self.saved(target)
            finally:
                self._shelf.put(progress=None)
                with self._lock:
                    self._writing = None

        self._shelf.put(message=None)
        self.progress(0.0, f"starting {target.name}")
        self._thread.give(job)
        if wait:
            self._waited(failures)

    def _waited(self, failures: list[BaseException]) -> None:
        try:
            self._thread.wait()
        except KeyboardInterrupt:
            self.stop()
            self._thread.wait()
            raise
        if failures:
            raise failures[0]

    def say(self, text: str, kind: str = "info") -> None:
        """Show a sentence."""
        self._shelf.put(message={"kind": kind, "text": text})

    def saved(self, path: Any) -> None:
        """Show that a file was written."""
        self._shelf.put(saved=[*self._shelf.state.get("saved", []), str(path)][-_LISTED:])
        self.say(f"written: {path}")

    def progress(self, share: float, doing: str) -> None:
        """Show how far a file is."""
        last = self._shelf.state.get("progress")
        if last is None or share >= 1 or share - last["share"] >= 0.01 or doing != last["doing"]:
            self._shelf.put(progress={"share": round(share, 3), "doing": doing})

    def stop(self) -> None:
        """Stop writing; nothing is left half-written."""
        self._cancel.set()

    def wait(self, timeout: float | None) -> bool:
        """Wait until nothing is being written."""
        return self._thread.wait(timeout)

    def close(self) -> None:
        """Stop writing, and end the thread."""
        self.stop()
        self._thread.close()
