"""Light that a lens spreads around stars in red and blue but not in green, as it scales with the light of the stars."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.lazy import on_first_use
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage
from workbench.measure.stars.halo_shapes import halo_profile
from workbench.measure.stars.moffat import moffat_gamma, moffat_profile
from workbench.measure.stars.photometry import star_colors
from workbench.measure.stars.sizes import TYPICAL_ALPHA
from workbench.measure.stars.table import Stars
from workbench.measure.statistics import MAD_TO_SIGMA, MEDIAN_PRICE, weighted_median

if TYPE_CHECKING:
    from scipy import spatial
else:
    spatial = on_first_use("scipy.spatial")

__all__ = ["RINGS", "SECTORS", "ColorHalos", "color_halos"]

Floats = NDArray[np.float64]
Index = NDArray[np.int64]

#: Stars that are looked at, the brightest, and fewest that tell a halo.
_MOST, _FEWEST = 400, 10
#: Where the halo begins to be told from the core, and where the ground is read, in FWHM; that in px lies between these.
_FROM, _TO, _NEAREST, _FARTHEST = 1.3, 12.0, 24.0, 64.0
#: Rings from there to there, wider outwards, and how much farther the ring of the ground reaches.
RINGS, _GROUND = 16, 1.25
#: Eighths of a ring, of which the median counts: most of a neighbor or of a nebula's edge lies in few of them. They run
#: from +x towards +y.
SECTORS, _FEWEST_SECTORS = 8, 4
#: Share of a star's own light at a pixel, or of the noise, that light of neighbors may have there; or of its peak.
_NEIGHBORS, _OF_PEAK = 0.1, 3e-5
#: A ring with a pixel from this share of the brightest on is cut off where the star is; so many rings beyond tell its
#: light, and how well they do, as a share.
_CUT_OFF, _BEYOND, _BY_WINGS = 0.8, 3, 0.05
#: From the first to the last of these a star's light falls off at least with this power of the radius: in far wings of
#: the air's blur with 11/3 (Kolmogorov 1941; from memory), on scenes by GalSim with 3.1 to 5.2; a burnt-out core of a
#: galaxy with 1.9.
_FALLS_OFF = 3.0
#: Share of the weight that one star may have; of few stars, one and a half times what it would have of equal ones. With
#: 0.03 nebulae around the brightest stars lose 1 % of their light, with 0.05 5 %.
_HEAVIEST, _OF_FEW = 0.03, 1.5
#: Share by which stars differ in their halo, at least; and the error of one that tells how they differ, at most.
_LEAST_SCATTER, _CLEAR = 0.1, 0.3
#: Share by which a halo differs in one place from the discs that it is told by. Of one halo that the fewest discs leave
#: 14 % of 9 stay; with half of it 11, with none of it a ring of 1.6 times the noise in place of 1.0.
_SHAPE_FREE = 0.5
#: Share by which a star's halo differs from that of all in one place.
_OWN_SHAPE = 0.3
#: Noise of a frame made without any: a quarter of a step of a 16-bit file.
_LEAST_NOISE = 0.25 / 65535
#: A ring counts from this multiple of its error on; the error of a star's profile is at least this, 1/px^2.
_RING_SURE, _LEAST_ERROR = 1.5, 1e-12
#: A halo is the lens's from this share of a star's light and this multiple of its error on, and where stars differ in
#: it by no more than this share.
_LEAST_SHARE, _SURE, _ALIKE = 0.01, 5.0, 0.5


@dataclass(frozen=True, slots=True)
class ColorHalos:
    """Halos of all channels against the middle one, whose own are 0, as are those that too few stars tell.

    Attributes
    ----------
    radius : ndarray, shape (RINGS,)
        Of the rings, px.
    profile : ndarray, shape (RINGS, C)
        Excess over the light that the star has in the channel, 1/px^2; never rising outwards.
    share : ndarray, shape (C,)
        Share of a star's light that it comes to.
    error, scatter : ndarray, shape (C,)
        Standard error of the share, and by which part of it stars differ.
    stars : ndarray, shape (C,), int
        That this rests on.
    light : ndarray, shape (N, C)
        Of each star.
    own : ndarray, shape (M, RINGS, SECTORS, C)
        What the brightest stars have of it, each for itself.
    cut_off : ndarray, shape (N,)
        Radius within which a star is cut off, px; 0 of those that are not saturated.
    fwhm : float
        Of a star, px.
    """

    radius: Floats
    profile: Floats
    share: Floats
    error: Floats
    scatter: Floats
    stars: Index
    light: Floats
    own: Floats
    cut_off: Floats
    fwhm: float

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Channels whose halo is seen, is sure, and is alike around all stars, as a lens's is: (C,)."""
        found = (self.share >= _LEAST_SHARE) & (self.share > _SURE * self.error)
        return np.asarray(found & (self.scatter <= _ALIKE))


