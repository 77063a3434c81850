"""Mixing what a step makes with what was before, by its opacity and its mask; the ends are exact to the last bit."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel

__all__ = ["blend", "blend_by", "blend_by_reference"]

Planes = NDArray[np.float32]
Plane = NDArray[np.float32]


def blend(before: Planes, opacity: float, out: Planes) -> None:
    """Bring ``out`` to ``before + opacity * (out - before)``, for an opacity between 0 and 1.

    Parameters
    ----------
    before, out : ndarray, shape (C, h, w), float32
        In the tone of the step.
    opacity : float
    """
    out -= before
    out *= np.float32(opacity)
    out += before


@kernel
def blend_by(before: Planes, mask: Plane, opacity: Any, out: Planes) -> None:
    """Bring ``out`` to ``before + weight * (out - before)``, weight being mask times opacity.

    Where the weight is 1 ``out`` stays, and where it is 0 it becomes ``before``, both to the last bit.

    Parameters
    ----------
    before, out : ndarray, shape (C, h, w), float32
        In the tone of the step.
    mask : ndarray, shape (h, w), float32
        0..1.
    opacity : float32
    """
    channels, height, width = out.shape
    for c in range(channels):
        for y in range(height):
            for x in range(width):
                weight = opacity * mask[y, x]
                if weight <= 0:
                    out[c, y, x] = before[c, y, x]
                elif weight < 1:
                    was = before[c, y, x]
                    out[c, y, x] = was + weight * (out[c, y, x] - was)


def blend_by_reference(before: NDArray[Any], mask: NDArray[Any], opacity: float, out: NDArray[Any]) -> NDArray[Any]:
    """What `blend_by` makes of ``out``, in plain numpy.

    Parameters
    ----------
    before, out : ndarray, shape (C, h, w)
    mask : ndarray, shape (h, w)
    opacity : float

    Returns
    -------
    ndarray, shape (C, h, w)
    """
    weight = opacity * mask
    mixed = before + weight * (out - before)
    return np.where(weight <= 0, before, np.where(weight >= 1, out, mixed))
