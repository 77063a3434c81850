"""Banding: rows, or columns, of a stack that lie a little higher or lower than their neighbors.

Where a sensor's rows are read with offsets of their own, and frames were not shifted against each other, the offsets
stay in the stack. Each row is looked at in segments: what all segments of a row share is the row's offset, and what is
in some of them only is an object, a star or the glow. So an object does not count until it fills most of the row.

1. Mean of each segment of a row, stars and other light far from the local level clipped off.
2. The segments of one column of segments, less a line through those of the rows around: what the row adds to them.
3. Their biweight over the row (Beaton & Tukey 1974, Technometrics 16, 147): the row's offset; its error from their
   scatter.
4. Offsets shrink by their error: what is no more than noise goes to nothing (James & Stein 1961).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.lazy import on_first_use
from workbench.measure.background.mesh import background_mesh
from workbench.measure.blocks import Coverage, Plane, Planes, as_planes, checked_coverage, in_order, strips
from workbench.measure.statistics import BIWEIGHT_REACH, MAD_TO_SIGMA

if TYPE_CHECKING:
    from scipy import ndimage
else:
    ndimage = on_first_use("scipy.ndimage")

__all__ = ["WIDTHS", "Banding", "row_banding", "row_biweight"]

F64 = NDArray[np.float64]

#: Pixels of a segment, as many as a cell of the mesh that says what is far from its level.
_SEGMENT = 64
#: Light so many times the noise from the local level does not count; nor does a segment of fewer pixels.
_CLIP, _FEWEST = 3.0, 16
#: Pixels of a plane from which on every fourth row and column tells its level, in place of every second.
_LARGE = 4_000_000
#: Segments of a row that must be seen.
_SEGMENTS = 6
#: Rows around count by Gaussians of these widths; that with the least likely error is taken. A narrow one follows
#: objects, a wide one the bands. Where a Gaussian is wide, a tenth of it is found together.
WIDTHS, _TOGETHER = (30.0, 50.0, 90.0, 160.0), 10.0
#: A segment so far from the others of its row is set aside when its surroundings are averaged.
_ODD = 4.0


@dataclass(frozen=True, slots=True)
class Banding:
    """Offsets of the rows of one plane.

    Attributes
    ----------
    offset : ndarray, shape (H,), float64
        How far each row lies above its surroundings, as far as that is sure; 0 where too little of it is seen.
    error : float
        Likely error of an offset before it was shrunk, on average.
    spread : float
        Standard deviation of the rows' offsets, the error taken off; 0 where there is no banding.
    noise : float
        Noise of a pixel.
    """

    offset: F64
    error: float
    spread: float
    noise: float


def row_banding(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> list[Banding]:
    """Offsets of the rows of each plane.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear.
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    list of Banding
        One for each plane.
    """
    planes = as_planes(planes)
    cov = checked_coverage(coverage, *planes.shape[1:])
    return [_banding(plane[None], cov) for plane in planes]


def _banding(plane: Planes, coverage: Coverage) -> Banding:
    _, height, columns = plane.shape
    mesh = background_mesh(plane, coverage, _SEGMENT, 2 if plane.size < _LARGE else 4)
    noise = float(np.median(mesh.sigma[mesh.known])) if mesh.known.any() else 0.0
    if noise <= 0 or columns < _SEGMENTS * _SEGMENT:
        return Banding(np.zeros(height), 0.0, 0.0, noise)
    level = np.asarray(mesh.filled().level, np.float32)
    mean = np.empty((height, level.shape[1]), np.float32)
    count = np.empty_like(mean)

    def strip(rows: tuple[int, int]) -> None:
        part = slice(*rows)
        seen = coverage[part] if coverage.size else coverage
        _segments(plane[0, part], seen, level, rows[0], _CLIP * noise, mean[part], count[part])

    in_order(strip, strips(height))
    count = np.where(count >= _FEWEST, count, 0)
    tried = in_order(lambda width: _offsets(mean, count, noise, width), WIDTHS)
    # A Gaussian mean of white offsets has 1 / (2 sqrt(pi) width) of their variance: so much of them goes unseen.
    unseen = [b.error**2 + b.spread**2 / (2 * np.sqrt(np.pi) * w) for b, w in zip(tried, WIDTHS, strict=True)]
    return tried[int(np.argmin(unseen))]


@kernel
def _segments(plane: Plane, coverage: Coverage, level: Plane, first: int, clip: Any, mean: Plane, count: Plane) -> None:
    """Write mean and count of what lies near the local level in each segment of each row."""
    height, width = plane.shape
    masked = coverage.size > 0
    rows, columns = level.shape
    for y in range(height):
        at = (first + y + 0.5) / _SEGMENT - 0.5
        i = min(max(int(np.floor(at)), 0), max(rows - 2, 0))
        share = at - i  # straight on beyond the middles of the outermost cells
        below = min(i + 1, rows - 1)
        for j in range(columns):
            middle = (1 - share) * level[i, j] + share * level[below, j]
            total, found = 0.0, 0
            for x in range(j * _SEGMENT, min((j + 1) * _SEGMENT, width)):
                off = plane[y, x] - middle
                if abs(off) <= clip and not (masked and coverage[y, x] == 0):
                    total += off
                    found += 1
            # Less the level, of which the smooth part is added again: sums of small numbers are sharper.
            mean[y, j] = middle + total / max(found, 1)
            count[y, j] = found


def _offsets(mean: Plane, count: Plane, noise: float, width: float) -> Banding:
    """Offsets of rows from the means (H, segments) of their segments."""
    weight = count.astype(np.float32)
    scale = noise / np.sqrt(_SEGMENT)
    offset, error = np.zeros(len(mean)), np.zeros(len(mean))
    for _ in range(2):
        own = mean - _smooth(mean, weight, width)
        offset, error = row_biweight(own, count > 0, scale)
        # Segments with something of their own are left out of what the others are compared with.
        odd = np.abs(own - offset[:, None]) > _ODD * np.hypot(scale, error)[:, None]
        weight = np.where(odd, 0, count).astype(np.float32)
    known = error > 0
    if known.sum() < _SEGMENTS:
        return Banding(np.zeros(len(mean)), 0.0, 0.0, noise)
    typical = float(np.sqrt((error[known] ** 2).mean()))
    spread = float(np.sqrt(max(float(offset[known].var()) - typical**2, 0.0)))
    power = spread**2
    kept = np.divide(power, power + error**2, out=np.zeros_like(error), where=known & (power + error**2 > 0))
    return Banding(kept * offset, typical, spread, noise)


def _smooth(values: Plane, weight: Plane, width: float) -> F64:
    """What a line through its surroundings gives in each row of each column of segments, near rows counting most.

    A weighted line in place of a mean (Cleveland 1979, JASA 74, 829): at the frame's edges, where rows lie on one side
    only, a slope would show as an offset. It is found for a few rows together and straight between them.
    """
    together = max(1, int(width / _TOGETHER))
    starts = np.arange(0, len(values), together)
    reach = np.ceil(4 * width / together)
    t = np.arange(-reach, reach + 1) * together / width
    gauss = np.exp(-0.5 * t**2)
    # A level common to all, so that what is small beside it stays sharp.
    middle = float(np.median(values))
    w = np.add.reduceat(weight.astype(np.float64), starts, axis=0)
    wv = np.add.reduceat((values - middle) * weight.astype(np.float64), starts, axis=0)

    def moment(of: F64, power: int) -> F64:
        down = gauss * t**power
        return np.asarray(ndimage.correlate1d(of, down, axis=0, mode="constant"))

    s0, s1, s2, t0, t1 = moment(w, 0), moment(w, 1), moment(w, 2), moment(wv, 0), moment(wv, 1)
    square = s0 * s2 - s1**2
    line = np.divide(s2 * t0 - s1 * t1, square, out=np.zeros_like(square), where=square > 1e-6)
    if len(line) < 2:
        return np.broadcast_to(line + middle, values.shape).astype(np.float64)
    at = (np.arange(len(values)) - 0.5 * (together - 1)) / together
    first = np.clip(np.floor(at).astype(np.int64), 0, len(line) - 2)
    return np.asarray(line[first] + (at - first)[:, None] * (line[first + 1] - line[first]) + middle)


def row_biweight(values: F64, seen: NDArray[np.bool_], scale: float) -> tuple[F64, F64]:
    """Tukey's biweight of each row of values, and its error.

    Parameters
    ----------
    values : ndarray, shape (N, M), float64
    seen : ndarray, shape (N, M), bool
        Which of them count.
    scale : float
        Least scatter of a row.

    Returns
    -------
    middle, error : ndarray, shape (N,), float64
        Both 0 where too few are seen.
    """
    held = np.where(seen, values, np.nan)
    enough = seen.sum(axis=1) >= _SEGMENTS
    middle, error = np.zeros(len(values)), np.zeros(len(values))
    rows = held[enough]
    median = np.nanmedian if np.isnan(rows).any() else np.median  # the latter is four times as fast
    center = median(rows, axis=1)
    spread = np.maximum(MAD_TO_SIGMA * median(np.abs(rows - center[:, None]), axis=1), scale)
    for _ in range(2):
        u = (rows - center[:, None]) / (BIWEIGHT_REACH * spread[:, None])
        weight = np.where(np.abs(u) < 1, (1 - u**2) ** 2, 0)
        weight = np.where(np.isnan(rows), 0, weight)
        center = (weight * np.nan_to_num(rows)).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    middle[enough] = center
    error[enough] = spread / np.sqrt(0.95 * np.maximum(weight.sum(axis=1), 1))
    return middle, error
