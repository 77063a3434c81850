"""The Moffat profile, and what a Gaussian window sees of it."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

__all__ = ["GAUSSIAN_FWHM", "WindowTable", "moffat_fwhm", "moffat_gamma", "moffat_profile", "window_table"]

Floats = NDArray[np.float64]

#: FWHM of a Gaussian of unit standard deviation, 2 sqrt(2 ln 2).
GAUSSIAN_FWHM = 2.3548200450309493


def moffat_fwhm(gamma: float, alpha: float) -> float:
    """FWHM of ``(1 + (r / gamma)^2)^-alpha``: 2 gamma sqrt(2^(1/alpha) - 1) (Moffat 1969, A&A 3, 455)."""
    return float(2 * gamma * np.sqrt(2 ** (1 / alpha) - 1))


def moffat_gamma(fwhm: float, alpha: float) -> float:
    """Core width gamma of the Moffat profile of this FWHM."""
    return float(fwhm / (2 * np.sqrt(2 ** (1 / alpha) - 1)))


def moffat_profile(r: NDArray[np.floating] | float, gamma: float, alpha: float) -> Floats:
    """Moffat profile of unit total flux at radius ``r`` in pixels."""
    return np.asarray((alpha - 1) / (np.pi * gamma**2) * (1 + (np.asarray(r, np.float64) / gamma) ** 2) ** -alpha)


class WindowTable:
    """What a round Gaussian window of standard deviation ``window`` measures of Moffat stars of index ``alpha``.

    Windowed second moments, corrected for the window as for a Gaussian star (1/s^2 = 1/m^2 - 1/window^2), are
    not the Moffat's width, and a windowed sum is not its flux: this table turns them into FWHM and flux.
    """

    def __init__(self, alpha: float, window: float) -> None:
        self.fwhm: Floats = np.geomspace(0.25, 12.0, 48) * window
        r = (np.arange(4000) + 0.5) * (5.0 * window / 4000)
        weight = np.exp(-0.5 * (r / window) ** 2) * r
        gamma = self.fwhm[:, None] / (2 * np.sqrt(2 ** (1 / alpha) - 1))
        profile = (alpha - 1) / (np.pi * gamma**2) * (1 + (r / gamma) ** 2) ** -alpha
        total = (profile * weight).sum(axis=1)
        moment = (profile * weight * r**2).sum(axis=1) / total / 2
        self.width: Floats = 1 / np.sqrt(1 / moment - 1 / window**2)
        self.share: Floats = total * 2 * np.pi * (r[1] - r[0])

    def fwhm_of(self, width: Floats) -> Floats:
        """FWHM of stars whose windowed, Gaussian-corrected standard deviation is ``width``."""
        return np.interp(width, self.width, self.fwhm)

    def share_of(self, fwhm: Floats) -> Floats:
        """Windowed sum of a star of unit flux and this FWHM."""
        return np.interp(fwhm, self.fwhm, self.share)


@lru_cache(maxsize=64)
def window_table(alpha: float, window: float) -> WindowTable:
    """A `WindowTable`, kept for later calls."""
    return WindowTable(alpha, window)
