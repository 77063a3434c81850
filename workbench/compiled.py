"""One way to compile a tile kernel: no interpreter lock, cached on disk, fused multiply-add allowed.

``fastmath={"contract"}`` is as fast as full fastmath here and keeps a pixel's value independent of where in a
row it lies. Every kernel has a plain numpy twin that states what it computes, and a test that they agree.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba

__all__ = ["kernel", "summing_kernel"]

F = TypeVar("F", bound=Callable[..., Any])


def kernel(function: F) -> F:
    """Compile ``function`` on first call for the argument types it meets, and keep the result on disk.

    Parameters
    ----------
    function : callable
        What numba can compile.

    Returns
    -------
    callable
        Holds no interpreter lock while it runs.
    """
    return _compiled(function, {"contract"})


def summing_kernel(function: F) -> F:
    """Compile like `kernel`, and let sums be taken in any order: several times faster, last bits left open.

    For numbers that are compared with a tolerance, never for pixels.

    Parameters
    ----------
    function : callable
        What numba can compile.

    Returns
    -------
    callable
        Holds no interpreter lock while it runs.
    """
    return _compiled(function, {"contract", "reassoc", "nsz"})


def _compiled(function: F, fastmath: set[str]) -> F:
    # Kernels are called from Python and from each other, never from C: without that wrapper they compile up to a tenth
    # sooner.
    options: dict[str, Any] = {"nogil": True, "fastmath": fastmath, "error_model": "numpy", "no_cfunc_wrapper": True}
    try:
        return cast("F", numba.njit(cache=True, **options)(function))
    except RuntimeError:  # neither beside the source nor in the person's own cache folder can anything be written
        return cast("F", numba.njit(**options)(function))
