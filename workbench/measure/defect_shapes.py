"""Whether a sharp spot has the shape of a defect or that of the frame's own stars.

How sharp a star may be is up to the lens, so no fixed limit tells a hot pixel from a small star. The frame's bright
stars do: each spot is compared with them as they are, and with what a single site of the sensor looks like after
demosaicing and alignment.
"""

from __future__ import annotations

from functools import cache
from itertools import product
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.bad_pixels import MARGIN, RING, BadPixels, ring_level
from workbench.measure.blocks import Planes, in_order, strips
from workbench.measure.local_maxima import is_highest

__all__ = ["FEW_STARS", "Judged", "defects_only"]

_SIDE = 2 * MARGIN + 1
#: Height in units of the noise from which a star's own picture says how stars look.
_BRIGHT = 25.0
#: Neighbors' mean share of the height below which a spot is not taken for a star in the sample, whatever its colors:
#: a hot pixel in all channels is that sharp, and no lens draws so (a Gaussian 1.15 px wide). Stars of eight real gray
#: frames have 0.23, hot pixels 0.00-0.01.
_POINT = 0.12
#: Stars kept per channel as the sample; fewer than `FEW_STARS` say nothing.
_SAMPLE, FEW_STARS = 300, 12
#: Which of the most similar stars counts: one or two of the sample may have a hot pixel on them.
_NTH = 2
#: Error of a shape beside noise, as a share of the height: a star of the sample lies a little elsewhere on its pixel.
_SHAPE_ERROR = 0.05
#: How much worse the stars must fit, in units of the squared error: a likelihood ratio of exp(-3.5), where there is no
#: other color of exp(-5). More where other colors have light at the place, up to so much at `_SHARE` of the spot's own:
#: faint stars of B-V 3.5 have that.
_WORSE, _WORSE_ALONE, _WORSE_SEEN, _SHARE = 7.0, 10.0, 16.0, 0.3
#: A defect beside another one or in the wings of a star leaves more squares, but the stars leave so many times more.
_FAR_WORSE = 3.0
#: Squares that a defect may leave: so many times what noise leaves in a pixel (25 on average), and a share of its
#: height's square, less where no other color speaks. Most small galaxies leave more than 0.1.
_NOISE_LEFT, _SHAPE_LEFT, _SHAPE_LEFT_ALONE = 60.0, 0.07, 0.03
#: In one color a spot must be sharper than this share of what the sharpest stars are: stars on the middle of a pixel.
_SHARPEST, _SHARPER = 0.02, 0.55


class Judged(NamedTuple):
    """Which spots are defects, and how many stars they were compared with, by channel; -1 where there is no spot."""

    defect: NDArray[np.bool_]
    stars: tuple[int, ...]


def defects_only(
    planes: Planes, sigma: NDArray[Any] | list[float], found: BadPixels, coverage: NDArray[Any] | None, *, sharp: float
) -> Judged:
    """Compare spots with the frame's stars and with sites of the sensor.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear light.
    sigma : ndarray, shape (C,), or list of float
        Noise of a pixel.
    found : BadPixels
        Spots that may be defects.
    coverage : ndarray, shape (H, W), optional
        No star is sought where it is 0.
    sharp : float
        Neighbors' mean share of the height up to which a spot was taken.

    Returns
    -------
    Judged
        Where a channel shows fewer than `FEW_STARS` stars, only the fit of a defect counts; in one color such a frame's
        spots must be sharper than any lens draws.
    """
    keep = np.zeros(len(found.x), np.bool_)
    counts = []
    for c in range(len(planes)):
        own = np.flatnonzero(found.channel == c)
        noise = float(np.asarray(sigma)[c])
        stars = _star_shapes(planes, c, np.asarray(sigma, float), coverage, sharp) if noise > 0 and own.size else None
        counts.append(-1 if stars is None else len(stars))
        if stars is None:
            continue
        spots_y, spots_x = found.y[own], found.x[own]
        shape, height = _shapes(planes[c], spots_y, spots_x)
        error = (noise / height) ** 2 + _SHAPE_ERROR**2
        as_defect = _misfit(shape, _sites(), 0)
        alone = len(planes) == 1
        left = _SHAPE_LEFT_ALONE if alone else _SHAPE_LEFT
        good = as_defect < _NOISE_LEFT * (noise / height) ** 2 + left
        if len(stars) >= FEW_STARS:
            as_star = _misfit(shape, stars, _NTH)
            good |= as_star > _FAR_WORSE * as_defect
            seen = np.clip(_other_light(planes, c, spots_y, spots_x) / _SHARE, 0, 1) ** 2
            good &= as_star > as_defect + ((_WORSE_ALONE if alone else _WORSE) + _WORSE_SEEN * seen) * error
        if alone:
            beside = _SHARPER * float(np.quantile(_neighbors(stars), _SHARPEST)) if len(stars) >= FEW_STARS else _POINT
            good &= _neighbors(shape) < beside
        keep[own] = good
    return Judged(keep, tuple(counts))


