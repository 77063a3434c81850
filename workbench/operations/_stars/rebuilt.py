"""A tile without its stars by the learned method: into the network's units and back, grain given back."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.learned.starless import CUT, starless
from workbench.operations._stars.broad import BroadSources, give_back
from workbench.operations._stars.grain import detail_of_grain, grain
from workbench.operations.base import Planes, Tile

__all__ = ["Units", "believed", "left_in_proportion", "missing_grain", "what_stars_left", "without_stars"]

#: Grain under stars. What is finer than `_FINE` (px, standard deviation) is grain; its strength is told over `_OVER`.
#: It is made stronger, up to `_STRONGER` times, as it is what is left of the noise that was there; what is then
#: missing to `_WANTED` of the sky's is added. (A star's surroundings have all of theirs and are told with it: so a
#: little more than 1 is wanted.) Both where the light taken off, blurred by `_BLUR`, exceeds `_SHINES` of the noise.
#: `_OVER` chosen among 0.8, 1 and 1.5, `_WANTED` among 1 to 1.25 and what grows or falls with a star's light, on five
#: scenes of GalSim (seed 500): under light of 0.2 to 1, 1 to 2, ... and above 100 times the noise the grain is, at 1.1,
#: 1.00 to 1.06 of what would be there (1.5 and 1.25: 0.97 to 1.19), and where less is added, less is wrong.
_FINE, _OVER = 1.5, 0.8
_STRONGER, _WANTED = 3.0, 1.12
_SHINES = (0.2, 0.8)
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


#: What a star leaves: where the frame, blurred by `_CALM` px over `_CALM_KERNEL`, lies lower or higher than all around
#: it within squares of `_NARROW` px, by more than `_LEFT` of the noise. It goes wholly where the light taken off is
#: twice so much of the noise as `_LIT` says, not at all where it is less than that: the first for dips, the second for
#: what is higher, which may be a knot. Chosen on 30 scenes of GalSim (seeds 500, 91000, 93000) among 7 to 21 px and
#: limits of 0.3 to 2: the error under stars falls by 0.02 of the noise in the mean, by 0.06 around saturated ones, and
#: rises in no scene.
_CALM, _CALM_KERNEL, _NARROW, _LEFT, _LIT = 1.43, 9, 7, 0.4, (2.0, 6.0)

#: Stars taken off by a share too much or too little show in what is left, in proportion to their own light: how much so
#: is told by what both have between squares of `_BAND` px, over squares of `_ALIKE` px, in each channel. It is held
#: down where the light taken off stands out of the noise by no more than `_CLEAR`, by `_SURE` anyway, and is `_MOST` at
#: most. Chosen on ten scenes of GalSim (seed 500) among bands of Gaussians of 2 to 5 px and squares of 7 to 11, squares
#: for telling of 7 to 9 px and Gaussians of 1.5 and 2.5, `_CLEAR` of 0.25 to 3 and `_SURE` of 0 to 0.02.
_BAND, _ALIKE, _CLEAR, _SURE, _MOST = (3, 11), 9, 0.5, 0.01, 0.2


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
    broad : BroadSources or None
        What is no star, in pixels of the frame at hand.
    """

    sky: NDArray[np.float32]
    noise: NDArray[np.float32]
    blur: tuple[float, ...]
    grain: float
    correlation: float
    broad: BroadSources | None = None


def without_stars(tile: Tile, units: Units, out: Planes) -> None:
    """Write the core of a tile, without its stars, to ``out`` (C, h, w)."""
    sky, noise = units.sky[:, None, None], units.noise[:, None, None]
    seen = (tile.pixels - sky) / noise
    recorded, r = seen[:, CUT:-CUT, CUT:-CUT], tile.reach - CUT
    stars = believed(recorded - starless(seen), units.correlation)
    if units.broad is not None:
        give_back(stars, tile, r, units.broad, units.noise)
    made = recorded - stars
    for c in range(len(made)):
        more = left_in_proportion(made[c], stars[c])
        made[c] -= more
        stars[c] += more
    left = what_stars_left(made, stars, units.correlation)
    if units.grain > 0:
        (height, width), y0, x0 = made.shape[1:], tile.core.y0 - r, tile.core.x0 - r
        for c, blur in enumerate(units.blur):
            fresh = grain(c, y0, x0, height, width, blur)
            stars[c] -= np.float32(units.grain) * missing_grain(made[c], stars[c], fresh, blur)
    stars += left
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


