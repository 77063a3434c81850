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
    """Compile ``function`` on first call for the argument types it meets, and keep the result on disk."""
    jit = numba.njit(nogil=True, cache=True, fastmath={"contract"}, error_model="numpy")
    return cast("F", jit(function))


def summing_kernel(function: F) -> F:
    """Compile like `kernel`, and let sums be taken in any order: several times faster, last bits left open.

    For numbers that are compared with a tolerance, never for pixels.
    """
    loose = {"contract", "reassoc", "nsz"}
    jit = numba.njit(nogil=True, cache=True, fastmath=loose, error_model="numpy")
    return cast("F", jit(function))
