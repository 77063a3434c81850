"""One way to compile a tile kernel: no interpreter lock, cached on disk, arithmetic as it is written.

No multiplication and addition are fused and no sum is taken in another order, so that a pixel's value depends neither
on where in a row it lies nor on the processor: where a limit decides on it later, a last bit would become another star.
Fusing would gain nothing that could be measured, as memory is what kernels wait for. Every kernel has a plain numpy
twin that states what it computes, and a test that they agree.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any, TypeVar, cast

import numba
from numba.core.caching import FunctionCache, NullCache
from numba.core.runtime.nrt import rtsys

__all__ = ["inlined_kernel", "kernel", "summing_kernel"]

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


def inlined_kernel(function: F) -> F:
    """Compile like `kernel`, but as a part of the kernel that calls it: for long ones with one caller.

    Others are made into machine code by themselves, then once more within their caller, and within its caller again.

    Parameters
    ----------
    function : callable
        What numba can compile.

    Returns
    -------
    callable
        Holds no interpreter lock while it runs.
    """
    return _compiled(function, set(), inline="always")


class _QuickCache(FunctionCache):
    """numba's cache, but what lies in it is loaded without the whole compiler.

    Machine code needs numba's memory management alone. All that the compiler can translate, linear algebra included,
    takes 0.4 s to load, more than all kernels of a check-up, and is loaded anyway where one is compiled.
    """

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        rtsys.initialize(target_context)
        with self._guard_against_spurious_io_errors():
            return self._load_overload(sig, target_context)  # type: ignore[no-untyped-call]


class _LateCache:
    """Stands for a kernel's cache, which is looked for on disk when the kernel is first called, if ever."""

    def __init__(self, function: Callable[..., Any]) -> None:
        self._function = function

    @cached_property
    def _found(self) -> Any:
        try:
            return _QuickCache(self._function)  # type: ignore[no-untyped-call]
        except RuntimeError:  # neither beside the source nor in the person's own cache folder can anything be written
            return NullCache()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._found, name)


def _compiled(function: F, fastmath: set[str], inline: str = "never") -> F:
    # Kernels are called from Python and from each other, never from C: without that wrapper they compile up to a tenth
    # sooner.
    options: dict[str, Any] = {"nogil": True, "fastmath": fastmath, "error_model": "numpy", "no_cfunc_wrapper": True}
    options["inline"] = inline
    made = numba.njit(**options)(function)
    if made is not function:  # as where compiling is off
        made._cache = _LateCache(function)  # noqa: SLF001 - it takes no other
    return cast("F", made)