_AROUND = np.mgrid[-MARGIN : MARGIN + 1, -MARGIN : MARGIN + 1]
_RIM = np.maximum(abs(_AROUND[0]), abs(_AROUND[1])) == MARGIN


def _cut(plane: Planes, y: NDArray[np.int64], x: NDArray[np.int64]) -> NDArray[Any]:
    """5 x 5 pixels around each place, above the median of their rim (N, 5, 5)."""
    cut = plane[y[:, None, None] + _AROUND[0], x[:, None, None] + _AROUND[1]].astype(np.float64)
    return np.asarray(cut - np.median(cut[:, _RIM], axis=1)[:, None, None])


def _shapes(plane: Planes, y: NDArray[np.int64], x: NDArray[np.int64]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Spots (N, 25) above their surroundings, as a share of their height, and these heights (N,)."""
    cut = _cut(plane, y, x)
    height = cut[:, MARGIN, MARGIN]
    return (cut / height[:, None, None]).reshape(len(cut), -1), np.abs(height)


def _neighbors(shape: NDArray[Any]) -> NDArray[Any]:
    cut = shape.reshape(-1, _SIDE, _SIDE)
    m = MARGIN
    return np.asarray((cut[:, m - 1, m] + cut[:, m + 1, m] + cut[:, m, m - 1] + cut[:, m, m + 1]) / 4)


def _other_light(planes: Planes, c: int, y: NDArray[np.int64], x: NDArray[np.int64]) -> NDArray[Any]:
    """Light of the brightest other channel (N,) as a share of that of channel ``c``, weighted as a site is spread."""
    weight = np.outer([0.5, 1, 0.5], [0.5, 1, 0.5])
    lights = []
    for plane in planes:
        cut = _cut(plane, y, x)
        lights.append((cut[:, 1:-1, 1:-1] * weight).sum(axis=(1, 2)))
    own = lights.pop(c)
    return np.asarray(np.max([np.zeros_like(own), *(light / own for light in lights)], axis=0))


def _misfit(shape: NDArray[Any], templates: NDArray[Any], nth: int) -> NDArray[Any]:
    """Squares left (N,) after the template, at its best height, that leaves the least but ``nth``."""
    unit = templates / np.linalg.norm(templates, axis=1)[:, None]
    left = (shape**2).sum(axis=1)[:, None] - np.maximum(shape @ unit.T, 0) ** 2
    return np.asarray(np.partition(left, nth, axis=1)[:, nth])


@cache
def _sites() -> NDArray[Any]:
    """What a site of the sensor looks like (T, 25).

    Alone; as linear demosaicing leaves a red or blue one and a green one; each also moved by quarters of a pixel with
    linear interpolation, as alignment does, and alone with that of Lanczos of three lobes (common practice).
    """
    alone = np.zeros((_SIDE, _SIDE))
    alone[MARGIN, MARGIN] = 1
    color, green = alone.copy(), alone.copy()
    color[1:4, 1:4] = np.outer([0.5, 1, 0.5], [0.5, 1, 0.5])
    green[1:4, 1:4] = [[0, 0.25, 0], [0.25, 1, 0.25], [0, 0.25, 0]]
    offsets = np.arange(_SIDE)[:, None] - np.arange(_SIDE)[None, :]
    out = []
    for dy, dx in product(np.arange(-0.5, 0.51, 0.25), repeat=2):
        linear = [np.maximum(1 - np.abs(offsets - d), 0) for d in (dy, dx)]
        lobes = [np.sinc(offsets - d) * np.sinc((offsets - d) / 3) * (abs(offsets - d) < 3) for d in (dy, dx)]
        out += [linear[0] @ site @ linear[1].T for site in (alone, color, green)]
        out.append(lobes[0] @ alone @ lobes[1].T)
    return np.stack(out).reshape(len(out), -1)


def _star_shapes(
    planes: Planes, c: int, sigma: NDArray[Any], coverage: NDArray[Any] | None, sharp: float
) -> NDArray[Any]:
    """Shapes (N, 25) of bright spots that are stars: seen in another color as well, or wider than a defect is."""
    height = planes.shape[1]
    plane = planes[c]

    def part(rows: tuple[int, int]) -> NDArray[np.int64]:
        top, bottom = max(rows[0] - MARGIN, 0), min(rows[1] + MARGIN, height)
        places = np.empty((4 * _SAMPLE, 2), np.int64)
        n = min(_bright_peaks(plane[top:bottom], np.float32(_BRIGHT * sigma[c]), places), len(places))
        places[:n, 0] += top
        return places[:n]

    y, x = np.concatenate(in_order(part, strips(height))).T
    if coverage is not None:
        covered = coverage[y, x] > 0
        y, x = y[covered], x[covered]
    if not y.size:
        return np.empty((0, _SIDE**2))
    shape, top = _shapes(plane, y, x)
    beside = _neighbors(shape)
    wide = beside > _POINT
    star = (beside > sharp) & (beside < 0.95) if len(planes) > 1 else wide
    unlike = _misfit(shape, _sites(), 0) > 2 * _SHAPE_LEFT_ALONE
    lights = []
    for other in sorted(set(range(len(planes))) - {c}):
        light = _cut(planes[other], y, x)[:, 1:-1, 1:-1].sum(axis=(1, 2))
        own = shape.reshape(-1, _SIDE, _SIDE)[:, 1:-1, 1:-1].sum(axis=(1, 2)) * top
        least = np.where(unlike, 0.15, 0.35) * own
        star |= (light > least) & (light > 10 * sigma[other]) & wide
        lights.append(light)
    if c == 0 and len(lights) == 2:
        # The reddest stars: less green than red and less blue than green. Demosaicing leaves alike in both.
        green, blue = lights
        star |= (green > 0.12 * own) & (green > 10 * sigma[1]) & (blue < 0.6 * green) & wide
    if np.count_nonzero(star) < FEW_STARS <= np.count_nonzero(wide):
        star = wide  # stars of one color, or sites of the sensor: what cannot be told is not filled
    which = np.flatnonzero(star)
    # Spread over the frame and over heights: every so many.
    return shape[which[:: max(1, -(-which.size // _SAMPLE))]]


@kernel
def _bright_peaks(plane: Planes, bound: np.float32, places: NDArray[np.int64]) -> int:
    """Write pixels that are higher than their eight neighbors and ``bound`` above the ring; how many there are."""
    h, w = plane.shape
    ring = np.empty(RING, np.float32)
    n = 0
    for y in range(MARGIN, h - MARGIN):
        for x in range(MARGIN, w - MARGIN):
            v = plane[y, x]
            if not v - min(plane[y, x - 2], plane[y, x + 2]) > bound:
                continue
            if is_highest(plane, y, x, 1) and v - ring_level(plane, y, x, ring) > bound:
                if n < len(places):
                    places[n, 0], places[n, 1] = y, x
                n += 1
    return n
