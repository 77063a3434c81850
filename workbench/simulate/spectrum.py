"""Colors of stars and glowing gas as the camera's three channels see them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "HYDROGEN",
    "LINES_NM",
    "OXYGEN",
    "WAVELENGTHS_NM",
    "blackbody",
    "camera_response",
    "gas_color",
    "star_color",
    "white_gains",
]

#: Grid of the integrals, in nanometres.
WAVELENGTHS_NM: NDArray[np.float64] = np.arange(380.0, 741.0, 2.0)

#: Second radiation constant h c / k in nm K (CODATA 2018).
_C2_NM_K = 1.438776877e7

#: Lines of glowing gas (air wavelengths, nm; Osterbrock & Ferland 2006 [from memory]).
LINES_NM: dict[str, float] = {"H-alpha": 656.28, "H-beta": 486.13, "O III": 500.68, "S II": 672.5}

#: Ionised hydrogen with the lines that go with it: energies relative to H-beta (case B, 10^4 K: H-alpha 2.86,
#: Osterbrock & Ferland 2006 [from memory]), and the hotter gas near the star.
HYDROGEN: dict[str, float] = {"H-alpha": 2.86, "H-beta": 1.0, "S II": 0.5, "O III": 0.3}
OXYGEN: dict[str, float] = {"H-alpha": 2.86, "H-beta": 1.0, "O III": 5.0}


def blackbody(wavelength_nm: ArrayLike, temperature_k: ArrayLike) -> NDArray[np.float64]:
    """Planck's law as spectral radiance per unit wavelength, 1 at 560 nm.

    Parameters
    ----------
    wavelength_nm : array_like, shape (...)
    temperature_k : array_like, shape (...)
        Broadcast against each other.

    Returns
    -------
    ndarray, shape (...), float64
        Broadcast.
    """
    lam = np.asarray(wavelength_nm, dtype=np.float64)
    t = np.asarray(temperature_k, dtype=np.float64)
    return (560.0 / lam) ** 5 * np.expm1(_C2_NM_K / (560.0 * t)) / np.expm1(_C2_NM_K / (lam * t))


def camera_response(wavelength_nm: ArrayLike) -> NDArray[np.float64]:
    """Electrons per photon in red, green and blue, relative to the green peak: (3, n).

    Smooth curves of our own in the shape that color sensors share: two-sided bells around 600, 532 and 458 nm, a
    little leakage, and an infrared filter that passes about two thirds of the light at H-alpha, as one changed for
    astronomy does.

    Parameters
    ----------
    wavelength_nm : array_like, shape (n,)

    Returns
    -------
    ndarray, shape (3, n), float64
    """
    lam = np.asarray(wavelength_nm, dtype=np.float64)

    def bell(peak: float, left: float, right: float) -> NDArray[np.float64]:
        return np.exp(-0.5 * ((lam - peak) / np.where(lam < peak, left, right)) ** 2)

    window = 1.0 / ((1.0 + np.exp((lam - 662.0) / 7.0)) * (1.0 + np.exp((405.0 - lam) / 6.0)))
    red = 0.78 * bell(600.0, 26.0, 60.0) + 0.05 * bell(440.0, 25.0, 25.0) + 0.05 * bell(530.0, 30.0, 40.0)
    green = bell(532.0, 34.0, 42.0) + 0.06 * bell(610.0, 30.0, 40.0)
    blue = 0.92 * bell(458.0, 28.0, 32.0) + 0.03 * bell(540.0, 30.0, 30.0)
    return np.stack([red, green, blue]) * window


def _channels(temperature_k: ArrayLike) -> NDArray[np.float64]:
    t = np.atleast_1d(np.asarray(temperature_k, dtype=np.float64))
    photons = blackbody(WAVELENGTHS_NM, t[:, None]) * WAVELENGTHS_NM / 560.0
    return photons @ camera_response(WAVELENGTHS_NM).T


def white_gains(white_k: float) -> NDArray[np.float64]:
    """What the three channels record of a white star, relative to green: (3,).

    Parameters
    ----------
    white_k : float
        In kelvin.

    Returns
    -------
    ndarray, shape (3,), float64
    """
    c = _channels(white_k)[0]
    return np.asarray(c / c[1])


def star_color(temperature_k: ArrayLike, white_k: float) -> NDArray[np.float64]:
    """White-referenced colors of stars, green = 1: (n, 3). A star of ``white_k`` is (1, 1, 1).

    Parameters
    ----------
    temperature_k : array_like, shape (n,)
    white_k : float
        In kelvin.

    Returns
    -------
    ndarray, shape (n, 3), float64
    """
    c = _channels(temperature_k) / _channels(white_k)[0]
    return np.asarray(c / c[:, 1:2])


def gas_color(lines: dict[str, float], white_k: float, reddening: float = 0.0) -> NDArray[np.float64]:
    """White-referenced color of gas that glows in ``lines`` (relative energies), largest channel 1: (3,).

    ``reddening`` is the extinction of the dust before it in visual magnitudes; it falls as 1 / wavelength.

    Parameters
    ----------
    lines : dict of str to float
        Energies by the line's name.
    white_k : float
        In kelvin.
    reddening : float

    Returns
    -------
    ndarray, shape (3,), float64
    """
    total = np.zeros(3)
    for name, energy in lines.items():
        wavelength = LINES_NM[name]
        photons = energy * wavelength * 10.0 ** (-0.4 * reddening * 550.0 / wavelength)
        total += photons * camera_response([wavelength])[:, 0]
    total /= white_gains(white_k)
    return np.asarray(total / total.max())
