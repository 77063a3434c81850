"""The Moffat profile, and what a Gaussian window sees of it."""

from __future__ import annotations

from typing import overload

import numpy as np
from numpy.typing import NDArray

__all__ = ["GAUSSIAN_FWHM", "WindowTable", "moffat_fwhm", "moffat_gamma", "moffat_profile"]

Floats = NDArray[np.float64]

#: Places of a star within a pixel, along each axis, that are averaged.
_PHASES = 4

#: FWHM of a Gaussian of unit standard deviation, 2 sqrt(2 ln 2).
GAUSSIAN_FWHM = 2.3548200450309493


def moffat_fwhm(gamma: float, alpha: float) -> float:
    """FWHM of ``(1 + (r / gamma)^2)^-alpha``: 2 gamma sqrt(2^(1/alpha) - 1) (Moffat 1969, A&A 3, 455).

    Parameters
    ----------
    gamma : float
        In pixels.
    alpha : float
        Index of the profile.

    Returns
    -------
    float
        In pixels.
    """
    return float(2 * gamma * np.sqrt(2 ** (1 / alpha) - 1))


@overload
def moffat_gamma(fwhm: float, alpha: float) -> float: ...
@overload
def moffat_gamma(fwhm: float | Floats, alpha: float) -> float | Floats: ...
def moffat_gamma(fwhm: float | Floats, alpha: float) -> float | Floats:
    """Core width gamma of the Moffat profile of this FWHM, or of each of several.

    Parameters
    ----------
    fwhm : float or ndarray, shape (N,)
        In pixels.
    alpha : float
        Index of the profile.

    Returns
    -------
    float or ndarray, shape (N,)
        In pixels.
    """
    gamma = fwhm / (2 * np.sqrt(2 ** (1 / alpha) - 1))
    return gamma if isinstance(gamma, np.ndarray) else float(gamma)


def moffat_profile(r: NDArray[np.floating] | float, gamma: float, alpha: float) -> Floats:
    """Moffat profile of unit total flux at radius ``r`` in pixels.

    Parameters
    ----------
    r : float or ndarray, shape (...)
    gamma : float
        In pixels.
    alpha : float
        Index of the profile.

    Returns
    -------
    ndarray, shape (...)
        In flux a square pixel.
    """
    return np.asarray((alpha - 1) / (np.pi * gamma**2) * (1 + (np.asarray(r, np.float64) / gamma) ** 2) ** -alpha)


class WindowTable:
    """What a round Gaussian window of standard deviation ``window`` measures of Moffat stars of index ``alpha``.

    Windowed second moments, corrected for the window as for a Gaussian star (1/s^2 = 1/m^2 - 1/window^2), are
    not the Moffat's width, and a windowed sum is not its flux: this table turns them into FWHM and flux. ``ring`` is
    the radius where the background was taken: what the star has there is missing from window and moments.
    """

    def __init__(self, alpha: float, window: float, ring: float) -> None:
        self.fwhm: Floats = np.geomspace(0.25, 12.0, 64) * window
        # Stars are sampled at pixel centres; the window's square is centred on a pixel, the star anywhere in it.
        reach = int(np.ceil(3 * window))
        pixel = np.arange(-reach, reach + 1)
        phase = (np.arange(_PHASES) + 0.5) / _PHASES - 0.5
        d2 = (pixel[None, :] - phase[:, None]) ** 2
        r2 = (d2[:, None, :, None] + d2[None, :, None, :]).ravel()
        weight = np.exp(-0.5 * r2 / window**2) / _PHASES**2
        gamma2 = (self.fwhm[:, None] / 2) ** 2 / (2 ** (1 / alpha) - 1)
        light = (1 + r2 / gamma2) ** -alpha - (1 + ring**2 / gamma2) ** -alpha
        light *= (alpha - 1) / (np.pi * gamma2) * weight
        self.share: Floats = light.sum(axis=1)
        moment = np.clip((light * r2).sum(axis=1) / self.share / 2, 1e-3 * window**2, 0.985 * window**2)
        self.width: Floats = np.maximum.accumulate(1 / np.sqrt(1 / moment - 1 / window**2))

    def fwhm_of(self, width: Floats) -> Floats:
        """FWHM of stars whose windowed, Gaussian-corrected standard deviation is ``width``.

        Parameters
        ----------
        width : ndarray, shape (N,)
            In pixels.

        Returns
        -------
        ndarray, shape (N,)
            In pixels.
        """
        return np.interp(width, self.width, self.fwhm)

    def share_of(self, fwhm: Floats) -> Floats:
        """Windowed sum of a star of unit flux and this FWHM.

        Parameters
        ----------
        fwhm : ndarray, shape (N,)
            In pixels.

        Returns
        -------
        ndarray, shape (N,)
        """
        return np.interp(fwhm, self.fwhm, self.share)
