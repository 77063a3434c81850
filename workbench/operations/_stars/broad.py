"""Sources broader than the field's stars: small galaxies and knots, whose light is no star's and stays.

The learned method sees 96 pixels and takes much of what is small and bright for a star. How wide the stars of a frame
are is known better from all of them: a peak that is broader along its shorter axis, also once neighbors are taken out
of it, is none.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import Coverage, Planes, checked_coverage, in_order
from workbench.measure.stars import find_stars
from workbench.measure.stars.detect import find_candidates
from workbench.measure.stars.saturated import saturation_levels, tops
from workbench.measure.stars.sizes import sizes_of
from workbench.measure.statistics import MAD_TO_SIGMA
from workbench.operations.base import Tile

__all__ = ["LARGEST_RADIUS", "BroadSources", "find_broad", "give_back"]

Floats = NDArray[np.float64]

#: Signal-to-noise ratio of a peak, and from which one can be told broader than a star.
_FOUND, _CLEAR = 4.5, 30.0
#: What is wider than the field's stars by more than this share, or than so many times their own scatter, and by
#: `_FAINT_WIDER` over its signal-to-noise ratio, is no star; its moments, which neighbors widen, must show more, by
#: `_WIDE_AT_ALL[0]` and `_WIDE_AT_ALL[1]` over that ratio. On 50 scenes of GalSim (seeds 500, 91000, 93000, 95000 and
#: 96000 of ``benchmarks/stars_apart.py``, 36,700 peaks) 186 galaxies and knots are told so, two with stars half
#: as bright on them, and no star; in five globular clusters one clump of stars.
_WIDER, _SCATTERED, _FAINT_WIDER = 0.04, 1.5, 1.5
_WIDE_AT_ALL = (0.1, 3.5)
#: Stars that tell how wide a star looks: so many at least and at most, no longer than this share of the field's.
_FEWEST, _MOST = 10, 40
_LONGEST, _ALIKE = 1.15, 0.06
#: Stars wider than this (standard deviation, px) are out of focus: their peaks are grain.
_WIDE = 4.0
#: Window (standard deviation) and half side of the square in which a width is measured, in FWHM of the field.
_WINDOW, _HALF = 0.6, 1.6
#: How far a source reaches, in its own FWHM, and the share of that over which it fades; px.
_REACHES, _FADE = 2.0, 0.4
LARGEST_RADIUS = 38.0
#: Light is given back up to so many times what lies opposite it about the source's center, and so much of the noise
#: more: what a neighbor has beyond that is a star's.
_OPPOSITE, _MORE = 1.2, 0.5
#: Inner radius and width of the ring that tells the ground, in radii of the source.
_RING = (0.8, 1.2)


class BroadSources(NamedTuple):
    """Sources that are no stars.

    Attributes
    ----------
    x, y : ndarray, shape (N,), float64
        Pixels.
    radius : ndarray, shape (N,), float64
        How far their light is given back, pixels.
    ground : ndarray, shape (N, C), float64
        Light around them.
    """

    x: Floats
    y: Floats
    radius: Floats
    ground: Floats


def find_broad(planes: Planes, coverage: Coverage | None) -> tuple[int, BroadSources | None]:
    """How many peaks a frame has that may be stars, and the bright ones among them that are too broad.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear.
    coverage : ndarray, shape (H, W), uint8, or None
        0 where a pixel means nothing.

    Returns
    -------
    int
    BroadSources or None
        None where how wide stars are cannot be told: too few are clear, or they are far out of focus.
    """
    channels, height, width = planes.shape
    cov = checked_coverage(coverage, height, width)
    found = find_candidates(planes, cov, _FOUND)
    snr = found.snr
    count = len(found.table) or len(find_stars(planes, coverage))
    if found.widths.size < _FEWEST or np.median(found.widths) > _WIDE:
        return count, None
    x, y = (np.ascontiguousarray(found.table[axis]) for axis in ("x", "y"))
    top, low = tops(planes, cov, x, y)
    whole = np.asarray(~(top >= saturation_levels(planes, top, low, None)).any(axis=1))
    sizes = sizes_of(planes, cov, found, whole)
    across, along = (sizes.fwhm * sizes.elongation**power / sizes.field for power in (-0.5, 0.5))
    half = np.ceil(_HALF * sizes.field)
    inside = (x >= half) & (y >= half) & (x < width - half) & (y < height - half)
    clear = np.flatnonzero(whole & inside & (snr >= _CLEAR))

    def narrower_axis(i: int) -> float:
        return _narrower_axis(planes, x[i], y[i], found.table["background"][i], sizes.field[i])

    usual = np.median(across[clear]) if clear.size else 1.0
    alike = clear[(np.abs(across[clear] / usual - 1) < _ALIKE) & (along[clear] < _LONGEST)]
    alike = alike[np.argsort(-snr[alike], kind="stable")[:_MOST]]
    if alike.size < _FEWEST:
        return count, None
    stars = np.array(in_order(narrower_axis, list(alike)))
    star = float(np.median(stars))
    # Only those narrower than the median tell the scatter of stars: among the wider are those that are none.
    scatter = MAD_TO_SIGMA * float(np.median(1 - stars[stars <= star] / star))
    wider = max(_WIDER, _SCATTERED * scatter)
    most = 1 + wider + _FAINT_WIDER / np.maximum(snr, 1.0)
    doubtful = clear[across[clear] > 1 + _WIDE_AT_ALL[0] + _WIDE_AT_ALL[1] / snr[clear]]
    shares = np.array(in_order(narrower_axis, list(doubtful))) / star
    broad = doubtful[shares > most[doubtful]]
    long = sizes.fwhm[broad] * np.sqrt(sizes.elongation[broad])
    radius = np.minimum(_REACHES * long, LARGEST_RADIUS)
    # A bump in something burnt out is not its middle, and nothing about it would be opposite.
    burnt = np.hypot(x[broad, None] - x[~whole], y[broad, None] - y[~whole]).min(axis=1, initial=np.inf)
    broad, radius = broad[burnt > radius], radius[burnt > radius]
    places = list(zip(x[broad], y[broad], radius, strict=True))
    ground = np.array([_ground(planes, *place) for place in places]).reshape(-1, channels)
    return count, BroadSources(x[broad], y[broad], radius, ground)


def _narrower_axis(planes: Planes, x: float, y: float, background: float, field: float) -> float:
    """Width of a source along its shorter axis, without what is on one side of it only, over that of its window."""
    half = int(np.ceil(_HALF * field))
    y0, x0 = max(round(y) - half - 1, 0), max(round(x) - half - 1, 0)
    square = planes[:, y0 : y0 + 2 * half + 3, x0 : x0 + 2 * half + 3].mean(axis=0)
    stamp = cv2.getRectSubPix(square, (2 * half + 1, 2 * half + 1), (float(x - x0), float(y - y0))) - background
    stamp = np.minimum(stamp, stamp[::-1, ::-1])
    dy, dx = np.mgrid[-half : half + 1, -half : half + 1] / (_WINDOW * field)
    light = stamp * np.exp(-0.5 * (dx * dx + dy * dy))
    total = light.sum()
    if total <= 0:
        return 0.0
    xx, yy, xy = ((light * product).sum() / total for product in (dx * dx, dy * dy, dx * dy))
    narrower = 0.5 * (xx + yy) - np.hypot(0.5 * (xx - yy), xy)
    return float(np.sqrt(max(narrower, 0.0)))


def _ground(planes: Planes, x: float, y: float, radius: float) -> Floats:
    """Median of each channel in a ring around a source."""
    inner, outer = (share * radius for share in _RING)
    y0, x0 = max(int(y - outer), 0), max(int(x - outer), 0)
    part = planes[:, y0 : int(y + outer) + 1, x0 : int(x + outer) + 1]
    rows, columns = np.ogrid[y0 : y0 + part.shape[1], x0 : x0 + part.shape[2]]
    distance = np.hypot(rows - y, columns - x)
    return np.asarray(np.median(part[:, (distance >= inner) & (distance <= outer)], axis=1), np.float64)


def give_back(
    taken: NDArray[np.float32], tile: Tile, beside: int, sources: BroadSources, noise: NDArray[np.float32]
) -> None:
    """Leave what was taken of sources that are no stars where it was; what neighbors have beyond that is still taken.

    Parameters
    ----------
    taken : ndarray, shape (C, h, w), float32
        Light taken off the tile's core and ``beside`` pixels around it, in units of the noise; changed in place.
    tile : Tile
        Its pixels reach farther: what lies opposite is looked up there.
    beside : int
    sources : BroadSources
        In pixels of the frame at hand.
    noise : ndarray, shape (C,), float32
    """
    _, height, width = taken.shape
    y0, x0, margin = tile.core.y0 - beside, tile.core.x0 - beside, tile.reach - beside
    near = (sources.y + sources.radius > y0) & (sources.y - sources.radius < y0 + height)
    near &= (sources.x + sources.radius > x0) & (sources.x - sources.radius < x0 + width)
    for i in np.flatnonzero(near):
        x, y, radius = sources.x[i] - x0, sources.y[i] - y0, sources.radius[i]
        rows = np.arange(max(int(np.ceil(y - radius)), 0), min(int(np.floor(y + radius)), height - 1) + 1)
        columns = np.arange(max(int(np.ceil(x - radius)), 0), min(int(np.floor(x + radius)), width - 1) + 1)
        if not (rows.size and columns.size):
            continue
        share = np.clip((radius - np.hypot(rows[:, None] - y, columns - x)) / (_FADE * radius), 0, 1)
        here = np.s_[:, rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        top, left = (round(2 * at) - line[-1] + margin for at, line in ((y, rows), (x, columns)))
        opposite = tile.pixels[:, top - 1 : top + rows.size + 1, left - 1 : left + columns.size + 1][:, ::-1, ::-1]
        # The mean of 3 x 3 is calmer, and lower on a peak.
        calm = np.stack([cv2.blur(np.ascontiguousarray(plane), (3, 3)) for plane in opposite])
        ground = sources.ground[i].astype(np.float32)[:, None, None]
        above = np.maximum(np.maximum(opposite, calm)[:, 1:-1, 1:-1] - ground, 0) / noise[:, None, None]
        light = np.minimum(taken[here], np.float32(_OPPOSITE) * above + np.float32(_MORE))
        taken[here] -= light * (share * share * (3 - 2 * share)).astype(np.float32)
