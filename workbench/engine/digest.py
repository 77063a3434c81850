"""Digests of pixels and of plain data, for identity (not for security)."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import xxhash
from numpy.typing import NDArray

__all__ = ["canonical", "digest"]


def canonical(data: Any) -> str:
    """The one JSON text used for hashing: sorted names, no spaces, Python's float form, no NaN."""
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def digest(*parts: NDArray[Any] | str | bytes) -> str:
    """XXH3-128 over arrays (their bytes in C order) and texts (UTF-8), hex."""
    whole = xxhash.xxh3_128()
    for part in parts:
        if isinstance(part, np.ndarray):
            whole.update(np.ascontiguousarray(part).data)
        else:
            whole.update(part.encode() if isinstance(part, str) else part)
    return whole.hexdigest()
