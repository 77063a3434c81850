"""What a preview gives to a screen: the whole frame reduced, and a region at 1:1."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench import pixels
from workbench.engine.transform import Array
from workbench.operations.base import Planes

__all__ = ["CloseUp", "SeenMask", "View", "display"]


@dataclass(frozen=True, slots=True)
class View:
    """The whole frame reduced to the screen.

    Attributes
    ----------
    pixels : ndarray, shape (h, w, 3), uint8
        Ready for display, sRGB.
    planes : ndarray, shape (C, h, w), float32
        The same before it became 8-bit; must not be changed.
    scale : float
        Pixels of the full frame across one of the view.
    draft : bool
        Whether it is an approximation: some facts were not measured on this full frame. Frame and places are the
        settled view's all the same.
    shape : tuple of int
        (height, width, channels) of the full frame shown.
    stretched : bool
        Whether the frame is linear and shown through a stretch that is not part of the recipe.
    place : ndarray, shape (2, 3), or None
        Where a pixel of the view lies on the stack: ``place[:, :2] @ (x, y) + place[:, 2]``, as (x, y) with pixel
        centres at integers. None where a step does not tell.
    full_place : ndarray, shape (2, 3), or None
        The same for pixels of the full frame.
    """

    pixels: NDArray[np.uint8]
    planes: Planes
    scale: float
    draft: bool
    shape: tuple[int, int, int]
    stretched: bool
    place: Array | None
    full_place: Array | None


class SeenMask(NamedTuple):
    """A mask over the whole frame before its step.

    Attributes
    ----------
    weights : ndarray, shape (h, w), float32
        How much of the step's change is made, 0..1.
    place : ndarray, shape (2, 3)
        Where its pixels lie on the stack, as of `View`.
    """

    weights: NDArray[np.float32]
    place: Array


class CloseUp(NamedTuple):
    """A region at 1:1 ready for display.

    Attributes
    ----------
    pixels : ndarray, shape (h, w, 3), uint8
        sRGB.
    draft : bool
        Whether it is an approximation: some facts were not measured on this full frame.
    """

    pixels: NDArray[np.uint8]
    draft: bool


def display(planes: Planes) -> NDArray[np.uint8]:
    """Planes (C, h, w) of display tone as pixels (h, w, 3) uint8 for a screen; one channel becomes three.

    Parameters
    ----------
    planes : ndarray, shape (C, h, w), float32
        0 black to 1 white; C is 1 or 3.

    Returns
    -------
    ndarray, shape (h, w, 3), uint8
    """
    channels, height, width = planes.shape
    out = np.empty((height, width, channels), np.uint8)
    pixels.quantise8_planes(planes, out)
    return out if channels == 3 else np.repeat(out, 3, axis=2)
