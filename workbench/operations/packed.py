"""Long lists of numbers in facts: whole multiples of a stated step, as base64 text.

A star list of 20,000 rows is 400,000 numbers; written digit by digit they cost a run more time than fitting the stars.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["pack", "unpack"]


def pack(values: NDArray[Any], step: float) -> dict[str, Any]:
    """Plain data holding ``values`` rounded to multiples of ``step``.

    Parameters
    ----------
    values : ndarray, real, finite, at most 2**31 steps large
    step : float

    Returns
    -------
    dict
        ``shape``, ``step`` and ``int32``: little-endian 32-bit integers in C order, base64.
    """
    counts = np.rint(np.asarray(values, np.float64) / step).astype("<i4")
    return {
        "shape": list(counts.shape),
        "step": step,
        "int32": base64.b64encode(np.ascontiguousarray(counts).tobytes()).decode("ascii"),
    }


def unpack(data: dict[str, Any]) -> NDArray[np.float64]:
    """The values that `pack` packed; ValueError or KeyError when ``data`` is not that."""
    counts = np.frombuffer(base64.b64decode(data["int32"], validate=True), "<i4")
    values: NDArray[np.float64] = counts.reshape(data["shape"]).astype(np.float64) * data["step"]
    return values
