"""Noise of a plane: per pixel, per starlet scale, and how far neighbouring pixels share it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure import starlet
from workbench.measure.blocks import Coverage, Plane, as_plane, checked_coverage, in_order
from workbench.measure.histogram import MAD_TO_SIGMA
from workbench.measure.mesh import measure_mesh

__all__ = ["Noise", "noise"]

_SCALES = 5
_CELL = 64
_MOST_CELLS = 240


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of a plane in its quiet areas.

    Attributes
    ----------
    sigma : float
        Standard deviation of a pixel, including the part it shares with its neighbours.
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


def _mad_sigma(values: NDArray[np.float32]) -> float:
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def _quiet_cells(plane: Plane, coverage: Coverage, cell: int) -> NDArray[np.int64]:
    """Cells (row, column) of the least light: where noise is not hidden under objects."""
    mesh = measure_mesh(plane[None], coverage, cell)
    known = np.argwhere(mesh.known)
    level = mesh.level[mesh.known]
    order = np.argsort(level, kind="stable")
    keep = order[: max(int(0.4 * order.size), min(order.size, 12))]
    if keep.size > _MOST_CELLS:
        keep = keep[np.linspace(0, keep.size - 1, _MOST_CELLS).round().astype(int)]
    return known[np.sort(keep)]


def _cell_noise(plane: Plane, coverage: Coverage, cell: int, at: NDArray[np.int64]) -> NDArray[np.float64] | None:
    """(sigma, scale 1 .. scale 5) of one cell with stars and other structure masked."""
    h, w = plane.shape
    halo = starlet.reach(_SCALES)
    y0, x0 = int(at[0]) * cell, int(at[1]) * cell
    y1, x1 = min(y0 + cell, h), min(x0 + cell, w)
    ya, xa, yb, xb = max(y0 - halo, 0), max(x0 - halo, 0), min(y1 + halo, h), min(x1 + halo, w)
    tile = np.ascontiguousarray(plane[ya:yb, xa:xb])
    # Bright things are cut down first, or their wings would ring through the coarse scales.
    median = np.median(tile)
    sigma = _mad_sigma(tile)
    waves, rest = starlet.scales(np.clip(tile, median - 5 * sigma, median + 5 * sigma), _SCALES)
    middle = waves[1] + waves[2]
    bright = (np.abs(middle) > 2.5 * _mad_sigma(middle)).astype(np.uint8)
    mask = cv2.dilate(bright, np.ones((5, 5), np.uint8)) == 0
    if coverage.size:
        near = cv2.erode((coverage[ya:yb, xa:xb] > 0).astype(np.uint8), np.ones((5, 5), np.uint8))
        mask &= near > 0
    core = np.s_[y0 - ya : y1 - ya, x0 - xa : x1 - xa]
    keep = mask[core]
    if np.count_nonzero(keep) < min(64, keep.size):
        return None
    smooth = rest + waves[4]
    residual = tile[core] - smooth[core]
    return np.array([_mad_sigma(residual[keep]), *(_mad_sigma(wave[core][keep]) for wave in waves)])


def _plain_noise(plane: Plane, coverage: Coverage) -> Noise:
    """Noise of a frame too small for cells: spread of its pixels, taken for white."""
    values = plane[coverage > 0] if coverage.size else plane.ravel()
    if values.size == 0:
        raise WorkbenchError("the frame has no covered pixel to measure")
    sigma = _mad_sigma(values)
    return Noise(sigma, 1.0, tuple(sigma * factor for factor in starlet.WHITE_NOISE))


def noise(plane: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> Noise:
    """Noise of a linear plane in its areas of least light.

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
    """
    plane = as_plane(plane)
    cov = checked_coverage(coverage, *plane.shape)
    cells = list(_quiet_cells(plane, cov, _CELL))
    found = [f for f in in_order(lambda at: _cell_noise(plane, cov, _CELL, at), cells) if f is not None]
    if not found:
        return _plain_noise(plane, cov)
    table = np.median(np.stack(found), axis=0)
    sigma, per_scale = float(table[0]), tuple(float(s) for s in table[1:])
    white = per_scale[0] / starlet.WHITE_NOISE[0]
    return Noise(sigma, sigma / white if white > 0 else 1.0, per_scale)
