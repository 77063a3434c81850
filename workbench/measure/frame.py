"""The frame as a whole: borders, clipped pixels, and the gradient of its background."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.blocks import as_planes, checked_coverage
from workbench.measure.borders import Borders, find_borders
from workbench.measure.mesh import measure_mesh

__all__ = ["Borders", "Gradient", "background_gradient", "clipped_fraction", "find_borders"]

Floats = NDArray[np.float64]

_TERMS = 6
_REJECTIONS = 12


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


def clipped_fraction(
    planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None, *, level: float = 0.995
) -> float:
    """Share of covered pixels in which a channel reaches ``level`` (1.0 = white level)."""
    planes = as_planes(planes)
    _, h, w = planes.shape
    cov = checked_coverage(coverage, h, w)
    clipped = planes[0] >= level
    for plane in planes[1:]:
        clipped |= plane >= level
    if not cov.size:
        return float(np.count_nonzero(clipped) / clipped.size)
    seen = np.count_nonzero(cov)
    return float(np.count_nonzero(clipped & (cov > 0)) / seen) if seen else 0.0


def _terms(rows: int, columns: int) -> Floats:
    v, u = np.meshgrid(_axis(rows), _axis(columns), indexing="ij")
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def _axis(n: int) -> Floats:
    return np.linspace(-1, 1, n) if n > 1 else np.zeros(1)


def _surface(level: Floats, known: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Quadratic surface under a mesh (coefficients, values): cells above it are let go, as objects."""
    terms = _terms(*level.shape)
    use = known.copy()
    weights = np.zeros(_TERMS)
    for _ in range(_REJECTIONS):
        if np.count_nonzero(use) < 2 * _TERMS:
            break
        weights = np.linalg.lstsq(terms[use], level[use], rcond=None)[0]
        left = level - terms @ weights
        spread = 1.4826 * float(np.median(np.abs(left[use] - np.median(left[use]))))
        kept = known & (left < 2.0 * spread) & (left > -4.0 * spread)
        if not spread > 0 or np.array_equal(kept, use):
            break
        use = kept
    return weights, terms @ weights


def background_gradient(planes: NDArray[np.float32], coverage: NDArray[np.uint8] | None = None) -> Gradient:
    """Size and direction of the background's smooth change over a frame (C, H, W)."""
    planes = as_planes(planes)
    _, h, w = planes.shape
    cov = checked_coverage(coverage, h, w)
    if cov.size and not cov.any():
        raise WorkbenchError("the frame has no covered pixel to measure")
    spans, shares = [], []
    total = np.zeros(2)
    cell = int(np.clip(min(h, w) // 12, 8, 128))
    for plane in planes:
        mesh = measure_mesh(plane[None], cov, cell, 2 if cell > 16 else 1)
        known = mesh.known
        level = np.where(known, mesh.level, 0).astype(np.float64)
        if np.count_nonzero(known) < 2 * _TERMS:
            spans.append(0.0)
            shares.append(0.0)
            continue
        weights, surface = _surface(level, known)
        span = float(np.ptp(surface[known]))
        spans.append(span)
        middle = float(np.median(surface[known]))
        shares.append(span / middle if middle > 0 else 0.0)
        total += [weights[1] / max(w, 1) * h, weights[2]]
    direction = float(np.rad2deg(np.arctan2(-total[1], total[0]))) if total.any() else 0.0
    return Gradient(tuple(spans), max(shares), direction)
