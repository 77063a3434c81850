"""Work beside the screen: the latest wish wins, what is stale is dropped or cancelled, nothing queues up."""

from __future__ import annotations

import atexit
import logging
import threading
from collections.abc import Callable

from workbench.engine import Cancel
from workbench.errors import Cancelled

__all__ = ["LatestWins"]

Job = Callable[[Cancel], None]


class LatestWins:
    """One thread that always does the latest job it was given.

    Giving a job replaces the one waiting. Jobs are called with a `Cancel` that they pass on to the engine; a job
    that raises `Cancelled` ends quietly, any other error goes to ``failed``. A program that ends cancels the job at
    work and waits for its thread: one torn off inside a library takes the process down.

    Parameters
    ----------
    failed : callable
        Told of errors.
    interrupt : bool
        Whether a new job cancels the one at work. Right for long work; short work is better finished, or a moving
        slider would never show anything.
    """

    def __init__(self, name: str, failed: Callable[[BaseException], None], *, interrupt: bool) -> None:
        self._interrupt = interrupt
        self._failed = failed
        self._wake = threading.Condition()
        self._next: Job | None = None
        self._cancel: Cancel | None = None
        self._open = True
        self._idle = threading.Event()
        self._idle.set()
        self._thread = threading.Thread(target=self._loop, name=name, daemon=True)
        self._thread.start()
        atexit.register(self.close)

    def give(self, job: Job) -> None:
        """Do ``job`` as soon as possible, and nothing older.

        Parameters
        ----------
        job : callable
            Gets a `Cancel`.
        """
        with self._wake:
            if not self._open:
                return
            self._next = job
            self._idle.clear()
            if self._interrupt and self._cancel is not None:
                self._cancel.set()
            self._wake.notify()

    def stop(self) -> None:
        """Cancel the job at work and forget the one waiting."""
        with self._wake:
            self._next = None
            if self._cancel is not None:
                self._cancel.set()

    def wait(self, timeout: float | None = None) -> bool:
        """Wait until there is nothing to do; False when ``timeout`` seconds passed before.

        Parameters
        ----------
        timeout : float, optional
            In seconds.

        Returns
        -------
        bool
        """
        return self._idle.wait(timeout)

    def close(self) -> None:
        """End the thread."""
        atexit.unregister(self.close)
        self.stop()
        with self._wake:
            self._open = False
            self._wake.notify()
        if threading.current_thread() is not self._thread:
            self._thread.join(timeout=30)

    def _tell(self, error: BaseException) -> None:
        try:
            self._failed(error)
        except Exception:
            # Whoever listens is at fault; the thread goes on all the same, for others wait for it.
            logging.getLogger(__name__).exception("a failure could not be told: %s", error)

    def _loop(self) -> None:
        while True:
            with self._wake:
                while self._next is None and self._open:
                    self._idle.set()
                    self._wake.wait()
                if not self._open:
                    self._idle.set()
                    return
                job, self._next = self._next, None
                cancel = self._cancel = Cancel()
            assert job is not None
            try:
                job(cancel)
            except Cancelled:
                pass
            except BaseException as error:  # noqa: BLE001 - a thread must not die of one job; the screen tells
                self._tell(error)
            with self._wake:
                self._cancel = None
