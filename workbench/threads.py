"""One set of threads for everything that works on a frame: measuring it, and changing it tile by tile.

Whoever asks for work from inside the set's own threads gets the same threads, so no more than the chosen number are
ever at work, however deep the asking goes.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from contextvars import ContextVar, copy_context
from functools import lru_cache
from typing import Any, Generic, TypeVar

import cv2
from threadpoolctl import OpenBLASController, ThreadpoolController

from workbench.lazy import when_loaded

__all__ = ["Stopped", "default_threads", "in_order", "one_thread_libraries", "stoppable", "thread_count", "use_threads"]

T = TypeVar("T")
R = TypeVar("R")


def default_threads() -> int:
    """All cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class Stopped(BaseException):
    """Work was left as it is no longer wanted. No error of the work, and so not to be caught where it has a remedy."""


def _always() -> bool:
    return True


#: Tells whether the work at hand is still wanted.
_WANTED: ContextVar[Callable[[], bool]] = ContextVar("wanted", default=_always)


@contextmanager
def stoppable(wanted: Callable[[], bool]) -> Iterator[None]:
    """Leave work inside that `in_order` shares between threads as soon as it is no longer ``wanted``.

    Parameters
    ----------
    wanted : callable
        Asked from any thread before each item.

    Yields
    ------
    None

    Raises
    ------
    Stopped
        When it no longer was.
    """
    token = _WANTED.set(wanted)
    try:
        yield
    finally:
        _WANTED.reset(token)


def _asked_first(work: Callable[[T], R]) -> Callable[[T], R]:
    """``work``, which asks before each item whether it is still wanted."""
    wanted = _WANTED.get()
    if wanted is _always:
        return work

    def asked(item: T) -> R:
        if not wanted():
            raise Stopped
        return work(item)

    return asked


class _Job(Generic[T, R]):
    """Items that several threads take one after the other."""

    def __init__(self, work: Callable[[T], R], items: Sequence[T]) -> None:
        self._work, self._items = work, items
        self._next, self._lock = iter(range(len(items))), threading.Lock()
        self._results: dict[int, R] = {}
        self._errors: dict[int, BaseException] = {}
        self.stopped = False

    def pull(self) -> None:
        """Take items until none is left, or one has failed."""
        while not self.stopped:
            with self._lock:
                place = next(self._next, None)
            if place is None:
                return
            try:
                self._results[place] = self._work(self._items[place])
            except BaseException as error:  # noqa: BLE001 - raised again where the job was asked for
                self._errors[place] = error
                self.stopped = True

    def results(self) -> list[R]:
        """The results in order; the error of the first item that failed is raised."""
        if self._errors:
            raise self._errors[min(self._errors)]
        return [self._results[place] for place in range(len(self._items))]


