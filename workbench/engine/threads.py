"""The engine's own threads, and keeping libraries from starting theirs beside them."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache

import cv2
from threadpoolctl import ThreadpoolController

__all__ = ["default_threads", "one_thread_libraries"]


def default_threads() -> int:
    """All cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@lru_cache(maxsize=1)
def _blas() -> ThreadpoolController:
    # Looking through the loaded libraries takes milliseconds: once is enough.
    return ThreadpoolController()


class _OneThread:
    """OpenCV's thread count is one setting of the process: the first to enter sets it, the last to leave restores."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._users = 0
        self._before = 0

    def enter(self) -> None:
        with self._lock:
            if self._users == 0:
                self._before = cv2.getNumThreads()
                cv2.setNumThreads(1)
            self._users += 1

    def leave(self) -> None:
        with self._lock:
            self._users -= 1
            if self._users == 0:
                cv2.setNumThreads(self._before)


_OPENCV = _OneThread()


@contextmanager
def one_thread_libraries() -> Iterator[None]:
    """Keep OpenCV and BLAS on one thread each while the engine's threads pull tiles. Nests; safe from any thread."""
    _OPENCV.enter()
    try:
        with _blas().limit(limits=1, user_api="blas"):
            yield
    finally:
        _OPENCV.leave()