def left_in_proportion(made: NDArray[np.float32], stars: NDArray[np.float32]) -> NDArray[np.float32]:
    """What is left of the stars of a channel, or taken too much: their own light times a share told around each pixel.

    The share is the slope of least squares of what is left over the light taken off, both without what is wider and
    without the finest grain, drawn towards 0 (ridge regression: Hoerl and Kennard 1970, Technometrics 12, 55).

    Parameters
    ----------
    made, stars : ndarray, shape (H, W), float32
        What is left, and the light taken off, in units of the noise.

    Returns
    -------
    ndarray, shape (H, W), float32
        Below 0 where too much was taken; a pixel depends on those within 10.
    """
    left, taken = (_between(plane, *_BAND) for plane in (made, stars))
    share = _mean(left * taken, _ALIKE) / (_mean(taken * taken, _ALIKE) + np.float32(_CLEAR**2))
    sure = np.clip(share, -_SURE - _MOST, _SURE + _MOST) - np.clip(share, -_SURE, _SURE)
    return np.asarray(sure * stars, np.float32)


def _between(plane: NDArray[np.float32], fine: int, wide: int) -> NDArray[np.float32]:
    calm = _mean(plane, fine)
    return calm - _mean(calm, wide)


def _mean(plane: NDArray[np.float32], side: int) -> NDArray[np.float32]:
    return np.asarray(cv2.blur(plane, (side, side)), np.float32)


def what_stars_left(made: NDArray[np.float32], stars: NDArray[np.float32], correlation: float) -> NDArray[np.float32]:
    """Light left under stars above all that is around it, and below: dips.

    A narrow dip is what a morphological closing fills, and a narrow peak what an opening cuts off (Serra 1982, Image
    Analysis and Mathematical Morphology).

    Parameters
    ----------
    made, stars : ndarray, shape (C, H, W), float32
        What is left, and the light taken off, in units of the noise.
    correlation : float
        Of the noise; 1 where it is white.

    Returns
    -------
    ndarray, shape (C, H, W), float32
        Below 0 where there is a dip; a pixel depends on those within 10.
    """
    least, square = np.float32(_LEFT * max(1.0, correlation)), np.ones((_NARROW, _NARROW), np.uint8)
    left = np.zeros_like(made)
    for c in range(len(made)):
        light = _blurred(stars[c], _BLUR)
        if light.max() <= _LIT[0]:
            continue
        calm = np.asarray(cv2.GaussianBlur(made[c], (_CALM_KERNEL, _CALM_KERNEL), _CALM), np.float32)
        dip = np.maximum(cv2.morphologyEx(calm, cv2.MORPH_CLOSE, square) - calm - least, 0)
        peak = np.maximum(calm - cv2.morphologyEx(calm, cv2.MORPH_OPEN, square) - least, 0)
        at_dips, at_peaks = (np.clip(light / np.float32(lit) - 1, 0, 1) for lit in _LIT)
        # No more is put back than was taken off.
        left[c] = at_peaks * peak - np.minimum(at_dips * dip, np.maximum(stars[c], 0))
    return left


def missing_grain(
    made: NDArray[np.float32], stars: NDArray[np.float32], fresh: NDArray[np.float32], blur: float
) -> NDArray[np.float32]:
    """What is to be added where stars were, so that the grain there is as strong as the sky's.

    Parameters
    ----------
    made, stars : ndarray, shape (H, W), float32
        What is left, and the light taken off, in units of the noise.
    fresh : ndarray, shape (H, W), float32
        Noise of unit variance.
    blur : float
        Its correlation, as a blur in pixels.

    Returns
    -------
    ndarray, shape (H, W), float32
        A pixel depends on those within 9.
    """
    fine = made - _blurred(made, _FINE)
    most = np.float32(detail_of_grain(blur, _FINE))
    # What stands out by 4 times its spread is no grain.
    level = np.sqrt(_blurred(np.minimum(fine * fine, (4 * most) ** 2), _OVER)) / (np.float32(_WANTED) * most)
    gain = np.clip(1 / np.maximum(level, np.float32(1 / _STRONGER)), 1, _STRONGER)
    level *= gain
    added = np.float32(_WANTED) * np.sqrt(np.maximum(1 - level * level, 0))
    low, high = _SHINES
    share = np.clip((_blurred(stars, _BLUR) - low) / (high - low), 0, 1)
    share *= share * (3 - 2 * share)
    result: NDArray[np.float32] = share * ((gain - 1) * fine + added * fresh)
    return result


def _blurred(plane: NDArray[np.float32], width: float) -> NDArray[np.float32]:
    return np.asarray(cv2.GaussianBlur(plane, (0, 0), width), np.float32)
