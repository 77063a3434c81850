"""Check-ups and suggestions, made beside: whoever waits for one may leave at once."""

from __future__ import annotations

import threading
from concurrent.futures import Future, ThreadPoolExecutor, wait
from typing import TypeVar

from workbench.checkup import Checkup, check, suggest
from workbench.engine import Cancel, Recipe
from workbench.errors import Cancelled
from workbench.stack import Stack

__all__ = ["Measuring"]

T = TypeVar("T")

#: Seconds between two looks at whether stopping was asked for.
_LOOK = 0.05


class Measuring:
    """Measures a stack on threads of its own, and no stack twice.

    Measuring cannot be interrupted: when it is stopped, nobody waits for it any more, and what it finds in the end is
    kept for the next time.
    """

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(2, thread_name_prefix="bench measuring")
        self._lock = threading.Lock()
        self._checkup: tuple[Stack, Future[Checkup]] | None = None
        self._stop = Cancel()

    def checkup(self, stack: Stack) -> Checkup:
        """What was measured in the stack.

        Parameters
        ----------
        stack : Stack

        Returns
        -------
        Checkup
        """
        cancel = self._fresh()  # before the work begins: a stop that comes with its first moment counts
        return self._awaited(self._measured(stack), cancel)

    def suggestion(self, stack: Stack) -> Recipe:
        """A recipe from it.

        Parameters
        ----------
        stack : Stack

        Returns
        -------
        Recipe
        """
        cancel = self._fresh()
        report = self._awaited(self._measured(stack), cancel)
        return self._awaited(self._pool.submit(suggest, stack, report), cancel)

    def stop(self) -> None:
        """Let go whoever waits."""
        self._stop.set()

    def forget(self) -> None:
        """Free what is known of the stack."""
        with self._lock:
            self._checkup = None

    def close(self) -> None:
        """Let go whoever waits, and end the threads."""
        self.stop()
        self.forget()
        self._pool.shutdown(wait=False, cancel_futures=True)

    def _fresh(self) -> Cancel:
        self._stop = Cancel()
        return self._stop

    def _measured(self, stack: Stack) -> Future[Checkup]:
        with self._lock:
            known = self._checkup
            failed = known is not None and known[1].done() and known[1].exception() is not None
            if known is None or known[0] is not stack or failed:
                self._checkup = known = stack, self._pool.submit(check, stack)
            return known[1]

    @staticmethod
    def _awaited(future: Future[T], cancel: Cancel) -> T:
        while not wait([future], _LOOK).done:
            if cancel.wanted:
                raise Cancelled("stopped: the recipe lies as it was")
        return future.result()
