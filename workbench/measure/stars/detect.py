"""Candidates for stars: a matched blur over strips, its peaks, and a measurement of each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.background.mesh import BackgroundMesh, background_mesh
from workbench.measure.blocks import Coverage, Plane, Planes, in_order, strips, together
from workbench.measure.filters import box, gaussian
from workbench.measure.local_maxima import is_highest
from workbench.measure.stars.centroid import PEAK, measure_peaks
from workbench.measure.stars.shape import shape_of
from workbench.measure.statistics import shortest_interval

__all__ = [
    "Candidates",
    "MatchedFilter",
    "detection_rows",
    "fill_uncovered",
    "find_candidates",
    "mean_plane",
    "peaks",
    "ring",
]

Floats = NDArray[np.float64]

#: Width (standard deviation, px) of the filter before anything is known, and the range a star may have.
_FIRST_SIGMA = 1.3
_NARROWEST, _BROADEST = 0.6, 5.0
#: Noise of the filtered image over that of a pixel, for white noise and the first width.
_FIRST_RATIO = 0.18
#: Tiles of the first look: how many each way, how large; and the stars it needs.
_SPOTS, _SPOT = 3, 320
_FEW = 5
#: Width (px) of the pieces of a strip in which what is not covered is filled.
_FILL = 128
_BRIGHTEST = 200
_BRIGHT = 12.0
#: Half side of the square whose mean is subtracted, in widths of the filter.
_SQUARE = 3.0
#: Share of a ring's scatter that counts as noise of the peak inside it.
_STRUCTURE = 0.38
_SHARPER = 0.65
_WINDOW = 0.65
_LEAST_WINDOW = 0.85
#: Share of the light of 3 x 3 pixels in the highest one, from which a peak is a single hot pixel.
_ONE_PIXEL = 0.7


@kernel
def mean_plane(planes: Planes, out: Plane) -> None:
    """Mean over channels of planes (C, h, w) of any strides.

    Parameters
    ----------
    planes : ndarray, shape (C, h, w), float32
    out : ndarray, shape (h, w), float32
        To be written.
    """
    c, h, w = planes.shape
    scale = np.float32(1.0 / c)
    for y in range(h):
        for x in range(w):
            total = planes[0, y, x]
            for k in range(1, c):
                total += planes[k, y, x]
            out[y, x] = total * scale


@kernel
def _threshold_row(sigma: Plane, size: int, threshold: float, y: int, row: Plane) -> None:
    """``threshold`` times a mesh along frame row ``y``; cell (i, j) is centred at ((i + 0.5) size - 0.5, ...)."""
    rows, cells = sigma.shape
    v = (y + 0.5) / size - 0.5
    i = min(max(int(np.floor(v)), 0), max(rows - 2, 0))
    i1 = min(i + 1, rows - 1)
    fv = np.float32(min(max(v - i, 0.0), 1.0))
    half = size // 2
    for j in range(cells + 1):
        left, right = max(j - 1, 0), min(j, cells - 1)
        a = threshold * (sigma[i, left] + fv * (sigma[i1, left] - sigma[i, left]))
        b = threshold * (sigma[i, right] + fv * (sigma[i1, right] - sigma[i, right]))
        x0 = j * size - half
        for x in range(max(x0, 0), min(x0 + size, row.size)):
            row[x] = a + (b - a) * ((x - x0 + 0.5) / size)


@kernel
def peaks(
    filtered: Plane,
    coverage: Coverage,
    y_first: int,
    y_last: int,
    y_frame: int,
    sigma: Plane,
    size: int,
    threshold: float,
    found: NDArray[np.int32],
) -> int:
    """Local maxima of rows ``y_first .. y_last`` of a filtered strip that starts at frame row ``y_frame``.

    A maximum exceeds ``threshold`` times the mesh sigma (of the filtered image) and its eight neighbors; of equal
    neighbors the first in reading order counts. Writes (y, x) in strip coordinates to ``found`` and returns how
    many there are (more than fit are counted, not written).

    Parameters
    ----------
    filtered : ndarray, shape (h, w), float32
    coverage : ndarray, shape (H, W) or (0, 0), uint8
        0 where a pixel means nothing; empty stands for all covered.
    y_first, y_last, y_frame : int
    sigma : ndarray, shape (rows, columns), float32
        Noise of the filtered image in the cells of a mesh.
    size : int
        Side of a cell, in pixels.
    threshold : float
    found : ndarray, shape (M, 2), int32
        To be written.

    Returns
    -------
    int
    """
    h, w = filtered.shape
    masked = coverage.size > 0
    row = np.empty(w, np.float32)
    n = 0
    for y in range(max(y_first, 1), min(y_last, h - 1)):
        _threshold_row(sigma, size, threshold, y + y_frame, row)
        for x in range(1, w - 1):
            p = filtered[y, x]
            if p <= row[x] or not is_highest(filtered, y, x, 1) or (masked and coverage[y, x] == 0):
                continue
            if n < found.shape[0]:
                found[n, 0] = y
                found[n, 1] = x
            n += 1
    return n


@dataclass(frozen=True, slots=True)
class MatchedFilter:
    """A round Gaussian of standard deviation ``sigma`` px: matched filter, window, and the ring it belongs to."""

    sigma: float

    @property
    def halo(self) -> int:
        """Rows around a strip that its measurement looks at."""
        return int(np.ceil(max(self.ring_radii) + 1))

    @property
    def ring_radii(self) -> tuple[float, float]:
        """Radii (px) of the two circles on which the local background is sampled."""
        return 4.6 * self.sigma + 1, 6.0 * self.sigma + 1

    @property
    def window(self) -> float:
        """Standard deviation (px) of the window that measures a peak."""
        return max(_WINDOW * self.sigma, _LEAST_WINDOW)

    @property
    def stride(self) -> float:
        """Shift of a star over the shift that the window sees of it."""
        return 1 + (self.sigma / self.window) ** 2

    def of(self, image: Plane) -> Plane:
        """The filtered image: a Gaussian less the mean of a square around it, so that slopes and levels vanish.

        Parameters
        ----------
        image : ndarray, shape (h, w), float32

        Returns
        -------
        ndarray, shape (h, w), float32
        """
        core = _SHARPER * self.sigma
        out = gaussian(image, core, reach=int(np.ceil(3 * core)))
        out -= box(image, 2 * round(_SQUARE * self.sigma) + 1)
        return out


@dataclass(frozen=True, slots=True)
class Candidates:
    """Measured peaks, rows of `PEAK`; their filter; noise of the blurred image at each and over the frame.

    ``widths`` (standard deviations, px) are those of the bright stars from which the filter's was read, if they were
    enough.
    """

    table: NDArray[Any]
    by: MatchedFilter
    noise: Floats
    mesh: BackgroundMesh
    widths: Floats

    @property
    def snr(self) -> Floats:
        """Signal-to-noise ratio of each peak in the blurred image, shape (N,)."""
        return np.asarray(self.table["filtered"] / np.where(self.noise > 0, self.noise, np.inf), np.float64)


def ring(radii: tuple[float, ...]) -> NDArray[np.int32]:
    """Offsets (dy, dx) of 24 points on each circle, in order along it.

    Parameters
    ----------
    radii : tuple of float
        In pixels.

    Returns
    -------
    ndarray, shape (24 len(radii), 2), int32
    """
    angle = np.arange(24) * (2 * np.pi / 24)
    points = [np.stack([r * np.sin(angle), r * np.cos(angle)], axis=1) for r in radii]
    return np.asarray(np.rint(np.concatenate(points)), np.int32)


def detection_rows(planes: Planes, y0: int, y1: int, x0: int = 0, x1: int | None = None) -> Plane:
    """Mean over channels of a part of the frame, C-contiguous.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    y0, y1, x0, x1 : int
        First row and column, and those after the last.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    part = planes[:, y0:y1, x0:x1]
    if part.shape[0] == 1:
        return np.ascontiguousarray(part[0])
    out = np.empty(part.shape[1:], np.float32)
    mean_plane(part, out)
    return out


