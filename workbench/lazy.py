"""Libraries that take long to load, and that most commands never need, loaded when they are first used.

A module names them at its head like any other import, once for type checkers and once for the run::

    if TYPE_CHECKING:
        from astropy.io import fits
    else:
        fits = on_first_use("astropy.io.fits")

astropy with its sky solutions takes as long to load as all else that a check of a TIFF needs. What a command is sure to
need is loaded on a thread of its own (`load_behind`), beside work that does not hold the interpreter's lock.
"""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable
from importlib import import_module
from types import ModuleType
from typing import Any

__all__ = ["load_behind", "on_first_use", "when_loaded"]

_WHEN_LOADED: list[Callable[[], None]] = []


class _OnFirstUse(ModuleType):
    """Stands for a module; is the same to whoever asks for one of its names."""

    def __getattr__(self, name: str) -> Any:
        return getattr(_loaded(self.__name__), name)


def _loaded(name: str) -> ModuleType:
    known = name in sys.modules
    module = import_module(name)
    if not known:
        for action in _WHEN_LOADED:
            action()
    return module


def on_first_use(name: str) -> Any:
    """Stand for the module ``name`` (dotted), which is imported when one of its names is first asked for.

    Parameters
    ----------
    name : str

    Returns
    -------
    object
    """
    return _OnFirstUse(name)


def load_behind(*names: str) -> threading.Thread:
    """Load libraries on a thread of their own, in this order, while others work; returns at once.

    Whoever uses one before it is there waits for it. One that cannot be loaded says so when it is used.

    Parameters
    ----------
    *names : str
        Modules (dotted).

    Returns
    -------
    threading.Thread
        Ends when all are loaded. The program does not wait for it.
    """

    def load() -> None:
        for name in names:
            with contextlib.suppress(ImportError):
                _loaded(name)

    thread = threading.Thread(target=load, name="loading libraries", daemon=True)
    thread.start()
    return thread


def when_loaded(action: Callable[[], None]) -> None:
    """Call ``action`` whenever a library was loaded by its first use, or before.

    Parameters
    ----------
    action : callable
        Called without arguments, in the thread that loads the library.
    """
    _WHEN_LOADED.append(action)