class _Team:
    """At most ``count`` threads, started when there is work for them."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool = ThreadPoolExecutor(count, thread_name_prefix="tiles")

    def close(self) -> None:
        """End the threads, and the memory that was kept for each of them."""
        self._pool.shutdown()

    def run(self, work: Callable[[T], R], items: Sequence[T]) -> list[R]:
        """``[work(item) for item in items]``."""
        job, member = _Job(work, items), _MEMBER.get()
        others = min(self.count, len(items)) - member
        try:
            helpers = [self._pool.submit(copy_context().run, _pull_as_member, job) for _ in range(others)]
            if member:
                # A thread of the set works along: it must not wait for one that may never be free.
                job.pull()
            for helper in helpers:
                if not (member and helper.cancel()):
                    helper.result()
        except BaseException:
            job.stopped = True
            raise
        return job.results()


#: The threads at work for whoever asks, and whether the asking thread is one of them.
_TEAM: ContextVar[_Team | None] = ContextVar("team", default=None)
_MEMBER: ContextVar[bool] = ContextVar("member", default=False)


def _pull_as_member(job: _Job[T, R]) -> None:
    _MEMBER.set(True)
    job.pull()


@contextmanager
def use_threads(count: int | None = None) -> Iterator[None]:
    """Work on at most ``count`` threads inside, measuring included; libraries then use one thread each.

    Parameters
    ----------
    count : int, optional
        Default: as many as around it, or all cores.

    Yields
    ------
    None

    Notes
    -----
    Nests. The threads end with the outermost ``with`` that asked for this number of them.
    """
    around = _TEAM.get()
    if around is not None and count in {None, around.count}:
        yield
        return
    team = _Team(max(1, count or default_threads()))
    tokens = _TEAM.set(team), _MEMBER.set(False)
    try:
        with one_thread_libraries():
            yield
    finally:
        _TEAM.reset(tokens[0])
        _MEMBER.reset(tokens[1])
        team.close()


def thread_count() -> int:
    """How many threads work is shared between here."""
    team = _TEAM.get()
    return default_threads() if team is None else team.count


def in_order(work: Callable[[T], R], items: Sequence[T]) -> list[R]:
    """``[work(item) for item in items]`` on the threads of `use_threads` (all cores outside of it).

    Parameters
    ----------
    work : callable
        Called with one item; should release the interpreter lock where it can.
    items : sequence

    Returns
    -------
    list
        In the order of the items: the result does not hang on threads.

    Raises
    ------
    BaseException
        What the first item that failed has raised; items behind it may have been left out.
    """
    team, work = _TEAM.get(), _asked_first(work)
    if len(items) <= 1 or (team.count if team else default_threads()) <= 1:
        return [work(item) for item in items]
    if team is not None:
        return team.run(work, items)
    team = _Team(default_threads())
    token = _TEAM.set(team)
    try:
        return team.run(work, items)
    finally:
        _TEAM.reset(token)
        team.close()


@lru_cache(maxsize=2)
def _linear_algebra(*, with_scipy: bool) -> ThreadpoolController:  # noqa: ARG001 - once for each
    """Libraries of linear algebra that are loaded: scipy brings its own. Looking for them takes milliseconds."""
    return ThreadpoolController()


def _let_this_thread_set_counts() -> None:
    """Allow this thread what threadpoolctl allows only the one that came first.

    It keeps threads from undoing each other's counts; here a lock does, and whoever enters, loads or leaves may do it
    on another thread.
    """
    OpenBLASController.clear_controlling_thread(force=True)


class _OneThread:
    """Thread counts of libraries are settings of the process: the first to enter sets them, the last restores them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._users = 0
        self._opencv = 0
        self._limits: dict[bool, Any] = {}

    def enter(self) -> None:
        with self._lock:
            if self._users == 0:
                self._opencv = cv2.getNumThreads()
                cv2.setNumThreads(1)
                self._limit()
            self._users += 1

    def leave(self) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0:
                cv2.setNumThreads(self._opencv)
                _let_this_thread_set_counts()
                while self._limits:
                    self._limits.popitem()[1].restore_original_limits()

    def limit_loaded(self) -> None:
        """Hold a library to one thread that was loaded since the first entered."""
        with self._lock:
            if self._users:
                self._limit()

    def _limit(self) -> None:
        with_scipy = "scipy.linalg._flapack" in sys.modules  # is there once its library is loaded, not before
        if with_scipy not in self._limits:
            found = _linear_algebra(with_scipy=with_scipy)
            _let_this_thread_set_counts()
            self._limits[with_scipy] = found.limit(limits=1, user_api="blas")


_ONE_THREAD = _OneThread()
when_loaded(_ONE_THREAD.limit_loaded)


@contextmanager
def one_thread_libraries() -> Iterator[None]:
    """Keep OpenCV and linear algebra on one thread each while the engine's threads pull tiles.

    Nests; safe from any thread. Libraries that are loaded inside (`on_first_use`) are kept to it, too.
    """
    _ONE_THREAD.enter()
    try:
        yield
    finally:
        _ONE_THREAD.leave()
