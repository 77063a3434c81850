"""The frame behind the fit view: the stack averaged down to the screen."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from workbench import pixels
from workbench.operations.base import Geometry, Planes

__all__ = ["reduced", "reduced_geometry"]


def reduced_geometry(full: Geometry, scale: float) -> Geometry:
    """The frame that the fit view works on.

    Parameters
    ----------
    full : Geometry
        The frame that is reduced.
    scale : float
        Its pixels across one of the reduced frame.

    Returns
    -------
    Geometry
        At least one pixel on each side.
    """
    height, width = max(1, round(full.height / scale)), max(1, round(full.width / scale))
    return replace(full, height=height, width=width, scale=full.scale * scale)


def reduced(planes: Planes, scale: float) -> Planes:
    """Planes (C, H, W) averaged down by ``scale`` over areas; linear light stays linear.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear or display.
    scale : float
        Pixels across one of the reduced frame; up to 1 nothing is reduced.

    Returns
    -------
    ndarray, shape (C, h, w), float32
    """
    channels, height, width = planes.shape
    if scale <= 1:
        return np.ascontiguousarray(planes)
    small = reduced_geometry(Geometry(height, width, channels), scale)
    out = np.empty((channels, small.height, small.width), np.float32)
    # All channels at once when they lie interleaved, as a stack's do: one pass over the memory.
    whole = cv2.resize(np.moveaxis(planes, 0, 2), (small.width, small.height), interpolation=cv2.INTER_AREA)
    pixels.deinterleave(np.asarray(whole, np.float32).reshape(small.height, small.width, channels), out)
    return out
