"""The point spread of a field: one Moffat profile, and how its width changes over the frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.moffat import moffat_fwhm, moffat_gamma, moffat_profile
from workbench.measure.stars import Stars

__all__ = ["PsfModel", "field_psf"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PsfModel:
    """Moffat point spread with a width that varies smoothly over the field.

    Attributes
    ----------
    gamma, alpha : float
        Core width in pixels and index of ``(1 + (r / gamma)^2)^-alpha`` at the frame's typical place.
    fwhm_px : float
        FWHM of that profile in pixels.
    elongation, angle_deg : float
        Longer over shorter axis; direction of the longer axis from +x towards +y (down), -90 .. 90.
    shape : tuple of int
        (height, width) of the frame.
    field : tuple of float
        Coefficients of FWHM / fwhm_px in 1, u, v, u^2, uv, v^2 with u, v = -1 .. 1 across the frame.
    stars : int
        Stars that were used.
    """

    gamma: float
    alpha: float
    fwhm_px: float
    elongation: float
    angle_deg: float
    shape: tuple[int, int]
    field: tuple[float, ...] = (1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    stars: int = 0

    def profile(self, r: NDArray[np.floating] | float) -> Floats:
        """Moffat profile of unit flux at radius ``r`` (pixels)."""
        return moffat_profile(r, self.gamma, self.alpha)

    def fwhm_at(self, x: NDArray[np.floating] | float, y: NDArray[np.floating] | float) -> Floats:
        """FWHM in pixels at a place of the frame."""
        return self.fwhm_px * (_terms(x, y, self.shape) @ np.asarray(self.field))

    def to_dict(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "gamma": self.gamma,
            "alpha": self.alpha,
            "fwhm_px": self.fwhm_px,
            "elongation": self.elongation,
            "angle_deg": self.angle_deg,
            "shape": list(self.shape),
            "field": list(self.field),
            "stars": self.stars,
        }

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> PsfModel:
        """Build from plain data."""
        return cls(**{**data, "shape": tuple(data["shape"]), "field": tuple(data["field"])})


def _terms(x: Any, y: Any, shape: tuple[int, int]) -> Floats:
    u = 2 * np.asarray(x, np.float64) / max(shape[1] - 1, 1) - 1
    v = 2 * np.asarray(y, np.float64) / max(shape[0] - 1, 1) - 1
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)


def field_psf(plane: NDArray[np.float32], stars: Stars) -> PsfModel:
    """Point spread of a frame from its stars."""
    shape = (int(plane.shape[-2]), int(plane.shape[-1]))
    good = stars.select(~stars.saturated & (stars.snr > 20))
    if len(good) == 0:
        good = stars
    fwhm = float(np.median(good.fwhm)) if len(good) else 3.0
    alpha = 3.0
    gamma = moffat_gamma(fwhm, alpha)
    return PsfModel(gamma, alpha, moffat_fwhm(gamma, alpha), 1.0, 0.0, shape, stars=len(good))
