"""Noise of a plane: per pixel, per starlet scale, and how far neighboring pixels share it.

How it works
------------
Noise that demosaicing and aligning have smoothed is not white: what differs from pixel to pixel is less than the
noise there is. So its *autocovariance* is measured, up to a few pixels, in cells of about the sky's brightness, with
stars masked and the smooth background taken off. What light there is under it (nebulae, unresolved stars) is smooth
over those few pixels, so it lifts the covariance at all lags alike: the value at the longest lags is subtracted.
The covariance at lag 0 is the variance of a pixel, and with the filters' own autocorrelation it gives the noise of
every starlet scale, also of those where structure would hide it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.lazy import on_first_use
from workbench.measure import starlet
from workbench.measure.background.mesh import BackgroundMesh, background_mesh
from workbench.measure.blocks import Coverage, Plane, Planes, as_plane, as_planes, checked_coverage
from workbench.measure.filters import box, gaussian
from workbench.measure.statistics import MAD_TO_SIGMA, closest, mad_sigma

if TYPE_CHECKING:
    from scipy import fft
else:
    fft = on_first_use("scipy.fft")

__all__ = ["Noise", "noise", "noises", "quick_noise"]

Floats = NDArray[np.float64]

_SCALES = 5  #: of the starlet, whose covariance is told
_CELL = 64  #: px of a side: of 4096 independent values a standard deviation is known to 1.1 %
_MOST_CELLS = 72  #: that are measured: time grows with them
#: Share of the cells, those of the most common brightness, that are looked at.
_COMMON = 0.4
#: Longest lag (px) of the covariance, and the lags from which on only structure is left.
_LAGS = 9
_STRUCTURE = (3.5, 9.5)
#: Share of the cells looked at, those of least structure, that are believed.
_QUIET = 0.25
#: Pixels around a cell that its background and star mask look at.
_HALO = 24
_BINNED = 8
#: From how many standard deviations of a blurred cell on something stands out of the noise.
_OUTSTANDING = 3.5
#: Clipping of outliers, and the share of a normal variance that lies inside.
_CLIP = 4.0
_CLIPPED_SHARE = 0.998865
#: Share of a cell that must be free of stars.
_FREE = 0.3
#: Pixels from each to the next of three: farther than demosaicing and aligning carry noise, nearer than structure.
_APART = 5
#: Pixels of a channel that its noise is quickly read from, in stretches of a row; the share of these that is quieter.
_QUICK_SAMPLES, _STRETCH, _CALMER = 400_000, 128, 0.3
#: Pixels of a frame from which on every eighth row and column, in place of every fourth, tells which cells to look at.
_LARGE = 8_000_000


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of a plane where it is as bright as the sky.

    Attributes
    ----------
    sigma : float
        Standard deviation of a pixel, including the part it shares with its neighbors.
    correlation : float
        ``sigma`` over what the finest starlet scale says when noise is taken for white: 1 for white noise, larger
        when demosaicing or resampling has smoothed it.
    scales : tuple of float
        Standard deviation in each starlet scale, finest first (5).
    """

    sigma: float
    correlation: float
    scales: tuple[float, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {"sigma": self.sigma, "correlation": self.correlation, "scales": list(self.scales)}


def _common_cells(mesh: BackgroundMesh) -> NDArray[np.int64]:
    """Cells (row, column) of the most common brightness, the smoother ones, spread evenly over what there is."""
    known = np.argwhere(mesh.known)
    if len(known) == 0:
        return np.empty((0, 2), np.int64)
    level, sigma = mesh.level[mesh.known], mesh.sigma[mesh.known]
    order = np.argsort(level, kind="stable")
    n = max(int(np.ceil(_COMMON * order.size)), min(order.size, 8))
    first = closest(level[order], n)
    pick = order[first : first + n]
    pick = np.sort(pick[np.argsort(sigma[pick], kind="stable")[: max(int(0.8 * n), min(n, 8))]])
    if pick.size > _MOST_CELLS:
        pick = pick[np.linspace(0, pick.size - 1, _MOST_CELLS).round().astype(int)]
    return np.asarray(known[pick])


def _background(tile: Plane) -> Plane:
    """Smooth background of a tile: medians of means of 8 x 8 pixels, over about 40 pixels."""
    h, w = tile.shape
    small = cv2.resize(tile, (max(w // _BINNED, 1), max(h // _BINNED, 1)), interpolation=cv2.INTER_AREA)
    if min(small.shape[:2]) > 1:
        small = box(np.asarray(cv2.medianBlur(small, 5), np.float32), 3)
    return np.asarray(cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)


def _free(residual: Plane) -> NDArray[np.bool_]:
    """Where no star or other small thing stands out of the noise."""
    busy = np.zeros(residual.shape, np.uint8)
    for width, grow in ((1.2, 7), (3.5, 9)):
        smooth = gaussian(residual, width)
        out = (np.abs(smooth) > _OUTSTANDING * mad_sigma(smooth)).astype(np.uint8)
        around = cv2.dilate(out, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (grow, grow)))
        busy |= np.asarray(around, np.uint8)
    return np.asarray(busy == 0)


def _cell_covariances(planes: Planes, coverage: Coverage, mixes: Floats | None, at: NDArray[np.int64]) -> Floats | None:
    """Autocovariances (M, 2 L + 1, 2 L + 1) of one cell, lag 0 in the middle; None where too little is free.

    ``planes`` (C, H, W) are summed with the weights ``mixes`` (M, C); None for each plane as it is. What stands out
    of the planes' mean is left out of each.
    """
    _, h, w = planes.shape
    y0, x0 = int(at[0]) * _CELL, int(at[1]) * _CELL
    y1, x1 = min(y0 + _CELL, h), min(x0 + _CELL, w)
    ya, xa, yb, xb = max(y0 - _HALO, 0), max(x0 - _HALO, 0), min(y1 + _HALO, h), min(x1 + _HALO, w)
    part = planes[:, ya:yb, xa:xb]
    if coverage.size:
        covered = coverage[ya:yb, xa:xb] > 0
        part = np.where(covered, part, np.median(part[:, covered], axis=1)[:, None, None])
    tiles = np.ascontiguousarray(part) if mixes is None else np.tensordot(mixes.astype(np.float32), part, axes=1)
    residuals = [tile - _background(tile) for tile in tiles]
    mean = tiles[0] if len(part) == len(tiles) == 1 else part.mean(axis=0)
    free = _free(residuals[0] if mean is tiles[0] else mean - _background(mean))
    if coverage.size:
        near = cv2.erode((coverage[ya:yb, xa:xb] > 0).astype(np.uint8), np.ones((5, 5), np.uint8))
        free &= near > 0
    core = np.s_[y0 - ya : y1 - ya, x0 - xa : x1 - xa]
    free = free[core]
    if np.count_nonzero(free) < _FREE * free.size:
        return None
    pad = tuple(fft.next_fast_len(n + _LAGS, real=True) for n in free.shape)
    stacked = np.stack([*(_seen(residual[core], free) for residual in residuals), free]).astype(np.float64)
    products = fft.irfft2(np.abs(fft.rfft2(stacked, pad)) ** 2, pad)
    lags = np.arange(-_LAGS, _LAGS + 1)
    found = products[:, (lags % pad[0])[:, None], lags % pad[1]]
    return np.asarray(found[:-1] / np.maximum(found[-1], 1.0))


def _seen(residual: Plane, free: NDArray[np.bool_]) -> Plane:
    """A cell's residual about its mean, outliers clipped, zero where it is not free."""
    seen = residual[free]
    limit = _CLIP * mad_sigma(seen)
    about = np.clip(residual - np.float32(np.mean(seen, dtype=np.float64)), -limit, limit)
    return np.where(free, about, np.float32(0))


def _lag_radius() -> Floats:
    lags = np.arange(-_LAGS, _LAGS + 1)
    return np.hypot(lags[:, None], lags[None, :])


@cache
def _scale_covariance() -> tuple[Floats, ...]:
    """Autocorrelation of each starlet scale's filter over the same lags."""
    side = 2 * starlet.reach(_SCALES) + 1
    dot = np.zeros((side, side), np.float32)
    dot[side // 2, side // 2] = 1
    lags = np.arange(-_LAGS, _LAGS + 1)
    found = []
    for wave in starlet.scales(dot, _SCALES)[0]:
        power = np.abs(np.fft.rfft2(wave.astype(np.float64), (2 * side, 2 * side))) ** 2
        full = np.fft.irfft2(power, (2 * side, 2 * side))
        found.append(full[np.ix_(lags, lags)])
    return tuple(found)


def _noise_covariance(cells: Floats) -> Floats:
    """Covariance of the noise alone from the cells' covariances (N, 2 L + 1, 2 L + 1)."""
    radius = _lag_radius()
    far = (radius >= _STRUCTURE[0]) & (radius < _STRUCTURE[1])
    # Cells with the least structure; what tells them lies at other lags than what is wanted of them.
    structure = cells[:, far].mean(axis=1)
    quiet = np.argsort(structure, kind="stable")[: max(int(_QUIET * len(cells)), min(len(cells), 8))]
    covariance = np.median(cells[np.sort(quiet)], axis=0)
    # Under the noise the covariance of structure goes on towards lag 0 as it comes from the longer lags: a line.
    slope, level = np.polyfit(radius[far], covariance[far], 1)
    line = np.maximum(level + min(slope, 0.0) * radius, 0.0)
    return np.where(radius < _STRUCTURE[0], covariance - line, 0) / _CLIPPED_SHARE


def _plain_noise(plane: Plane, coverage: Coverage) -> Noise:
    """Noise of a frame too small for cells: spread of its pixels, taken for white."""
    values = plane[coverage > 0] if coverage.size else plane.ravel()
    if values.size == 0:
        raise WorkbenchError("the frame has no covered pixel to measure")
    sigma = mad_sigma(values)
    return Noise(sigma, 1.0, tuple(sigma * factor for factor in starlet.WHITE_NOISE))


def _cells_to_look_at(planes: Planes, coverage: Coverage) -> list[NDArray[np.int64]]:
    step = 8 if planes[0].size > _LARGE else 4
    return list(_common_cells(background_mesh(planes, coverage, _CELL, step)))


def _noise_of(cells: Floats) -> Noise:
    """Noise from the covariances (N, 2 L + 1, 2 L + 1) of cells."""
    covariance = _noise_covariance(cells)
    sigma = float(np.sqrt(max(covariance[_LAGS, _LAGS], 0)))
    per_scale = tuple(float(np.sqrt(max((covariance * a).sum(), 0))) for a in _scale_covariance())
    white = per_scale[0] / starlet.WHITE_NOISE[0]
    return Noise(sigma, sigma / white if white > 0 else 1.0, per_scale)


def noise(plane: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> Noise:
    """Noise of a linear plane where it is as bright as the sky.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    Noise

    Raises
    ------
    WorkbenchError
        When no pixel is covered.

    Notes
    -----
    Shot noise grows with brightness, so the cells looked at are those of the most common brightness (the shortest
    interval that holds 40 % of them). At most 72 cells of 64 pixels are used: the cost does not grow with the frame.
    Noise is taken to be independent beyond 7 pixels; patterns wider than that (banding, drifting sensor pattern)
    count as structure.
    """
    return noises(as_plane(plane), coverage)[0]


def noises(
    planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None, *, mixes: NDArray[np.floating] | None = None
) -> list[Noise]:
    """`noise` of several planes (C, H, W) or of weighted sums of them, all in the same cells.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        The mean over channels says which cells are of the most common brightness.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.
    mixes : ndarray, shape (M, C), optional
        Weights of M sums to measure; default: each plane by itself.

    Returns
    -------
    list of Noise
        One for each plane or each row of ``mixes``.

    Raises
    ------
    WorkbenchError
        When no pixel is covered.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    small = min(planes.shape[1:]) < 4 * _LAGS
    weights = None if mixes is None else np.asarray(mixes, np.float64)
    # One after the other: half a millisecond of short calls each, over which threads would only wait for one another.
    looked = [] if small else [_cell_covariances(planes, cov, weights, at) for at in _cells_to_look_at(planes, cov)]
    found = [cell for cell in looked if cell is not None]
    if not found:
        mixed = planes if weights is None else np.tensordot(weights.astype(np.float32), planes, axes=1)
        return [_plain_noise(plane, cov) for plane in mixed]
    return [_noise_of(cells) for cells in np.stack(found, axis=1)]


def quick_noise(planes: Planes, coverage: NDArray[Any] | None = None, *, apart: int = _APART) -> list[float]:
    """Noise of a pixel by channel, quickly: from how far pixels in a row depart from the line between two others.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W), optional
        Where it is 0 nothing counts.
    apart : int
        Pixels from each of the three to the next: at least as many as neighbors share noise, but few, as structure
        differs from noise by not being bent over so few.

    Returns
    -------
    list of float
        By channel, in the unit of the planes; 0 where a row is too short or nothing is covered.

    Notes
    -----
    ``v[x - apart] - 2 v[x] + v[x + apart]`` has sqrt(6) times the noise of a pixel. Its median absolute value is taken
    in stretches of rows, and of those the quieter ones count, which hold least structure. Good to a tenth where sky is
    seen; `noises` is better and takes longer.
    """
    _, height, width = planes.shape
    if width <= 2 * apart:
        return [0.0] * len(planes)
    rows = slice(None, None, max(1, height * width // _QUICK_SAMPLES))
    bent = np.abs(planes[:, rows, : -2 * apart] - 2 * planes[:, rows, apart:-apart] + planes[:, rows, 2 * apart :])
    if coverage is not None:
        seen = coverage[rows] > 0
        bent = bent[:, seen[:, : -2 * apart] & seen[:, apart:-apart] & seen[:, 2 * apart :]]
    bent = bent.reshape(len(planes), -1)
    if bent.shape[1] == 0:
        return [0.0] * len(planes)
    length = min(_STRETCH, bent.shape[1])
    middle = np.median(bent[:, : bent.shape[1] // length * length].reshape(len(planes), -1, length), axis=2)
    return [float(v) for v in np.float32(MAD_TO_SIGMA) / np.sqrt(6) * np.quantile(middle, _CALMER, axis=1)]
