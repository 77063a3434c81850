"""All light of stars that stand alone, in apertures wide enough to hold it, and how sure it is."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import Planes
from workbench.measure.statistics import MAD_TO_SIGMA

__all__ = ["ApertureLight", "aperture_light"]

Floats = NDArray[np.float64]


class ApertureLight(NamedTuple):
    """Light of each star in each channel (N, C), and its standard error."""

    light: Floats
    error: Floats


def aperture_light(planes: Planes, x: Floats, y: Floats, *, radius: float, ring: float) -> ApertureLight:
    """Light within a circle around each place, above the median of a ring around the circle.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
        Linear light.
    x, y : ndarray, shape (N,)
        Column and row in pixels; circle and ring must lie in the frame.
    radius : float
        Of the circle, px. A pixel on its edge counts by the share that lies inside.
    ring : float
        Width of the ring, px.

    Returns
    -------
    ApertureLight
        In pixel values x pixels. The error is that of the sky, by the scatter in the ring: of the circle's pixels and
        of the level taken off (a median's, pi / 2 times the variance of a mean; common practice). A star's own photon
        noise is not in it.
    """
    light, error = np.empty((2, len(x), len(planes)))
    height, width = planes.shape[1:]
    reach = radius + ring + 1
    area = np.pi * radius**2
    for k, (column, row) in enumerate(zip(x, y, strict=True)):
        rows = np.arange(max(int(row - reach), 0), min(int(row + reach) + 2, height))
        columns = np.arange(max(int(column - reach), 0), min(int(column + reach) + 2, width))
        down, across = rows[:, None] - row, columns[None, :] - column
        distance = np.hypot(down, across)
        around = (distance >= radius) & (distance < radius + ring)
        share = _share_inside(across, down, radius)
        for c, part in enumerate(planes[:, rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1].astype(np.float64)):
            sky = part[around]
            level = np.median(sky)
            scatter = MAD_TO_SIGMA * np.median(np.abs(sky - level))
            light[k, c] = (part * share).sum() - area * level
            error[k, c] = scatter * np.sqrt(area + np.pi / 2 * area**2 / sky.size)
    return ApertureLight(light, error)


def _share_inside(across: Floats, down: Floats, radius: float) -> Floats:
    """Share of each pixel that lies within a circle, exactly, by its place from the circle's middle (w across, h down).

    Like sums over a table of areas: below and left of one corner less that of its neighbors.
    """
    x, y = (np.array([-0.5, 0.5]) + at.ravel()[:, None] for at in (across, down))
    left, right = x.T[:, None, :] / radius
    upper, lower = y.T[:, :, None] / radius
    corners = _area_before(right, lower) - _area_before(left, lower)
    return radius**2 * (corners - _area_before(right, upper) + _area_before(left, upper))


def _area_before(x: Floats, y: Floats) -> Floats:
    """Area of the unit circle's part that lies left of ``x`` and above ``y``."""
    x, y = np.clip(x, -1, 1), np.clip(y, -1, 1)
    left, above = (np.pi / 2 + at * np.sqrt(1 - at * at) + np.arcsin(at) for at in (x, y))
    corner_inside = x * y + (left + above) / 2 - np.pi / 4
    corner_outside = np.where(y > 0, left, 0) + np.where(x > 0, above, 0) - np.pi * ((x > 0) & (y > 0))
    return np.where(x * x + y * y < 1, corner_inside, corner_outside)
