"""Size and direction of the smooth change of a frame's background."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.background.mesh import background_mesh
from workbench.measure.blocks import as_planes, checked_coverage
from workbench.measure.surface import evaluate, fit_surface

__all__ = ["Gradient", "background_gradient"]

#: Cells along the shorter side, the limits of their size (px), and how many a surface needs.
_CELLS = 12
_CELL = (8, 128)
_FEWEST = 24


@dataclass(frozen=True, slots=True)
class Gradient:
    """Smooth change of the background over the frame.

    Attributes
    ----------
    peak_to_peak : tuple of float
        Highest minus lowest value of the smooth background, by channel.
    share : float
        Largest of these as a share of the channel's sky level.
    direction_deg : float
        Where the background grows: 0 = towards the right edge, 90 = towards the top edge, -180 .. 180.
    """

    peak_to_peak: tuple[float, ...]
    share: float
    direction_deg: float

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "peak_to_peak": list(self.peak_to_peak),
            "share": self.share,
            "direction_deg": self.direction_deg,
        }


def background_gradient(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> Gradient:
    """Size and direction of the background's smooth change over a frame.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W) or (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    Gradient

    Raises
    ------
    WorkbenchError
        When no pixel is covered.

    Notes
    -----
    A quadratic surface through a mesh of sky levels, from which cells that lie above it (objects) are let go. It
    cannot tell faint nebulosity that fills the frame from a glow of the sky; it says how large, not what.
    """
    planes = as_planes(planes)
    shape = (planes.shape[1], planes.shape[2])
    cov = checked_coverage(coverage, *shape)
    if cov.size and not cov.any():
        raise WorkbenchError("the frame has no covered pixel to measure")
    cell = int(np.clip(min(shape) // _CELLS, *_CELL))
    spans, shares, slope = [], [], np.zeros(2)
    for plane in planes:
        mesh = background_mesh(plane[None], cov, cell, max(cell // 32, 1))
        known = np.argwhere(mesh.known)
        level = mesh.level[mesh.known].astype(np.float64)
        y, x = ((known[:, i] + 0.5) * cell - 0.5 for i in (0, 1))
        surface = fit_surface(x, y, level, shape, clip=(4.0, 2.0), least=_FEWEST)
        values = evaluate(surface, x, y, shape)
        span = float(np.ptp(values)) if values.size else 0.0
        middle = float(np.median(values)) if values.size else 0.0
        spans.append(span)
        shares.append(span / middle if middle > 0 else 0.0)
        # Per pixel; rows count downwards.
        slope += [surface[1] / shape[1], -surface[2] / shape[0]]
    direction = float(np.rad2deg(np.arctan2(slope[1], slope[0]))) if slope.any() else 0.0
    return Gradient(tuple(spans), max(shares), direction)
