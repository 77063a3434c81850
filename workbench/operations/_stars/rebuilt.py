"""A tile without its stars by the learned method: into the network's units and back, grain given back."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.learned.starless import starless
from workbench.operations._stars.grain import grain
from workbench.operations.base import Planes, Tile

__all__ = ["Units", "believed", "lost_grain", "without_stars"]

#: Light of a star (in units of the noise, blurred by `_BLUR` px), and the noise to be added so that the grain of what
#: the network rebuilt there becomes the sky's, in units of it. From what is left of the finest detail under stars of
#: four scenes (FWHM 3 and 5 px, demosaiced, crowded), which agree within 0.05: 0.99, 0.92, 0.79, 0.62, 0.49, 0.42, 0.38
#: and 0.30 of the sky's at 0.7, 1.5, 3, 6, 12, 30, 100 and 300.
_LIGHT = (0.35, 0.7, 1.5, 3.0, 6.0, 12.0, 30.0, 100.0, 300.0)
_LOST = (0.0, 0.14, 0.39, 0.61, 0.78, 0.87, 0.91, 0.925, 0.95)
_BLUR = 1.0

#: What the network takes off is believed where, within `_NEAR` px, some of it exceeds so much of the noise: below the
#: first not at all, from the second on wholly; else the highest grains and faint wisps pass for stars. The limits grow
#: with the correlation, as coarse grain looks more like stars: by `_COARSER` for each unit above 1. Chosen among
#: (0.6, 1.5), (0.7, 1.6), (0.8, 2) and (1, 2.5) on scenes of GalSim: the error under stars grows by 0.01 of the noise,
#: the light lost where no star is falls from 0.4 to 0.1 %. Half: nearly as without; twice: stars of 3 times the noise
#: stay. `_COARSER` among 0.9, 1.2, 1.5 on empty skies after demosaicing and resampling: 12, 0, 0 of 2.2 million samples
#: lowered by more than the noise, 1.20, 0.81, 0.50 times the noise at most; under demosaiced stars the same.
_BELIEVED = (0.8, 2.0)
_NEAR = 4
_COARSER = 1.5


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
    correlation : float
        Mean correlation of the noise over the channels.
    """

    sky: NDArray[np.float32]
    noise: NDArray[np.float32]
    blur: tuple[float, ...]
    grain: float
    correlation: float


def without_stars(tile: Tile, units: Units, out: Planes) -> None:
    """Write the core of a tile, without its stars, to ``out`` (C, h, w)."""
    sky, noise = units.sky[:, None, None], units.noise[:, None, None]
    seen = (tile.pixels - sky) / noise
    stars = believed(seen - starless(seen), units.correlation)
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


def believed(stars: NDArray[np.float32], correlation: float) -> NDArray[np.float32]:
    """What was taken off, where it stands out enough to have been a star.

    Parameters
    ----------
    stars : ndarray, shape (C, H, W), float32
        The light taken off, in units of the noise.
    correlation : float
        Of the noise; 1 where it is white.

    Returns
    -------
    ndarray, shape (C, H, W), float32
        A pixel depends on those within `_NEAR`.
    """
    low, high = (limit * (1 + _COARSER * max(0.0, correlation - 1)) for limit in _BELIEVED)
    side = 2 * _NEAR + 1
    highest = cv2.dilate(np.abs(stars).max(axis=0), np.ones((side, side), np.uint8))
    share = np.clip((highest - low) / (high - low), 0, 1)
    return stars * np.asarray(share * share * (3 - 2 * share), np.float32)


def lost_grain(stars: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much noise (of unit variance) what was put under stars lacks.

    Parameters
    ----------
    stars : ndarray, shape (H, W), float32
        The light taken off, in units of the noise.
    """
    light = np.asarray(cv2.GaussianBlur(stars, (0, 0), _BLUR), np.float32)
    return np.interp(light, _LIGHT, _LOST).astype(np.float32)
