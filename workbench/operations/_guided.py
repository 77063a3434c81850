"""Smoothing that stops at edges: the guided filter with the picture as its own guide."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["smoothed_between_edges"]

Plane = NDArray[np.float32]


def smoothed_between_edges(plane: Plane, radius: int, contrast: float) -> Plane:
    """A plane (h, w) float32 without what is fainter than ``contrast`` within ``radius`` pixels; stronger edges stay.

    In squares of side ``2 radius + 1`` the plane is fitted by a times itself plus b, ``a = var / (var + contrast^2)``
    and ``b = mean (1 - a)``; a and b are averaged over the squares that hold a pixel. He, K., Sun, J. & Tang, X.
    (2010), "Guided image filtering", ECCV, LNCS 6311, 1. Looks at ``2 radius`` pixels around one.
    """
    side = (2 * radius + 1, 2 * radius + 1)

    def mean(values: NDArray[Any]) -> Plane:
        return np.asarray(cv2.boxFilter(values, cv2.CV_32F, side, borderType=cv2.BORDER_REFLECT_101), np.float32)

    middle = mean(plane)
    variance = np.maximum(mean(plane * plane) - middle * middle, 0)
    share = variance / (variance + np.float32(contrast * contrast))
    return mean(share) * plane + mean(middle * (1 - share))