@dataclass(frozen=True, slots=True)
class _Rings:
    """What rings around the n brightest stars show.

    Attributes
    ----------
    light, error : ndarray, shape (n, RINGS, C)
        Above that of the ring of the ground, and its error.
    sectors : ndarray, shape (n, RINGS, SECTORS, C)
        The light of each eighth.
    cut_off : ndarray of bool, shape (n, RINGS)
        Where the star is saturated.
    """

    light: Floats
    error: Floats
    sectors: Floats
    cut_off: NDArray[np.bool_]


@kernel
def _sector(dx: float, dy: float) -> int:
    """Eighth of the circle: 0 from +x on towards +y."""
    steep = abs(dy) > abs(dx)
    if dy >= 0:
        return (1 if dx > 0 else 2) if steep else (0 if dx > 0 else 3)
    return (5 if dx <= 0 else 6) if steep else (4 if dx <= 0 else 7)


@kernel
def _ring_sums(
    planes: Planes, coverage: Coverage, x: Floats, y: Floats, light: Floats, start: Index, near: Index, bounds: Floats,
    gamma: float, faint: float, sums: Floats, counts: Floats, top: Floats,
) -> None:  # fmt: skip
    """Sums and counts of the pixels that neighbors leave alone, by sector, and the brightest pixel of each ring."""
    channels, height, width = planes.shape
    far = bounds[-1]
    inverse = 1.0 / (gamma * gamma)
    for i in range(counts.shape[0]):
        for row in range(max(int(np.ceil(y[i] - far)), 0), min(int(np.floor(y[i] + far)) + 1, height)):
            for col in range(max(int(np.ceil(x[i] - far)), 0), min(int(np.floor(x[i] + far)) + 1, width)):
                dx, dy = col - x[i], row - y[i]
                r2 = dx * dx + dy * dy
                if r2 >= far * far or (coverage.size > 0 and coverage[row, col] == 0):
                    continue
                own = light[i] / (1.0 + r2 * inverse) ** 3
                others = 0.0
                for k in range(start[i], start[i + 1]):
                    j = near[k]
                    ex, ey = col - x[j], row - y[j]
                    others += light[j] / (1.0 + (ex * ex + ey * ey) * inverse) ** 3
                if others > max(_NEIGHBORS * max(own, faint), _OF_PEAK * light[i]):
                    continue
                ring = 0
                while r2 >= bounds[ring + 1] * bounds[ring + 1]:
                    ring += 1
                sector = _sector(dx, dy)
                counts[i, ring, sector] += 1.0
                for c in range(channels):
                    sums[i, ring, sector, c] += planes[c, row, col]
                    top[i, ring, c] = max(top[i, ring, c], planes[c, row, col])


