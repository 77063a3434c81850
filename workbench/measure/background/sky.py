"""Sky level of a plane: the most common brightness, whatever stars and objects do above it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.background.mesh import background_mesh
from workbench.measure.blocks import as_plane, as_planes, checked_coverage
from workbench.measure.histogram import count, histogram, median_mad, quantiles
from workbench.measure.noise import noises
from workbench.measure.statistics import shortest_interval

__all__ = ["SkyLevel", "common_level", "count", "histogram", "median_mad", "quantiles", "sky_level", "sky_levels"]

#: Cells (px) small enough to fall between stars and knots, and the share of them that is 'the most common'.
_CELL = 32
_SMALLEST_CELL = 8
_COMMON = 0.3
#: Fewer cells than this say less than the pixels themselves.
_FEW_CELLS = 16
#: Pixels of a plane from which on every fourth row and column, in place of every second, is enough.
_LARGE = 8_000_000


@dataclass(frozen=True, slots=True)
class SkyLevel:
    """Sky of a plane.

    Attributes
    ----------
    level : float
        Most common brightness of the plane.
    sigma : float
        Noise of a sky pixel around it, the part it shares with its neighbors included; gradients and objects do not
        count. See `workbench.measure.noise`.
    """

    level: float
    sigma: float

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {"level": self.level, "sigma": self.sigma}


def sky_level(plane: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> SkyLevel:
    """Sky level and noise of a linear plane.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    SkyLevel

    Raises
    ------
    WorkbenchError
        When no pixel is covered.

    Notes
    -----
    The level of cells of 32 pixels is measured (stars clipped off), and the median of those in the shortest interval
    that holds 30 % of them is the sky. An object may fill most of the frame as long as its own brightness is less
    even than the sky's. With a gradient it is the brightness that most of the frame's area has, not the mean; where
    faint nebulosity leaves no sky free, it is sky and nebulosity together.

    Tried on simulated scenes without gradient, error in units of the noise of a pixel (rms over nebula, galaxy,
    cluster and star field, three channels each): this way 0.2; mode of the pixel histogram 0.5; 2.5 median - 1.5 mean
    after clipping 0.4; median after lopsided clipping 0.5; mode of 8 x 8 means 0.3; plain median 1.2. About 0.1 s
    for 24 million pixels on two cores.
    """
    return sky_levels(as_plane(plane), coverage)[0]


def sky_levels(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> list[SkyLevel]:
    """`sky_level` of each plane of (C, H, W); their noise is measured in the same cells.

    Parameters
    ----------
    planes : ndarray, shape (C, H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
        0 where a pixel means nothing.

    Returns
    -------
    list of SkyLevel
    """
    planes = as_planes(planes)
    found = noises(planes, coverage)
    return [SkyLevel(common_level(p, coverage), n.sigma) for p, n in zip(planes, found, strict=True)]


def common_level(plane: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None, *, thinned: float = 1) -> float:
    """Most common brightness of a plane, the level of `sky_level` alone.

    Parameters
    ----------
    plane : ndarray, shape (H, W), float32
    coverage : ndarray, shape (H, W), uint8, optional
    thinned : float
        How many pixels of the full frame lie from one of the plane to the next, when it holds only every n-th or is
        reduced.

    Returns
    -------
    float
        In units of the plane.

    Raises
    ------
    WorkbenchError
        When no pixel is covered.
    """
    plane = as_plane(plane)
    cov = checked_coverage(coverage, *plane.shape)
    largest = max(int(_CELL / thinned), _SMALLEST_CELL)
    size = int(np.clip(min(plane.shape) // 12, _SMALLEST_CELL, largest))
    step = 1 if size < _CELL else (4 if plane.size > _LARGE else 2)
    mesh = background_mesh(plane[None], cov, size, step, sigmas=False)
    cells = mesh.level[mesh.known]
    if cells.size < _FEW_CELLS:
        return float(quantiles(plane, [0.5], coverage)[0])
    low, high = shortest_interval(cells, _COMMON)
    return float(np.median(cells[(cells >= low) & (cells <= high)]))
