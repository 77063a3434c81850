"""The starlet (isotropic undecimated wavelet): B3-spline smoothing with growing holes.

Source: Starck & Murtagh, *Astronomical Image and Data Analysis*; Starck, Fadili & Murtagh 2007, IEEE Trans. Image
Process. 16, 297 (from memory).
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from workbench.measure.blocks import Plane
from workbench.measure.filters import separable

__all__ = ["B3", "WHITE_NOISE", "reach", "scales"]

#: Standard deviation that white noise of unit standard deviation leaves in each scale (two dimensions).
WHITE_NOISE = (0.8908, 0.2007, 0.0855, 0.0412, 0.0204)

#: The cubic B-spline at whole places: the taps of one smoothing.
B3 = np.array([1, 4, 6, 4, 1], np.float32) / np.float32(16)


def reach(count: int) -> int:
    """Pixels around a point that ``count`` scales look at.

    Parameters
    ----------
    count : int
        Number of scales.

    Returns
    -------
    int
        Pixels on each side.
    """
    return 2 * ((1 << count) - 1)


def _smooth(image: Plane, step: int) -> Plane:
    taps = np.zeros(4 * step + 1, np.float32)
    taps[::step] = B3
    return separable(image, taps)


def scales(image: Plane, count: int = 5) -> tuple[list[Plane], Plane]:
    """Wavelet scales 1..``count`` (finest first) and the smooth rest of a tile (h, w); they add up to it.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
    count : int
        Number of scales.

    Returns
    -------
    list of ndarray, shape (h, w), float32
        The scales, finest first.
    ndarray, shape (h, w), float32
        The smooth rest.
    """
    smooth = [np.ascontiguousarray(image, np.float32)]
    for j in range(count):
        smooth.append(_smooth(smooth[-1], 2**j))
    return [fine - coarse for fine, coarse in pairwise(smooth)], smooth[-1]
