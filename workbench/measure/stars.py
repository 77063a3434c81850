"""Stars of a frame: where, how bright, how large; found in one pass over strips by a matched blur.

How it works
------------
1. The detection image is the mean of the channels. A coarse mesh gives its sky level and noise everywhere.
2. A first look at a few tiles tells the width of stars; a Gaussian of that width is the matched filter.
3. Local maxima of the filtered image above ``threshold`` times its noise are candidates. Each is measured under a
   Gaussian window of the same width (position by iteration, second moments, flux), above the median of a ring.
4. Candidates narrower than stars (hot pixels, cosmic rays) or broader (knots of nebula, galaxies) are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.blocks import Coverage, Planes, as_planes, checked_coverage, in_order, strips
from workbench.measure.detect import COLUMNS, mean_plane, measure_peaks, peaks
from workbench.measure.mesh import Mesh, measure_mesh
from workbench.measure.moffat import GAUSSIAN_FWHM, window_table

__all__ = ["Stars", "find_stars", "star_colors"]

Floats = NDArray[np.float64]

_TYPICAL_ALPHA = 3.0


@dataclass(frozen=True, slots=True)
class Stars:
    """A star list: arrays of one length, brightest first.

    Attributes
    ----------
    x, y : ndarray, float64
        Position in pixels: x along columns, y along rows, pixel centres at integers from 0.
    flux : ndarray, float64
        Total light above the local background, in units of the detection image (mean of channels) x pixels.
    peak : ndarray, float64
        Highest pixel above the local background.
    background : ndarray, float64
        Local background.
    snr : ndarray, float64
        Flux over its noise through the matched filter.
    fwhm : ndarray, float64
        Full width at half maximum in pixels, geometric mean of both axes.
    elongation : ndarray, float64
        Longer over shorter axis, 1 = round.
    angle_deg : ndarray, float64
        Direction of the longer axis, from +x towards +y (downwards on screen), -90 .. 90.
    saturated : ndarray, bool
        A pixel of the star reaches the saturation level: position is good, flux and FWHM are not.
    """

    x: Floats
    y: Floats
    flux: Floats
    peak: Floats
    background: Floats
    snr: Floats
    fwhm: Floats
    elongation: Floats
    angle_deg: Floats
    saturated: NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.x.size)

    def select(self, which: NDArray[Any]) -> Stars:
        """The stars that a mask or an index array picks."""
        return Stars(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def to_dict(self) -> dict[str, Any]:
        """Plain lists by column."""
        return {f.name: getattr(self, f.name).tolist() for f in fields(self)}

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Stars:
        """Build from plain lists."""
        kinds: dict[str, Any] = {f.name: np.float64 for f in fields(cls)}
        kinds["saturated"] = np.bool_
        missing = sorted(set(kinds) - set(data))
        if missing or set(data) - set(kinds):
            raise WorkbenchError(f"a star list has the columns {', '.join(kinds)}; check {missing or sorted(data)}")
        columns = {name: np.asarray(data[name], kind) for name, kind in kinds.items()}
        if len({c.shape for c in columns.values()}) != 1 or columns["x"].ndim != 1:
            raise WorkbenchError("the columns of a star list must have one length")
        return cls(**columns)


def _ring(radii: tuple[float, ...]) -> NDArray[np.int32]:
    """Offsets (dy, dx) of 24 points on each circle."""
    angle = np.arange(24) * (2 * np.pi / 24)
    points = [np.stack([r * np.sin(angle), r * np.cos(angle)], axis=1) for r in radii]
    return np.unique(np.rint(np.concatenate(points)).astype(np.int32), axis=0)


@dataclass(frozen=True, slots=True)
class _Filter:
    """Matched filter and window for stars of one width."""

    sigma: float

    @property
    def halo(self) -> int:
        return int(np.ceil(7 * self.sigma)) + 3

    @property
    def ring_radii(self) -> tuple[float, float]:
        return 4.6 * self.sigma + 1, 6.0 * self.sigma + 1

    def blur(self, image: Planes) -> Planes:
        side = 2 * int(np.ceil(3 * self.sigma)) + 1
        out: Planes = cv2.GaussianBlur(image, (side, side), self.sigma, borderType=cv2.BORDER_REFLECT_101)
        return out


def _detection_rows(planes: Planes, y0: int, y1: int, x0: int = 0, x1: int | None = None) -> Planes:
    part = planes[:, y0:y1, x0:x1]
    if part.shape[0] == 1:
        return np.ascontiguousarray(part[0])
    out = np.empty(part.shape[1:], np.float32)
    mean_plane(part, out)
    return out


def _candidates(
    image: Planes, coverage: Coverage, rows: tuple[int, int], y_frame: int, mesh: Mesh, threshold: float, by: _Filter
) -> Floats:
    """Measured peaks of rows ``rows`` of a strip whose first row is frame row ``y_frame``; frame coordinates."""
    blurred = by.blur(image)
    found = np.empty((max(1024, image.size // 64), 2), np.int32)
    while True:
        n = peaks(blurred, coverage, *rows, y_frame, mesh.level, mesh.sigma, mesh.size, threshold, found)
        if n <= len(found):
            break
        found = np.empty((n, 2), np.int32)
    table = np.empty((n, len(COLUMNS)))
    measure_peaks(image, blurred, coverage, found[:n], by.sigma, _ring(by.ring_radii), table)
    table[:, 1] += y_frame
    return table


def _lower_spread(values: NDArray[np.float32]) -> tuple[float, float]:
    """Median and noise from the lower half of a sample (stars lie above)."""
    low, median = np.quantile(values, [0.25, 0.5])
    return float(median), float(median - low) / 0.6745


def _first_look(planes: Planes, coverage: Coverage) -> tuple[float, float]:
    """Standard deviation of the stars' shape, and noise of the blurred image over noise of a pixel."""
    _, h, w = planes.shape
    side = 512
    by = _Filter(1.3)
    widths, ratios, weights = [], [], []
    spots = [
        (y, x)
        for y in np.unique(np.linspace(0, max(h - side, 0), 4).astype(int))
        for x in np.unique(np.linspace(0, max(w - side, 0), 4).astype(int))
    ]

    def look(at: tuple[int, int]) -> tuple[Floats, float] | None:
        y, x = at
        image = _detection_rows(planes, y, min(y + side, h), x, min(x + side, w))
        part = np.ascontiguousarray(coverage[y : y + side, x : x + side])
        blurred = by.blur(image)
        seen = part > 0 if part.size else np.ones(image.shape, bool)
        if np.count_nonzero(seen) < 64:
            return None
        _, noise = _lower_spread(image[seen] - cv2.blur(image, (63, 63))[seen])
        level, spread = _lower_spread(blurred[seen])
        _, blurred_noise = _lower_spread((blurred - cv2.blur(image, (63, 63)))[seen])
        grid = np.full((1, 1), level, np.float32)
        mesh = Mesh(max(image.shape), grid, np.full((1, 1), spread, np.float32))
        table = _candidates(image, part, (0, image.shape[0]), 0, mesh, 8.0, by)
        return table, blurred_noise / noise if noise > 0 else 0.0

    for seen in in_order(look, spots):
        if seen is None:
            continue
        table, ratio = seen
        ratios.append(ratio)
        good = (table[:, 8] > 12 * table[:, 9]) & (table[:, 10] < 0.7)
        widths.append(_shape(table[good], by.sigma)[0])
        weights.append(table[good, 8])
    if not ratios:
        return 1.3, 0.22
    width, weight = np.concatenate(widths), np.concatenate(weights)
    usable = (width > 0.5) & (width < 6)
    width, weight = width[usable], weight[usable]
    if width.size < 5:
        return 1.3, float(np.median(ratios))
    bright = width[np.argsort(-weight, kind="stable")[: max(30, width.size // 3)]]
    return float(np.clip(np.median(bright), 0.6, 5.0)), float(np.median(ratios))


def _shape(table: Floats, window: float) -> tuple[Floats, Floats, Floats, Floats]:
    """(geometric-mean width, major, minor, angle in degrees) from windowed moments, corrected for the window."""
    xx, yy, xy = table[:, 3], table[:, 4], table[:, 5]
    mean, half = 0.5 * (xx + yy), np.hypot(0.5 * (xx - yy), xy)
    w2 = window * window
    eigen = np.clip(np.stack([mean + half, mean - half]), 1e-3 * w2, 0.985 * w2)
    major, minor = 1 / np.sqrt(1 / eigen - 1 / w2)
    return np.sqrt(major * minor), major, minor, np.rad2deg(0.5 * np.arctan2(2 * xy, xx - yy))


def find_stars(
    planes: NDArray[np.float32],
    coverage: NDArray[np.uint8] | None = None,
    *,
    threshold: float = 5.0,
    saturation: float | None = 0.98,
) -> Stars:
    """Find and measure the stars of a linear frame.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W) or (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.
    threshold : float
        Least signal-to-noise ratio (matched filter) of a star.
    saturation : float, optional
        Pixel value (any channel) from which a star counts as saturated; None: never.

    Returns
    -------
    Stars
        Brightest first; empty when nothing is found.
    """
    planes = as_planes(planes)
    _, h, w = planes.shape
    cov = checked_coverage(coverage, h, w)
    width, ratio = _first_look(planes, cov)
    by = _Filter(width)
    pixel_mesh = measure_mesh(planes, cov, size=64, step=4).filled()
    mesh = Mesh(pixel_mesh.size, pixel_mesh.level, pixel_mesh.sigma * np.float32(ratio))

    def strip(span: tuple[int, int]) -> Floats:
        y0, y1 = span
        a, b = max(y0 - by.halo, 0), min(y1 + by.halo, h)
        image = _detection_rows(planes, a, b)
        return _candidates(image, cov[a:b], (y0 - a, y1 - a), a, mesh, threshold, by)

    table = np.concatenate(in_order(strip, strips(h)))
    return _catalogue(planes, table, mesh, by, threshold, saturation)


def _catalogue(
    planes: Planes, table: Floats, mesh: Mesh, by: _Filter, threshold: float, saturation: float | None
) -> Stars:
    """Candidates to stars."""
    _, h, w = planes.shape
    cell = np.clip((table[:, [1, 0]] / mesh.size).astype(int), 0, np.array(mesh.sigma.shape) - 1)
    noise = np.maximum(mesh.sigma[cell[:, 0], cell[:, 1]], 0.8 * table[:, 9])
    snr = table[:, 8] / np.where(noise > 0, noise, np.inf)
    keep = (table[:, 2] > 0) & (snr >= threshold)
    table, snr = table[keep], snr[keep]
    look = window_table(_TYPICAL_ALPHA, round(by.sigma, 3))
    _, major, minor, angle = _shape(table, by.sigma)
    major, minor = look.fwhm_of(major), look.fwhm_of(minor)
    fwhm = np.sqrt(major * minor)
    field = by.sigma * GAUSSIAN_FWHM
    relative = fwhm / field
    saturated = np.zeros(len(table), bool)
    if saturation is not None:
        xi = np.clip(np.rint(table[:, 0]).astype(int), 0, w - 1)
        yi = np.clip(np.rint(table[:, 1]).astype(int), 0, h - 1)
        saturated = planes[:, yi, xi].max(axis=0) >= saturation
    slack = 2.0 / snr
    star = saturated | ((relative > 0.6 - slack) & (relative < 1.6 + slack))
    flux = table[:, 2] / look.share_of(np.full(len(table), field))
    order = np.flatnonzero(star)
    order = order[np.argsort(-flux[order], kind="stable")]
    columns = (table[:, 0], table[:, 1], flux, table[:, 6], table[:, 7], snr, fwhm, major / minor, angle, saturated)
    return Stars(*(c[order] for c in columns))


def star_colors(planes: NDArray[np.float32], stars: Stars) -> Floats:
    """Flux of each star in each channel, (N, C) float64, above a local background ring.

    The same round Gaussian window weighs all channels, scaled to the total flux.
    """
    planes = as_planes(planes)
    out = np.zeros((len(stars), planes.shape[0]))
    if len(stars) == 0:
        return out
    fwhm = float(np.median(stars.fwhm[~stars.saturated])) if (~stars.saturated).any() else 3.0
    by = _Filter(max(fwhm / GAUSSIAN_FWHM, 0.6) * 1.3)
    found = np.stack([np.rint(stars.y), np.rint(stars.x)], axis=1).astype(np.int32)
    share = window_table(_TYPICAL_ALPHA, round(by.sigma, 3)).share_of(np.array([fwhm]))[0]
    ring = _ring(by.ring_radii)
    none = np.empty((0, 0), np.uint8)
    for c, plane in enumerate(planes):
        image = np.ascontiguousarray(plane)
        table = np.empty((len(stars), len(COLUMNS)))
        inside = np.clip(found, 1, [plane.shape[0] - 2, plane.shape[1] - 2])
        measure_peaks(image, image, none, inside.astype(np.int32), by.sigma, ring, table)
        out[:, c] = table[:, 2] / share
    return out
