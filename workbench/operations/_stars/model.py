"""The star model as data: plain and packed lists in the facts, arrays in kernels."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.operations.packed import pack, unpack

__all__ = ["STEP", "StarModel", "edges", "profile_table"]

Floats = NDArray[np.float64]
Table = NDArray[np.float32]

#: Step of the tabulated profile in FWHM.
STEP = 1.0 / 32.0
#: Coefficients of the ground under a star: level, slope (2), saddle (2), bowl.
TERMS = 6
#: Steps that a star's columns are kept in: lengths in pixels or FWHM, ratios, degrees.
_STEPS = {"radius": 0.1, "fwhm": 0.001, "elongation": 0.001, "angle_deg": 0.1, "edge": 0.001, "core": 0.001}
#: Light is kept within this many of its steps, the range of 32-bit integers.
_MOST = 2.0e9


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

    def replaced(self, **changes: Any) -> StarModel:
        """The model with some arrays replaced."""
        return replace(self, **changes)

    def to_dict(self, sigma: float) -> dict[str, Any]:
        """Plain data: positions to 0.01 px, light to 1/64 of the noise ``sigma``."""
        light = max(sigma, 1e-12) / 64
        cut = np.flatnonzero(np.isfinite(self.limit).any(axis=1))
        return {
            "x": np.round(self.x, 2).tolist(),
            "y": np.round(self.y, 2).tolist(),
            **{name: pack(getattr(self, name), step) for name, step in _STEPS.items()},
            "peak": pack(np.clip(self.peak, -_MOST * light, _MOST * light), light),
            "ground": pack(np.clip(self.ground, -_MOST * light, _MOST * light), light),
            "cut_off": cut.tolist(),
            "limit": self.limit[cut].tolist(),
            "rho": np.round(self.rho, 4).tolist(),
            "profile": [[float(f"{v:.6g}") for v in row] for row in self.profile],
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> StarModel:
        """Build from what `to_dict` made."""
        columns = {name: unpack(data[name]) for name in _STEPS if name != "radius"}
        columns |= {name: np.asarray(data[name], np.float64) for name in ("x", "y")}
        profile = np.asarray(data["profile"], np.float64)
        n, channels = len(columns["x"]), profile.shape[1]
        limit = np.full((n, channels), np.inf)
        if data["cut_off"]:
            limit[data["cut_off"]] = np.asarray(data["limit"], np.float64).reshape(-1, channels)
        peak, ground = unpack(data["peak"]).reshape(n, channels), unpack(data["ground"]).reshape(n, channels, TERMS)
        rho = np.asarray(data["rho"], np.float64)
        return cls(**columns, rho=rho, peak=peak, limit=limit, ground=ground, profile=profile)


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
