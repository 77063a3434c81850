"""The common profile of stars: many radial profiles put on one scale, and a Moffat fit to their median."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.lazy import on_first_use
from workbench.measure.blocks import Coverage, Planes
from workbench.measure.statistics import count_below

if TYPE_CHECKING:
    from scipy import optimize
else:
    optimize = on_first_use("scipy.optimize")

__all__ = ["Profile", "fit_profile"]

Floats = NDArray[np.float64]

#: Radial bins in units of a star's FWHM, and how many stars a bin needs.
_EDGES = np.concatenate([np.arange(0, 1.5, 0.1), np.arange(1.5, 3.6, 0.25)])
_FEWEST = 5
#: From here on outwards lie a star's surroundings.
_OUTER = 2.7
_ALPHA_RANGE = (1.3, 50.0)
_FIRST_ALPHA = 3.0
_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class Profile:
    """A Moffat fit in units of the FWHM that each star was given: ``stretch`` = true over given FWHM."""

    stretch: float
    alpha: float


@kernel
def _radial(
    planes: Planes,
    coverage: Coverage,
    xs: Floats,
    ys: Floats,
    widths: Floats,
    elongation: Floats,
    angle: Floats,
    edges: Floats,
    sums: Floats,
    radii: Floats,
    counts: Floats,
) -> None:
    """Sums of pixels, radii and pixel counts in elliptical rings around each star; ``angle`` in radians."""
    channels, h, w = planes.shape
    masked = coverage.size > 0
    bins = edges.size - 1
    for k in range(xs.size):
        x, y, fwhm = xs[k], ys[k], widths[k]
        root = np.sqrt(elongation[k])
        c, s = np.cos(angle[k]), np.sin(angle[k])
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
                b = count_below(edges, edges.size, r, True) - 1
                value = 0.0
                for q in range(channels):
                    value += planes[q, i, j]
                if b < bins:
                    sums[k, b] += value / channels
                    radii[k, b] += r
                    counts[k, b] += 1


def fit_profile(
    planes: Planes, coverage: Coverage, x: Floats, y: Floats, fwhm: Floats, elongation: Floats, angle_deg: Floats
) -> Profile:
    """Fit a Moffat profile to the stars' median radial profile.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Channels are averaged.
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    x, y, fwhm, elongation, angle_deg : ndarray, shape (N,), float64
        Place and FWHM in pixels, longer over shorter axis and its direction, of bright, unsaturated stars.

    Returns
    -------
    Profile
        The first guess when there are fewer than five stars.
    """
    sums, radii, counts = (np.zeros((x.size, _EDGES.size - 1)) for _ in range(3))
    x, y, fwhm, elongation, angle = (np.ascontiguousarray(v) for v in (x, y, fwhm, elongation, np.deg2rad(angle_deg)))
    _radial(planes, coverage, x, y, fwhm, elongation, angle, _EDGES, sums, radii, counts)
    seen = counts > 0
    value, r = np.full(sums.shape, np.nan), np.full(sums.shape, np.nan)
    np.divide(sums, counts, out=value, where=seen)
    np.divide(radii, counts, out=r, where=seen)
    # Each star by itself: above its own surroundings, and on the scale of its own light within one FWHM.
    outer, inner = _EDGES[:-1] >= _OUTER, _EDGES[1:] <= 1.0 + 1e-9
    complete = seen[:, outer].any(axis=1) & seen[:, inner].any(axis=1)
    if np.count_nonzero(complete) < _FEWEST:
        return Profile(1.0, _FIRST_ALPHA)
    value, r, counts = value[complete], r[complete], counts[complete]
    value -= np.nanmedian(value[:, outer], axis=1, keepdims=True)
    found = Profile(1.0, _FIRST_ALPHA)
    for _ in range(_ROUNDS):
        shape = _relative(r, found.stretch, found.alpha)
        light = np.nansum((value * counts)[:, inner], axis=1) / np.nansum((shape * counts)[:, inner], axis=1)
        good = light > 0
        if np.count_nonzero(good) < _FEWEST:
            return found
        found = _fit_median(value[good] / light[good, None], r[good])
    return found


def _relative(r: Floats, fwhm: float, alpha: float) -> Floats:
    """Moffat profile over its height."""
    return np.asarray((1 + 4 * (2 ** (1 / alpha) - 1) * (r / fwhm) ** 2) ** -alpha)


def _fit_median(value: Floats, r: Floats) -> Profile:
    """Fit the median over stars, which leaves out neighbors; bins are narrow, so medians of both belong together."""
    enough = np.isfinite(value).sum(axis=0) >= _FEWEST
    value, r = np.nanmedian(value[:, enough], axis=0), np.nanmedian(r[:, enough], axis=0)

    def miss(p: Floats) -> Floats:
        height, fwhm, alpha, sky = p
        return np.asarray(height * _relative(r, fwhm, alpha) + sky - value)

    fit = optimize.least_squares(
        miss,
        [1.0, 1.0, _FIRST_ALPHA, 0.0],
        bounds=([0.2, 0.4, _ALPHA_RANGE[0], -0.1], [5.0, 2.5, _ALPHA_RANGE[1], 0.1]),
        x_scale=[1.0, 1.0, 1.0, 0.01],
    )
    return Profile(float(fit.x[1]), float(fit.x[2]))