def color_halos(planes: Planes, stars: Stars, noise: Floats, coverage: NDArray[np.uint8] | None = None) -> ColorHalos:
    """Halos of each channel against the middle one.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The linear frame.
    stars : Stars
        Found in it, brightest first.
    noise : ndarray, shape (C,)
        Of a pixel by channel.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    ColorHalos

    Notes
    -----
    A star of light F has light F (p(r) + h(r)) in a channel, F p(r) in green. In rings around a star the median over
    eight sectors, less that of the ring of the ground, over F gives p + h and p; their difference is h of that star.
    What belongs to the lens is alike for all stars, bright and faint; a nebula's light is not. So the median over stars
    is taken, no star having more than a thirtieth of the weight, and how far stars differ is told. The light of a
    saturated star is what its outer rings say by the profile of the others, as far as they tell it; of the brightest
    only saturated ones that are less so reach as far.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    noise = np.maximum(noise, _LEAST_NOISE)
    channels, count = len(planes), len(stars)
    sharp = ~stars.saturated
    fwhm = float(np.median(stars.fwhm[sharp][:_MOST])) if sharp.any() else 1.0
    far = float(np.clip(_TO * fwhm, _NEAREST, _FARTHEST))
    bounds = np.concatenate([[0.0], np.linspace(np.sqrt(_FROM * fwhm), np.sqrt(far), RINGS + 1) ** 2, [_GROUND * far]])
    found = ColorHalos(
        radius=np.sqrt((bounds[1:-2] ** 2 + bounds[2:-1] ** 2) / 2),
        profile=np.zeros((RINGS, channels)),
        share=np.zeros(channels),
        error=np.zeros(channels),
        scatter=np.zeros(channels),
        stars=np.zeros(channels, np.int64),
        light=np.zeros((count, channels)),
        own=np.zeros((min(count, _MOST), RINGS, SECTORS, channels)),
        cut_off=np.zeros(count),
        fwhm=fwhm,
    )
    if np.count_nonzero(sharp) < _FEWEST:
        return found
    rings = _rings(planes, cov, stars, bounds, fwhm, noise)
    light = _lights(star_colors(planes, stars, coverage), stars.saturated, rings, found.radius)
    found.light[:] = light
    area = np.pi * np.diff(bounds[1:-1] ** 2)
    area[0] += np.pi * bounds[1] ** 2  # the halo goes on into the core
    for c in range(channels):
        if c != channels // 2:
            _halo(rings, light, bounds, area, c, found)
    at = np.flatnonzero(stars.saturated[: len(rings.light)])
    found.cut_off[at] = bounds[1 + rings.cut_off[at].sum(axis=1)]
    return found


def _rings(planes: Planes, coverage: Coverage, stars: Stars, bounds: Floats, fwhm: float, noise: Floats) -> _Rings:
    n, channels = min(len(stars), _MOST), len(planes)
    at = np.stack([stars.x, stars.y], axis=1)
    beside = [
        np.array([j for j in found if j != i], np.int64)
        for i, found in enumerate(spatial.cKDTree(at).query_ball_point(at[:n], 2 * bounds[-1]))
    ]
    start = np.concatenate([[0], np.cumsum([b.size for b in beside])]).astype(np.int64)
    gamma = moffat_gamma(fwhm, TYPICAL_ALPHA)
    sums = np.zeros((n, RINGS + 2, SECTORS, channels))
    counts = np.zeros((n, RINGS + 2, SECTORS))
    top = np.full((n, RINGS + 2, channels), -np.inf)
    height = stars.flux * moffat_profile(0.0, gamma, TYPICAL_ALPHA)
    _ring_sums(
        planes, coverage, stars.x, stars.y, height, start, np.concatenate(beside), bounds, gamma,
        float(noise.mean()) / np.sqrt(channels), sums, counts, top,
    )  # fmt: skip
    expected = np.pi * np.diff(bounds**2) / SECTORS
    seen = counts > 0.3 * expected[:, None]
    means = np.where(seen[..., None], sums / np.maximum(counts, 1)[..., None], np.nan)
    known = seen.sum(axis=2) >= _FEWEST_SECTORS
    means[~known] = np.nan
    level = np.full((*means.shape[:2], channels), np.nan)
    level[known] = np.nanmedian(means[known], axis=1)
    light = level[:, 1:-1] - level[:, -1:]
    pixels = np.maximum(np.where(seen, counts, 0).sum(axis=2), 1)
    error = MEDIAN_PRICE * noise * np.sqrt(1 / pixels[:, 1:-1] + 1 / pixels[:, -1:])[..., None]
    cut = (top[:, 1:-1] >= _CUT_OFF * top.max(axis=1, keepdims=True)).any(axis=2) & stars.saturated[:n, None]
    sectors = means[:, 1:-1] - level[:, -1:, None]
    return _Rings(light, error, sectors, np.maximum.accumulate(cut[:, ::-1], axis=1)[:, ::-1])


def _falls_off(radius: Floats, light: Floats) -> bool:
    """Whether light in rings falls off as that of a star does; True where it is too faint to tell."""
    return bool(len(radius) < 2 or light[-1] * (radius[-1] / radius[0]) ** _FALLS_OFF <= light[0])


def _lights(light: Floats, saturated: NDArray[np.bool_], rings: _Rings, radius: Floats) -> Floats:
    """Light of stars by channel (N, C), that of saturated ones by their rings; 0 where it is not known."""
    light = np.maximum(light, 0)
    n, middle = len(rings.light), light.shape[1] // 2
    sharp = ~saturated[:n] & (light[:n] > 0).all(axis=1)
    light[saturated] = 0
    if np.count_nonzero(sharp) < _FEWEST:
        return light
    value = rings.light[sharp] / light[:n][sharp][:, None]
    error = rings.error[sharp] / light[:n][sharp][:, None]
    told = np.array([[_median(value[:, k, c], error[:, k, c]) for c in range(value.shape[2])] for k in range(RINGS)])
    profile, sure = told[..., 0], np.maximum(told[..., 1], _LEAST_ERROR)
    # From the least cut off on: each adds what it shows of rings that fainter stars tell badly.
    at = np.flatnonzero(saturated[:n])
    for i in at[np.argsort(rings.cut_off[at].sum(axis=1), kind="stable")]:
        known = ~rings.cut_off[i] & np.isfinite(rings.light[i]).all(axis=1)
        near = np.flatnonzero(known & (profile > _RING_SURE * sure).all(axis=1))[:_BEYOND]
        if not near.size or not _falls_off(radius[near], rings.light[i, near, middle]):
            continue
        light[i] = np.maximum((rings.light[i, near] * profile[near]).sum(axis=0) / (profile[near] ** 2).sum(axis=0), 0)
        if (light[i] > 0).all():
            own = rings.light[i, known] / light[i]
            own_weight = np.hypot(rings.error[i, known] / light[i], _LEAST_SCATTER * own) ** -2.0
            weight = sure[known] ** -2.0
            profile[known] = (weight * profile[known] + own_weight * own) / (weight + own_weight)
            sure[known] = (weight + own_weight) ** -0.5
    return light


def _halo(rings: _Rings, light: Floats, bounds: Floats, area: Floats, c: int, found: ColorHalos) -> None:
    """Write what the rings say of channel ``c``."""
    n, middle = len(rings.light), light.shape[1] // 2
    lit = np.asarray((light[:n, [c, middle]] > 0).all(axis=1))
    known = np.isfinite(rings.light[..., 0]) & ~rings.cut_off & lit[:, None]
    own, green = (np.where(lit, light[:n, k], 1.0)[:, None] for k in (c, middle))
    value = np.where(known, rings.light[..., c] / own - rings.light[..., middle] / green, np.nan)
    error = np.hypot(rings.error[..., c] / own, rings.error[..., middle] / green)
    error = np.hypot(error, _BY_WINGS * np.abs(np.nan_to_num(rings.light[..., middle])) / green)
    told = np.array([_median(value[:, k], error[:, k]) for k in range(RINGS)])
    if not 0 < told[0, 1] < np.inf:
        return
    profile = halo_profile(bounds, found.fwhm, told[:, 0], told[:, 1])
    shown = _held(profile, _SHAPE_FREE * profile, told[:, 0], told[:, 1])
    profile = np.minimum.accumulate(np.maximum(shown, 0))
    seen = known & (profile > 0)
    among = seen.any(axis=1)
    if np.count_nonzero(among) < _FEWEST:
        return
    # How much of the halo each star has, and the stars as a whole.
    weight = np.where(seen, error**-2.0, 0)[among]
    norm = (weight * profile**2).sum(axis=1)
    much = (weight * profile * np.nan_to_num(value[among])).sum(axis=1) / norm
    much_error = norm**-0.5
    center, center_error = _median(much, np.hypot(much_error, _LEAST_SCATTER))
    center = max(center, 0.0)
    scatter = _scatter(much - center, much_error)
    found.profile[:, c] = profile * center
    found.share[c], found.error[c] = np.array([center, center_error]) * (profile @ area)
    found.scatter[c], found.stars[c] = scatter, much.size
    # What each has: its rings, held to those of all by how far stars differ. Never more than all have, for that is a
    # nebula's; and where a sector has less, that, so that no ring is dug.
    spread = max(scatter, _LEAST_SCATTER)
    share = (center / spread**2 + much / much_error**2) / (spread**-2.0 + much_error**-2.0)
    held = np.full(n, center)
    held[among] = np.clip(share, 0, center)
    ring = np.clip(_held(held[:, None] * profile, _OWN_SHAPE * profile, value, error), 0, center * profile)
    of_sector = rings.sectors[..., c] / own[..., None] - rings.sectors[..., middle] / green[..., None]
    of_sector[~known] = np.nan
    error = np.sqrt(SECTORS) * error[..., None]
    sector = _held(ring[..., None], _OWN_SHAPE * np.broadcast_to(profile[:, None], of_sector.shape), of_sector, error)
    found.own[..., c] = np.clip(sector, 0, ring[..., None])


def _scatter(apart: Floats, error: Floats) -> float:
    """Standard deviation of what is told well, without its errors."""
    clear = error < _CLEAR
    if not clear.any():
        return 0.0
    seen = MAD_TO_SIGMA * float(np.median(np.abs(apart[clear])))
    return float(np.sqrt(max(seen**2 - float(np.median(error[clear])) ** 2, 0.0)))


def _held(expected: Floats, spread: Floats, value: Floats, error: Floats) -> Floats:
    """Values held to what is expected, by their errors and by how far it holds."""
    weight = spread**2 / (spread**2 + error**2)
    return np.where(np.isfinite(value), expected + weight * (np.nan_to_num(value) - expected), expected)


def _median(values: Floats, error: Floats) -> tuple[float, float]:
    """Median by weights 1 / error^2, none above a thirtieth, and its error; (0, inf) of fewer than `_FEWEST`."""
    known = np.isfinite(values)
    if np.count_nonzero(known) < _FEWEST:
        return 0.0, np.inf
    v, w = values[known], error[known] ** -2.0
    for _ in range(5):
        w = np.minimum(w, max(_HEAVIEST, _OF_FEW / v.size) * w.sum())
    center = weighted_median(v, w)
    spread = MAD_TO_SIGMA * weighted_median(np.abs(v - center), w)
    return center, MEDIAN_PRICE * spread * float(np.sqrt((w**2).sum()) / w.sum())
