"""A tile without its stars by the learned method: into the network's units and back, grain given back."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.learned.starless import starless
from workbench.operations._stars.grain import grain
from workbench.operations.base import Planes, Tile

__all__ = ["Units", "lost_grain", "without_stars"]

#: Light of a star (in units of the noise, blurred by `_BLUR` px), and the noise to be added so that the grain of what
#: the network rebuilt there becomes the sky's, in units of it. From what is left of the finest detail under stars of
#: four scenes (FWHM 3 and 5 px, demosaiced, crowded), which agree within 0.05: 0.99, 0.92, 0.79, 0.62, 0.49, 0.42, 0.38
#: and 0.30 of the sky's at 0.7, 1.5, 3, 6, 12, 30, 100 and 300.
_LIGHT = (0.35, 0.7, 1.5, 3.0, 6.0, 12.0, 30.0, 100.0, 300.0)
_LOST = (0.0, 0.14, 0.39, 0.61, 0.78, 0.87, 0.91, 0.925, 0.95)
_BLUR = 1.0


class Units(NamedTuple):
    """What turns pixels into the network's units, and grain.

    Attributes
    ----------
    sky, noise : ndarray, shape (C,), float32
        Level of the sky and noise of a pixel there.
    blur : tuple of float
        Correlation of the noise as a blur in pixels, by channel.
    grain : float
        Share of the lost grain that is given back.
    """

    sky: NDArray[np.float32]
    noise: NDArray[np.float32]
    blur: tuple[float, ...]
    grain: float


def without_stars(tile: Tile, units: Units, out: Planes) -> None:
    """Write the core of a tile, without its stars, to ``out`` (C, h, w)."""
    sky, noise = units.sky[:, None, None], units.noise[:, None, None]
    seen = (tile.pixels - sky) / noise
    stars = seen - starless(seen)
    if units.grain > 0:
        y0, x0 = tile.core.y0 - tile.reach, tile.core.x0 - tile.reach
        height, width = seen.shape[1:]
        for c, blur in enumerate(units.blur):
            lost = lost_grain(stars[c])
            lost *= np.float32(units.grain)
            lost *= grain(c, y0, x0, height, width, blur)
            stars[c] -= lost
    r = tile.reach
    np.subtract(tile.inner, stars[:, r:-r, r:-r] * noise, out=out)


def lost_grain(stars: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much noise (of unit variance) what was put under stars lacks.

    Parameters
    ----------
    stars : ndarray, shape (H, W), float32
        The light taken off, in units of the noise.
    """
    light = np.asarray(cv2.GaussianBlur(stars, (0, 0), _BLUR), np.float32)
    return np.interp(light, _LIGHT, _LOST).astype(np.float32)
