"""Channel gains from what should be white: the average star, or a region."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.measure.blocks import together
from workbench.measure.stars import Stars, find_stars, star_colors
from workbench.measure.stars.apertures import aperture_light
from workbench.measure.statistics import MAD_TO_SIGMA, MEDIAN_PRICE, shortest_interval
from workbench.operations._frames import joint_sky
from workbench.operations.base import Frame

if TYPE_CHECKING:
    from scipy import spatial
else:
    spatial = on_first_use("scipy.spatial")

__all__ = [
    "BLUE_PER_BV",
    "POPULATION_BV",
    "RED_PER_BV",
    "Gains",
    "gains_from_region",
    "gains_from_stars",
    "growth",
    "median_ratio",
]

Doubles = NDArray[np.float64]
Triple = tuple[float, float, float]

_FEWEST_STARS = 12  #: without which there is no white: the error of a median of so many is a third of their scatter
#: Share of the stars whose widths lie closest together: the field's stars, where knots and galaxies are up to three
#: fourths of what is found. How far a star's width (natural logarithm) may be from theirs, beside its noise: blur that
#: grows toward the corners is within, knots of an independent scene begin at 0.12.
_CLOSEST, _ALIKE = 0.25, 0.1
#: Scatter of the ratios of light, over their median, that stars do not have: populations of B-V -0.3 to 2 have 0.25,
#: with noise at the faintest 0.4; hot pixels in single channels have over 1.
_MOST_APART = 0.8
#: Signal-to-noise ratio of stars that are asked for their color. Measured on simulated fields: 10 gives gains within
#: 1.7 %; 25 and 40 have too few stars, 5 lets noise in (each up to 3 %).
_LEAST_SNR = 10.0
#: With this many stars on plain sky (background within so many times the noise), those on nebulae are left out:
#: dust in them reddens what lies behind.
_ENOUGH_STARS, _PLAIN_SKY = 100, 3.0
#: How far the average star of a field may be from the Sun in B-V, as a standard deviation, and what a magnitude of it
#: does to ln(red / green) and ln(blue / green) of black bodies at 610, 535 and 465 nm between 4400 and 9900 K
#: (temperatures by Ballesteros 2012, EPL 97, 34008). 0.45 holds fields of red giants (B-V 1.15) and of young clusters
#: (0.0) within two of it; half would leave them out, double would say nothing.
POPULATION_BV = 0.45
RED_PER_BV, BLUE_PER_BV = 0.37, 0.45
#: Stars that say how much light lies outside of the window in each channel: the brightest that stand alone; with fewer
#: than `_FEWEST_LONE` the loss is taken as equal, give or take `_UNKNOWN_SHARPNESS` (lenses: 11 to 27 % were seen).
_MOST_LONE, _FEWEST_LONE, _UNKNOWN_SHARPNESS = 60, 5, 0.1
#: Radius of the disk that holds a star's light, and width of the ring of sky around it, in FWHM of the average channel:
#: 2.5 loses 2 to 3 % of a channel 1.4 times as wide; 8 would find hardly a star that stands alone.
_DISK, _RING = 4.0, 1.0
#: Spread of what channels of lenses lose to each other beside the one window; 0.27 was the most seen. Half as much
#: makes gains an eighth more wrong (24 scenes with channels up to 1.35 times as wide); without it a field without clear
#: stars gets any gain.
_SHARPNESS_OF_LENSES = 0.2
#: A star stands alone where no other has more than this share of its light.
_BESIDE = 0.02
#: Error of a star's light that is believed at least, as a share of the brightest one's: a frame may hold no noise.
_LEAST_ERROR = 1e-6
#: A star whose share is farther from the median than so many median distances has something beside it.
_MOST_OFF = 4.0


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
    share = MEDIAN_PRICE * scatter / center / np.sqrt(len(flux))
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
    stars = stars.select(_shaped_alike(stars))
    plain = stars.background - np.mean(sky.levels) <= _PLAIN_SKY * np.mean(sky.noise)
    if plain.sum() >= _ENOUGH_STARS:
        stars = stars.select(plain)
    flux = star_colors(frame.planes, stars, frame.coverage)
    outside, unsure = growth(frame, stars, flux)
    flux = flux[flux[:, 1] > 0] * outside
    if len(flux) < _FEWEST_STARS or not (np.median(flux, axis=0) > 0).all():
        raise WorkbenchError(
            f"CalibrateColor found {len(flux)} unsaturated stars and needs {_FEWEST_STARS} with light in every "
            "channel; mark a region that should be white, or give the gains"
        )
    found = median_ratio(flux)
    apart = max(found.uncertainty[c] / found.gains[c] for c in (0, 2)) * np.sqrt(len(flux)) / MEDIAN_PRICE
    if apart > _MOST_APART:
        raise WorkbenchError(
            f"CalibrateColor found {len(flux)} points of light, but their colors have nothing in common, as those of "
            "stars have (hot pixels are single colors); mark a region that should be white, or give the gains"
        )
    population = (RED_PER_BV * POPULATION_BV, 0.0, BLUE_PER_BV * POPULATION_BV)
    red, green, blue = (
        float(np.sqrt(u**2 + (g * e) ** 2 + (g * p) ** 2))
        for u, g, e, p in zip(found.uncertainty, found.gains, unsure, population, strict=True)
    )
    return found._replace(uncertainty=(red, green, blue))


def _shaped_alike(stars: Stars) -> NDArray[np.bool_]:
    """Which are as wide as the field's stars; all where too few are.

    Stars of a field are alike in width, up to noise; knots of nebulae and galaxies are wider, each in its own way, and
    what is left of hot pixels is narrower. The field's width is where widths lie closest.
    """
    if len(stars) < _FEWEST_STARS:
        return np.ones(len(stars), bool)
    width = np.log(np.maximum(stars.fwhm, 1e-3))
    low, high = shortest_interval(width, _CLOSEST)
    alike = np.abs(width - 0.5 * (low + high)) <= _ALIKE + 1 / np.maximum(stars.snr, 1)
    return alike if np.count_nonzero(alike) >= _FEWEST_STARS else np.ones(len(stars), bool)


def growth(frame: Frame, stars: Stars, flux: Doubles) -> tuple[Doubles, Doubles]:
    """All light of a star over the light under the window, for each channel, over that of green; and how sure.

    A channel that is less sharp has less of its light under the one window that all channels share. The brightest
    stars that stand alone tell how much less: light in a wide disk over light under the window (curve of growth,
    Howell 1989, PASP 101, 616), the mean over them, weighted by the square of signal over noise in the disk.

    Returns
    -------
    growth, error : ndarray, shape (3,)
        Green is 1, with error 0.
    """
    one = np.ones(3), np.array([_UNKNOWN_SHARPNESS, 0.0, _UNKNOWN_SHARPNESS])
    if len(stars) < _FEWEST_LONE:
        return one
    fwhm = float(np.median(stars.fwhm))
    disk, ring = _DISK * fwhm, _RING * fwhm + 1
    lone = _lone(frame, stars, flux, disk, disk + ring)
    if lone.size < _FEWEST_LONE:
        return one
    wide = aperture_light(frame.planes, stars.x[lone], stars.y[lone], radius=disk, ring=ring)
    found = wide.light / flux[lone]
    noise = np.maximum(wide.error, _LEAST_ERROR * flux[lone].max()) / flux[lone]
    if not (np.median(found, axis=0) > 0).all():
        return one
    share = found / found[:, 1:2]
    off = np.abs(share - np.median(share, axis=0))
    alike = (off <= _MOST_OFF * (np.median(off, axis=0) + 1e-6)).all(axis=1)
    weight = np.where(alike, 1 / noise.max(axis=1) ** 2, 0.0)[:, None]
    green = (weight * found[:, 1:2]).sum()
    if not green > 0:
        return one
    growth = (weight * found).sum(axis=0) / green
    # By the scatter of the stars or by the noise of each, whichever says more: few bright ones scatter too little.
    scatter, noise = weight * (share - growth), weight * np.hypot(noise, noise[:, 1:2]) / np.median(found[:, 1])
    error = np.sqrt(np.maximum((scatter**2).sum(axis=0), (noise**2).sum(axis=0))) / weight.sum()
    # What is measured counts against what lenses are like, so that thin evidence changes little.
    error[1], known = 0.0, _SHARPNESS_OF_LENSES**2 / (_SHARPNESS_OF_LENSES**2 + error**2)
    return 1 + known * (growth - 1), np.asarray(error * np.sqrt(known))


def _lone(frame: Frame, stars: Stars, flux: Doubles, disk: float, reach: float) -> NDArray[np.int64]:
    """The brightest stars that have the frame to themselves within ``reach`` px and no other's disk there."""
    _, height, width = frame.planes.shape
    x, y = stars.x, stars.y
    inside = (x > reach) & (x < width - 1 - reach) & (y > reach) & (y < height - 1 - reach)
    near = spatial.cKDTree(np.c_[x, y])
    lone: list[int] = []
    for k in np.argsort(-flux.min(axis=1)):
        if not inside[k] or flux[k].min() <= 0:
            continue
        beside = [j for j in near.query_ball_point((x[k], y[k]), disk + reach) if j != k]
        rows, columns = (slice(int(at - reach), int(at + reach) + 2) for at in (y[k], x[k]))
        whole = frame.covered is None or frame.covered[rows, columns].all()
        if whole and not (flux[beside, 1] > _BESIDE * flux[k, 1]).any():
            lone.append(int(k))
        if len(lone) == _MOST_LONE:
            break
    return np.array(lone, np.int64)


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
