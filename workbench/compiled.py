"""One way to compile a tile kernel: no interpreter lock, cached on disk, arithmetic as it is written.

No multiplication and addition are fused and no sum is taken in another order, so that a pixel's value depends neither
on where in a row it lies nor on the processor: where a limit decides on it later, a last bit would become another star.
Fusing would gain nothing that could be measured, as memory is what kernels wait for. Every kernel has a plain numpy
twin that states what it computes, and a test that they agree.
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
    return _compiled(function, set())


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
