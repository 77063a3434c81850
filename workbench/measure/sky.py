"""Sky level of a plane: the most common value, whatever stars and objects do above it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.blocks import as_plane, as_planes, checked_coverage
from workbench.measure.histogram import count, histogram, median_mad, quantiles
from workbench.measure.noise import noise

__all__ = ["SkyLevel", "count", "histogram", "median_mad", "quantiles", "sky_level", "sky_levels"]


@dataclass(frozen=True, slots=True)
class SkyLevel:
    """Sky of a plane.

    Attributes
    ----------
    level : float
        Most common value of the plane.
    sigma : float
        Noise of a sky pixel around it (gradients and objects do not count).
    """

    level: float
    sigma: float

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {"level": self.level, "sigma": self.sigma}


def sky_level(plane: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> SkyLevel:
    """Sky level and noise of a linear plane (H, W) float32; pixels with coverage 0 are left out."""
    plane = as_plane(plane)
    sigma = noise(plane, coverage).sigma
    low, median = quantiles(plane, [0.02, 0.5], coverage)
    checked_coverage(coverage, *plane.shape)
    if not sigma > 0:
        return SkyLevel(float(median), 0.0)
    lo, hi = low - 4 * sigma, median + 4 * sigma
    bins = int(min(4096, max(32, (hi - lo) / (0.05 * sigma))))
    counts = histogram(plane, lo, hi, bins, coverage).astype(np.float64)
    width = (hi - lo) / bins
    # Smooth by half a sigma, then the vertex of a parabola through the logarithm of the top.
    half = max(1, round(0.5 * sigma / width))
    taps = np.exp(-0.5 * (np.arange(-3 * half, 3 * half + 1) / half) ** 2)
    smooth = np.convolve(counts, taps / taps.sum(), mode="same")
    peak = int(smooth.argmax())
    inside = np.flatnonzero(smooth > 0.6 * smooth[peak])
    run = inside[(inside >= peak - 4 * half) & (inside <= peak + 4 * half)]
    if run.size < 5:
        return SkyLevel(float(lo + (peak + 0.5) * width), sigma)
    t = run - peak
    a, b, _ = np.polyfit(t, np.log(smooth[run]), 2, w=np.sqrt(smooth[run]))
    shift = -b / (2 * a) if a < 0 else 0.0
    return SkyLevel(float(lo + (peak + 0.5 + np.clip(shift, t[0], t[-1])) * width), sigma)


def sky_levels(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> list[SkyLevel]:
    """`sky_level` of each plane of (C, H, W)."""
    return [sky_level(plane, coverage) for plane in as_planes(planes)]
