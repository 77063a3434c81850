"""What color a star of known B-V has for a camera: temperature, Planck's spectrum, the camera's response.

Sources
-------
Temperature: Ballesteros 2012, EPL 97, 34008. Spectrum: Planck 1901, in photons, which is what a sensor counts. The
response is the camera's own where it was measured (`camera_response`), else a generic one: three bands as wide as those
behind a Bayer mosaic and an infrared filter, centered where most cameras of the last twenty years have theirs (from
memory; `BANDS`). It need not be right: a straight line is fitted between these colors and the measured ones, and takes
up what differs.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.measure.stars.moffat import GAUSSIAN_FWHM
from workbench.sky.camera_response import WAVELENGTHS, Response

__all__ = ["BANDS", "SUN_BV", "camera_colors", "channel_magnitudes", "planck_photons", "temperature"]

Floats = NDArray[np.float64]

#: The Sun's B-V (Ramirez et al. 2012, ApJ 752, 5).
SUN_BV = 0.653
#: Middle and full width at half maximum in nm of red, green and blue, taken for Gaussians.
BANDS = ((600.0, 75.0), (535.0, 95.0), (465.0, 85.0))
#: Johnson's V, likewise (middle: Bessell 2005, ARA&A 43, 293; width from memory).
_VISUAL = (551.0, 88.0)
_NM = np.arange(380.0, 721.0, 5.0)
#: Second radiation constant in nm K (CODATA 2018).
_C2 = 1.438776877e7


def temperature(bv: Floats) -> Floats:
    """Temperature of stars.

    Parameters
    ----------
    bv : ndarray
        B-V in magnitudes.

    Returns
    -------
    ndarray
        In kelvin: 4600 (1 / (0.92 c + 1.7) + 1 / (0.92 c + 0.62)).
    """
    c = 0.92 * np.clip(bv, -0.4, 2.5)
    return np.asarray(4600 * (1 / (c + 1.7) + 1 / (c + 0.62)))


def planck_photons(kelvin: Floats, nm: Floats) -> Floats:
    """Photons of a black body, up to a factor.

    Parameters
    ----------
    kelvin : ndarray, shape (N,)
    nm : ndarray, shape (M,)
        Wavelengths.

    Returns
    -------
    ndarray, shape (N, M)
        Per wavelength, in units of its own.
    """
    return np.asarray((nm / 500) ** -4 / np.expm1(_C2 / (nm * np.asarray(kelvin, np.float64)[:, None])))


def _measured(kelvin: Floats, response: Response) -> Floats:
    return np.asarray(planck_photons(kelvin, WAVELENGTHS) @ response.values, np.float64)


def _through(kelvin: Floats, bands: tuple[tuple[float, float], ...]) -> Floats:
    middle, width = np.array(bands).T
    response = np.exp(-0.5 * ((_NM[:, None] - middle) / (width / GAUSSIAN_FWHM)) ** 2)
    return np.asarray(planck_photons(kelvin, _NM) @ (response / response.sum(axis=0)), np.float64)


def camera_colors(kelvin: Floats, response: Response | None = None) -> Floats:
    """Colors of black bodies for a camera.

    Parameters
    ----------
    kelvin : ndarray, shape (N,)
    response : Response, optional
        A camera's own; default: the generic one.

    Returns
    -------
    ndarray, shape (N, 2)
        Natural logarithms of red over green and of blue over green, those of a Sun-like star being 0.
    """

    def colors(of: Floats) -> Floats:
        red, green, blue = np.log(_through(of, BANDS) if response is None else _measured(of, response)).T
        return np.stack([red - green, blue - green], axis=1)

    return colors(np.atleast_1d(np.asarray(kelvin, np.float64))) - colors(temperature(np.array([SUN_BV])))


def channel_magnitudes(visual: Floats, bv: Floats) -> Floats:
    """Magnitudes of stars in the three channels of the generic camera, V and a Sun-like star being their measure.

    Parameters
    ----------
    visual, bv : ndarray, shape (N,)
        V and B-V.

    Returns
    -------
    ndarray, shape (N, 3)
        Red, green, blue; all three are V for a star like the Sun.
    """

    def beyond(of: Floats) -> Floats:
        return -2.5 * np.log10(_through(of, BANDS) / _through(of, (_VISUAL,)))

    return visual[:, None] + beyond(temperature(bv)) - beyond(temperature(np.array([SUN_BV])))
