"""Digests of pixels and of plain data, for identity (not for security)."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import xxhash
from numpy.typing import NDArray

__all__ = ["canonical", "digest"]


def canonical(data: Any) -> str:
    """The one JSON text used for hashing: sorted names, no spaces, Python's float form, no NaN.

    Parameters
    ----------
    data : object
        Plain data.

    Returns
    -------
    str
    """
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


#: Bytes of an array that are laid in C order at a time.
_BLOCK = 1 << 22


def digest(*parts: NDArray[Any] | str | bytes) -> str:
    """XXH3-128 over arrays (their bytes in C order) and texts (UTF-8), hex.

    Parameters
    ----------
    *parts : ndarray, shape (...), or str or bytes

    Returns
    -------
    str
    """
    whole = xxhash.xxh3_128()
    for part in parts:
        if isinstance(part, np.ndarray):
            for block in _in_c_order(part):
                whole.update(block.data)
        else:
            whole.update(part.encode() if isinstance(part, str) else part)
    return whole.hexdigest()


def _in_c_order(array: NDArray[Any]) -> Iterator[NDArray[Any]]:
    """The array in contiguous pieces: a frame of planes that is seen as pixels is never copied as a whole."""
    if array.flags.c_contiguous or array.ndim == 0:
        yield np.ascontiguousarray(array)
        return
    rows = max(1, _BLOCK // max(1, array[:1].nbytes))
    for y in range(0, len(array), rows):
        yield np.ascontiguousarray(array[y : y + rows])
