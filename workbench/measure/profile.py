"""The common profile of stars: many radial profiles put on one scale, and a Moffat fit to their median."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from workbench.compiled import kernel
from workbench.measure.blocks import Coverage, Planes

__all__ = ["Profile", "fit_profile"]

Floats = NDArray[np.float64]

#: Radial bins in units of a star's FWHM, and how many stars a bin needs.
_EDGES = np.concatenate([np.arange(0, 1.5, 0.1), np.arange(1.5, 3.6, 0.25)])
_FEWEST = 5
_ALPHA_RANGE = (1.3, 12.0)
_FIRST_ALPHA = 3.0


@dataclass(frozen=True, slots=True)
class Profile:
    """A Moffat fit in units of the FWHM that each star was given: ``stretch`` = true over given FWHM."""

    stretch: float
    alpha: float


@kernel
def _radial(
    planes: Planes, coverage: Coverage, stars: Floats, edges: Floats, sums: Floats, radii: Floats, counts: Floats
) -> None:
    """Sums of pixels, radii and pixel counts in elliptical rings: stars (N, 6) are x, y, fwhm, elongation, angle, sky."""
    channels, h, w = planes.shape
    masked = coverage.size > 0
    bins = edges.size - 1
    for k in range(stars.shape[0]):
        x, y, fwhm = stars[k, 0], stars[k, 1], stars[k, 2]
        root = np.sqrt(stars[k, 3])
        c, s = np.cos(stars[k, 4]), np.sin(stars[k, 4])
        radius = int(np.ceil(edges[-1] * fwhm * root)) + 1
        for i in range(max(int(y) - radius, 0), min(int(y) + radius + 2, h)):
            for j in range(max(int(x) - radius, 0), min(int(x) + radius + 2, w)):
                if masked and coverage[i, j] == 0:
                    continue
                dx, dy = j - x, i - y
                u, v = (dx * c + dy * s) / root, (dy * c - dx * s) * root
                r = np.sqrt(u * u + v * v) / fwhm
                if r >= edges[-1]:
                    continue
                b = int(np.searchsorted(edges, r, side="right")) - 1
                value = 0.0
                for q in range(channels):
                    value += planes[q, i, j]
                if b < bins:
                    sums[k, b] += value / channels - stars[k, 5]
                    radii[k, b] += r
                    counts[k, b] += 1


def fit_profile(planes: Planes, coverage: Coverage, stars: Floats, flux: Floats) -> Profile:
    """Fit a Moffat profile to the stars' median radial profile.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    stars : ndarray, shape (N, 6), float64
        x, y, FWHM, elongation, angle (radians), local background: bright, unsaturated stars.
    flux : ndarray, shape (N,), float64
        Light of each, to put them on one scale.
    """
    if len(stars) < _FEWEST:
        return Profile(1.0, _FIRST_ALPHA)
    sums, radii, counts = (np.zeros((len(stars), _EDGES.size - 1)) for _ in range(3))
    _radial(planes, coverage, stars, _EDGES, sums, radii, counts)
    seen = counts > 0
    scale = stars[:, 2] ** 2 / flux
    value = np.where(seen, sums / np.maximum(counts, 1) * scale[:, None], np.nan)
    r = np.where(seen, radii / np.maximum(counts, 1), np.nan)
    enough = seen.sum(axis=0) >= min(_FEWEST, len(stars))
    # The median over stars leaves out neighbours; bins are narrow, so mean radius and median value belong together.
    value, r = np.nanmedian(value[:, enough], axis=0), np.nanmedian(r[:, enough], axis=0)

    def miss(p: Floats) -> Floats:
        height, fwhm, alpha, sky = p
        q = 4 * (2 ** (1 / alpha) - 1)
        model = height * (1 + q * (r / fwhm) ** 2) ** -alpha + sky
        return np.asarray((model - value) / top)

    top = max(float(value.max()), 1e-30)
    fit = least_squares(
        miss,
        [top, 1.0, _FIRST_ALPHA, 0.0],
        bounds=([0.1 * top, 0.4, _ALPHA_RANGE[0], -0.1 * top], [10 * top, 2.5, _ALPHA_RANGE[1], 0.1 * top]),
        x_scale=[top, 1.0, 1.0, 0.01 * top],
    )
    return Profile(float(fit.x[1]), float(fit.x[2]))
