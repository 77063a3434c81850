"""The star model as arrays, for fitting and painting; `facts` has it as data."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["STEP", "StarModel", "edges", "profile_table"]

Floats = NDArray[np.float64]
Table = NDArray[np.float32]

#: Step of the tabulated profile in FWHM.
STEP = 1.0 / 32.0
#: Coefficients of the ground under a star: level, slope (2), saddle (2), bowl.
TERMS = 6


@dataclass(frozen=True, slots=True)
class StarModel:
    """Stars of a frame, brightest first; positions and lengths in full-resolution pixels.

    Attributes
    ----------
    x, y : ndarray, shape (N,)
    fwhm, elongation, angle_deg : ndarray, shape (N,)
        Geometric-mean FWHM, longer over shorter axis, direction of the longer axis from +x towards +y.
    peak : ndarray, shape (N, C)
        Height of the star at its centre, as if it were not cut off.
    limit : ndarray, shape (N, C)
        Height above the ground at which a saturated star is cut off; infinite for others.
    edge : ndarray, shape (N,)
        Radius of the footprint in FWHM; beyond it nothing is changed.
    core : ndarray, shape (N,)
        Radius in FWHM within which the star hides the ground.
    wings : ndarray, shape (N,)
        The star's own wings as a share of the field's, from ``core`` on; within half of that it is the field's profile.
    ground : ndarray, shape (N, C, 6)
        The ground at offset (u, v) = (dx, dy) / (core FWHM):
        g0 + g1 u + g2 v + g3 (u^2 - v^2) + g4 2 u v + g5 (u^2 + v^2).
    rho : ndarray, shape (K,)
        Nodes of the radial profile, in FWHM.
    profile : ndarray, shape (K, C)
        Profile at the nodes: 1 at the centre, never rising.
    """

    x: Floats
    y: Floats
    fwhm: Floats
    elongation: Floats
    angle_deg: Floats
    peak: Floats
    limit: Floats
    edge: Floats
    core: Floats
    wings: Floats
    ground: Floats
    rho: Floats
    profile: Floats

    def __len__(self) -> int:
        return int(self.x.size)

    @property
    def channels(self) -> int:
        return int(self.profile.shape[1])

    @property
    def radius(self) -> Floats:
        """Half side in pixels of the square that holds the footprint, (N,)."""
        return np.asarray(self.edge * self.fwhm * np.sqrt(self.elongation))

    @property
    def form(self) -> Floats:
        """Quadratic form (N, 3): rho^2 = f0 dx^2 + 2 f1 dx dy + f2 dy^2."""
        a = 1.0 / (self.fwhm**2 * self.elongation)
        b = self.elongation / self.fwhm**2
        c, s = np.cos(np.deg2rad(self.angle_deg)), np.sin(np.deg2rad(self.angle_deg))
        return np.stack([a * c * c + b * s * s, (a - b) * c * s, a * s * s + b * c * c], axis=1)

    def select(self, which: NDArray[np.bool_] | NDArray[np.int64]) -> StarModel:
        """The model of the stars that a mask (N,) or their places pick, with the profile that all share."""
        shared = {"rho", "profile"}
        return replace(self, **{f.name: getattr(self, f.name)[which] for f in fields(self) if f.name not in shared})

    def replaced(self, **changes: Any) -> StarModel:
        """The model with some arrays replaced."""
        return replace(self, **changes)


def profile_table(rho: Floats, profile: Floats) -> Table:
    """Profile on an even grid of `STEP` FWHM, (T, C): straight in log-log between nodes; ends with a zero row."""
    grid = np.arange(0.0, rho[-1] + STEP, STEP)
    logs = np.log(np.maximum(profile, 1e-30))
    # 1 + (2 rho)^2 runs like rho^2 in the core and like log rho in the wings: a Moffat is nearly straight in it.
    at, nodes = np.log1p(4 * grid**2), np.log1p(4 * rho**2)
    table = np.stack([np.exp(np.interp(at, nodes, column)) for column in logs.T], axis=1)
    return np.concatenate([table, np.zeros((2, table.shape[1]))]).astype(np.float32)


def edges(table: Table, height: Floats, faint: float, least: float) -> Floats:
    """Radius in FWHM where a star of central ``height`` (N,) falls below ``faint``, at least ``least``."""
    mean = table.mean(axis=1, dtype=np.float64)
    # The profile never rises: search it backwards.
    index = mean.size - np.searchsorted(mean[::-1], faint / np.maximum(height, 1e-30), side="left")
    return np.asarray(np.maximum(index * STEP, least))