def fill_uncovered(image: Plane, coverage: Coverage) -> Plane:
    """The image with the median of what is covered around it where it is not: it must not leak through the filter.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
    coverage : ndarray, shape (h, w), uint8
        0 where a pixel means nothing.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    if not coverage.size or coverage.all():
        return image
    image = image.copy()
    for x in range(0, image.shape[1], _FILL):
        part, seen = image[:, x : x + _FILL], coverage[:, x : x + _FILL] > 0
        part[~seen] = np.median(part[seen]) if seen.any() else 0
    return image


def _measured(
    image: Plane,
    coverage: Coverage,
    rows: tuple[int, int],
    y_frame: int,
    mesh: BackgroundMesh,
    threshold: float,
    by: MatchedFilter,
) -> NDArray[Any]:
    """Peaks of rows ``rows`` of a strip whose first row is frame row ``y_frame``, in frame coordinates."""
    filtered = by.of(image)
    found = np.empty((max(256, image.size // 256), 2), np.int32)
    while True:
        n = peaks(filtered, coverage, *rows, y_frame, mesh.sigma, mesh.size, threshold, found)
        if n <= len(found):
            break
        found = np.empty((n, 2), np.int32)
    table = np.empty(n, PEAK)
    measure_peaks(image, filtered, coverage, found[:n], by.window, by.stride, ring(by.ring_radii), table)
    table["y"] += y_frame
    return table


def _star_width(planes: Planes, coverage: Coverage) -> tuple[float, float, Floats]:
    """Width of the stars (standard deviation, px), noise of the image so blurred over that of a pixel, their widths."""
    _, h, w = planes.shape
    by = MatchedFilter(_FIRST_SIGMA)
    spots = [
        (y, x)
        for y in np.unique(np.linspace(0, max(h - _SPOT, 0), _SPOTS).astype(int))
        for x in np.unique(np.linspace(0, max(w - _SPOT, 0), _SPOTS).astype(int))
    ]

    def look(at: tuple[int, int]) -> tuple[NDArray[Any], Floats]:
        y, x = at
        image = detection_rows(planes, y, min(y + _SPOT, h), x, min(x + _SPOT, w))
        part = np.ascontiguousarray(coverage[y : y + _SPOT, x : x + _SPOT])
        image = fill_uncovered(image, part)
        raw, filtered = (background_mesh(i[None], part, 64, 4, levels=False) for i in (image, by.of(image)))
        sigmas = np.stack([raw.sigma[raw.known], filtered.sigma[raw.known]]).astype(np.float64)
        mesh = raw.filled()
        mesh = BackgroundMesh(mesh.size, mesh.level, mesh.sigma * np.float32(_FIRST_RATIO))
        return _measured(image, part, (0, image.shape[0]), 0, mesh, 2 * _BRIGHT, by), sigmas

    seen = in_order(look, spots)
    sigmas = np.concatenate([s[1] for s in seen], axis=1)
    ratio = _FIRST_RATIO
    if sigmas.size and (quiet := np.quantile(sigmas, 0.25, axis=1)).min() > 0:
        ratio = float(quiet[1] / quiet[0])
    table = np.concatenate([s[0] for s in seen])
    major, minor, _ = shape_of(table, by.window)
    width = np.sqrt(major * minor)
    good = (table["center_share"] < _ONE_PIXEL) & (width > _NARROWEST) & (width < _BROADEST)
    width, light = width[good], table["filtered"][good]
    if width.size < _FEW:
        return by.sigma, ratio, width
    bright = width[np.argsort(-light, kind="stable")[:_BRIGHTEST]]
    # Saturated stars and close pairs are wider, hot pixels narrower: stars are where widths crowd.
    low, high = shortest_interval(bright, 0.5)
    sigma = float(np.median(bright[(bright >= low) & (bright <= high)]))
    # The noise left by a Gaussian falls as one over its width; with correlated noise nearly so.
    return sigma, ratio * by.sigma / sigma, bright


def find_candidates(planes: Planes, coverage: Coverage, threshold: float) -> Candidates:
    """Measured peaks of the mean of ``planes`` (C, H, W) above ``threshold`` times the noise of the blurred image.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear.
    coverage : ndarray, shape (H, W), uint8
        0 where a pixel means nothing.
    threshold : float

    Returns
    -------
    Candidates
    """
    h = planes.shape[1]
    (width, ratio, widths), mesh = together(
        lambda: _star_width(planes, coverage), lambda: background_mesh(planes, coverage, 64, 4, levels=False).filled()
    )
    by = MatchedFilter(width)
    mesh = BackgroundMesh(mesh.size, mesh.level, mesh.sigma * np.float32(ratio))

    def strip(span: tuple[int, int]) -> NDArray[Any]:
        y0, y1 = span
        a, b = max(y0 - by.halo, 0), min(y1 + by.halo, h)
        image = fill_uncovered(detection_rows(planes, a, b), coverage[a:b])
        return _measured(image, coverage[a:b], (y0 - a, y1 - a), a, mesh, threshold, by)

    table = np.concatenate(in_order(strip, strips(h)))
    row, column = (
        np.clip((table[axis] / mesh.size).astype(int), 0, n - 1)
        for axis, n in zip(("y", "x"), mesh.sigma.shape, strict=True)
    )
    # In a star's halo or on a nebula the ring is noisier than the cell; its own scatter (48 samples) is 20 %.
    noise = np.maximum(mesh.sigma[row, column], _STRUCTURE * np.nan_to_num(table["spread"]))
    found = Candidates(table, by, noise, mesh, widths)
    keep = (table["window_sum"] > 0) & (found.snr >= threshold)
    return replace(found, table=table[keep], noise=noise[keep])
