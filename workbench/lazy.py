"""Libraries that take long to load, and that most commands never need, loaded when they are first used.

A module names them at its head like any other import, once for type checkers and once for the run::

    if TYPE_CHECKING:
        from astropy.io import fits
    else:
        fits = on_first_use("astropy.io.fits")

astropy with its sky solutions takes as long to load as all else that a check of a TIFF needs.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from importlib import import_module
from types import ModuleType
from typing import Any

__all__ = ["on_first_use", "when_loaded"]

_WHEN_LOADED: list[Callable[[], None]] = []


class _OnFirstUse(ModuleType):
    """Stands for a module; is the same to whoever asks for one of its names."""

    def __getattr__(self, name: str) -> Any:
        known = self.__name__ in sys.modules
        module = import_module(self.__name__)
        if not known:
            for action in _WHEN_LOADED:
                action()
        return getattr(module, name)


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


def when_loaded(action: Callable[[], None]) -> None:
    """Call ``action`` whenever a library was loaded by its first use.

    Parameters
    ----------
    action : callable
        Called without arguments, in the thread that uses the library.
    """
    _WHEN_LOADED.append(action)
