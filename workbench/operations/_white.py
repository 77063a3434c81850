"""Channel gains from what should be white: the average star, or a region."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.blocks import together
from workbench.measure.stars import find_stars, star_colors
from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations._frames import joint_sky
from workbench.operations.base import Frame

__all__ = ["Gains", "gains_from_region", "gains_from_stars", "median_ratio"]

Doubles = NDArray[np.float64]
Triple = tuple[float, float, float]

_FEWEST_STARS = 12
#: Signal-to-noise ratio of stars that are asked for their color. Measured on simulated fields: 10 gives gains within
#: 1.7 %; 25 and 40 have too few stars, 5 lets noise in (each up to 3 %).
_LEAST_SNR = 10.0
#: With this many stars on plain sky (background within so many times the noise), those on nebulae are left out:
#: dust in them reddens what lies behind.
_ENOUGH_STARS, _PLAIN_SKY = 100, 3.0
#: Standard error of a median over that of a mean, for a normal distribution: sqrt(pi / 2).
_MEDIAN_PRICE = float(np.sqrt(np.pi / 2))


class Gains(NamedTuple):
    """Gains of red, green and blue (green 1), their standard errors, and from how many stars or pixels."""

    gains: Triple
    uncertainty: Triple
    samples: int


def median_ratio(flux: Doubles) -> Gains:
    """Gains that make the median object white.

    Parameters
    ----------
    flux : ndarray, shape (N, 3)
        Fluxes in red, green, blue; green positive. Noise in red and blue does not bias a median of ratios.
    """
    ratio = flux[:, [0, 2]] / flux[:, [1]]
    center = np.median(ratio, axis=0)
    scatter = MAD_TO_SIGMA * np.median(np.abs(ratio - center), axis=0)
    red, blue = (float(v) for v in 1 / center)
    share = _MEDIAN_PRICE * scatter / center / np.sqrt(len(flux))
    return Gains((red, 1.0, blue), (float(red * share[0]), 0.0, float(blue * share[1])), len(flux))


def gains_from_stars(frame: Frame, saturation: float) -> Gains:
    """Gains that make the median star white; stars with a pixel above ``saturation`` are left out."""
    stars, sky = together(
        lambda: find_stars(
            frame.planes, frame.coverage, threshold=_LEAST_SNR, saturation=saturation, crowded_field=False
        ),
        lambda: joint_sky(frame),
    )
    stars = stars.select(~stars.saturated)
    plain = stars.background - np.mean(sky.levels) <= _PLAIN_SKY * np.mean(sky.noise)
    if plain.sum() >= _ENOUGH_STARS:
        stars = stars.select(plain)
    flux = star_colors(frame.planes, stars)
    flux = flux[flux[:, 1] > 0]
    if len(flux) < _FEWEST_STARS or not (np.median(flux, axis=0) > 0).all():
        raise WorkbenchError(
            f"CalibrateColor found {len(flux)} unsaturated stars and needs {_FEWEST_STARS} with light in every "
            "channel; mark a region that should be white, or give the gains"
        )
    return median_ratio(flux)


def gains_from_region(frame: Frame, region: tuple[int, int, int, int]) -> Gains:
    """Gains that make the light above the sky in a region (top, left, height, width) white."""
    top, left, height, width = region
    _, rows, columns = frame.planes.shape
    if top < 0 or left < 0 or height < 1 or width < 1 or top + height > rows or left + width > columns:
        raise WorkbenchError(
            f"CalibrateColor: the region (top {top}, left {left}, height {height}, width {width}) "
            f"does not lie in the frame of {rows} x {columns} pixels"
        )
    box = slice(top, top + height), slice(left, left + width)
    pixels = frame.planes[:, box[0], box[1]].reshape(3, -1).astype(np.float64)
    if frame.covered is not None:
        pixels = pixels[:, frame.covered[box].ravel()]
    light = pixels - np.array(joint_sky(frame).levels)[:, None]
    n = light.shape[1]
    mean, error = (light.mean(axis=1), light.std(axis=1) / np.sqrt(n)) if n else (np.zeros(3), np.ones(3))
    if not (mean > 3 * error).all():
        raise WorkbenchError(
            "CalibrateColor: the region is not brighter than the sky in every channel; mark a brighter white object"
        )
    share = np.hypot(error / mean, error[1] / mean[1])
    red, blue = float(mean[1] / mean[0]), float(mean[1] / mean[2])
    return Gains((red, 1.0, blue), (float(red * share[0]), 0.0, float(blue * share[2])), n)
