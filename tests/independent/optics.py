"""Point spreads drawn by GalSim, integrated over pixels, and stars that are stamped with them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import galsim
import numpy as np

#: Samples of a point spread per pixel: stars lie on places that are multiples of a fifth of a pixel.
OVERSAMPLING = 5
#: Wavelengths in nm that stand for red, green and blue.
WAVELENGTHS = (610.0, 535.0, 465.0)
#: The Sun's B-V (Ramirez et al. 2012, ApJ 752, 5), whose light counts as white.
SUN_BV = 0.653


@dataclass(frozen=True)
class Optics:
    """What makes a point of light wide.

    Attributes
    ----------
    fwhm : tuple of float
        Width of the seeing (Kolmogorov 1941) in each channel, px.
    diffraction : float
        Wavelength over aperture of the telescope, px; 0: none. Needed for what follows but the trail.
    struts : int
        Vanes in front of the mirror, which make spikes.
    coma, astigmatism, defocus : float
        Aberrations in waves.
    trail : float
        Length of a drift during each exposure, px, along ``angle``.
    angle : float
        Degrees, of struts and trail.
    field : bool
        Coma grows towards the corners and points to the middle, in nine zones.
    """

    fwhm: tuple[float, ...] = (2.8, 2.8, 2.8)
    diffraction: float = 0.0
    struts: int = 0
    coma: float = 0.0
    astigmatism: float = 0.0
    defocus: float = 0.0
    trail: float = 0.0
    angle: float = 20.0
    field: bool = False


_PRECISION = galsim.GSParams(maximum_fft_size=16384, folding_threshold=2e-3)


def drawn(profile: galsim.GSObject, size: int) -> np.ndarray:
    """A profile at fifths of a pixel, (size, size)."""
    return profile.drawImage(nx=size, ny=size, scale=1 / OVERSAMPLING, method="no_pixel", dtype=float).array


def faded(spread: np.ndarray, radius: int) -> np.ndarray:
    """No step at the rim of a bright star's stamp, ``radius`` px from its middle; every fifth sample sums up to 1."""
    y, x = np.mgrid[: spread.shape[0], : spread.shape[1]] - spread.shape[0] // 2
    rim = np.hypot(x, y) / (OVERSAMPLING * radius)
    spread = np.maximum(spread, 0) * np.clip((1 - rim) / 0.15, 0, 1)
    return spread * OVERSAMPLING**2 / spread.sum()


def _convolved(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Both centered, of one odd size; the rim is dark, so its wrapping around does no harm."""
    size = a.shape[0]
    seen = np.fft.irfft2(np.fft.rfft2(a) * np.fft.rfft2(np.roll(b, (-(size // 2),) * 2, (0, 1))), a.shape)
    return seen / b.sum()


@lru_cache(maxsize=256)
def point_spread(optics: Optics, channel: int, zone: tuple[int, int] = (0, 0), radius: int = 48) -> np.ndarray:
    """Light of a star of flux 1 in a pixel, for every place of the star against it.

    Parameters
    ----------
    optics : Optics
    channel : int
    zone : (int, int)
        Which third of the frame, -1, 0, 1 from left to right and from top to bottom; matters with ``optics.field``.
    radius : int
        Pixels from the middle to the rim.

    Returns
    -------
    ndarray, shape (n, n), n = 2 (5 radius + 5) + 1, float64
        Sampled at fifths of a pixel; the sum over every fifth sample is 1.
    """
    size = 2 * OVERSAMPLING * (radius + 1) + 1
    seeing = [galsim.Kolmogorov(fwhm=optics.fwhm[channel]), galsim.Pixel(1.0)]
    if optics.trail > 0:
        seeing.append(galsim.Box(optics.trail, 0.05).rotate(optics.angle * galsim.degrees))
    image = drawn(galsim.Convolve(seeing, gsparams=_PRECISION), size)
    if optics.diffraction > 0:
        coma_x, coma_y = optics.coma, 0.0
        if optics.field:
            coma_x, coma_y = zone[0] * optics.coma, zone[1] * optics.coma
        telescope = galsim.OpticalPSF(
            lam_over_diam=optics.diffraction * WAVELENGTHS[channel] / WAVELENGTHS[1],
            obscuration=0.3,
            nstruts=optics.struts,
            strut_thick=0.025,
            strut_angle=optics.angle * galsim.degrees,
            coma1=coma_x,
            coma2=coma_y,
            astig1=optics.astigmatism,
            defocus=optics.defocus,
            pad_factor=1.0,
            oversampling=1.0,
        )
        # GalSim's own convolution of the two takes ten times as long: its transform must hold both scales.
        image = _convolved(image, drawn(telescope, size))
    return faded(image, radius)


def fwhm_of(spread: np.ndarray) -> float:
    """Width (px) of a `point_spread` at half its height, over all directions; by GalSim's rule."""
    image = galsim.ImageD(np.ascontiguousarray(spread), scale=1 / OVERSAMPLING)
    return float(image.calculateFWHM())


def temperature(bv: np.ndarray) -> np.ndarray:
    """Kelvin of a star of color B-V: Ballesteros 2012, EPL 97, 34008."""
    return 4600 * (1 / (0.92 * bv + 1.7) + 1 / (0.92 * bv + 0.62))


def star_colors(bv: np.ndarray) -> np.ndarray:
    """Light (N, 3) in red, green, blue of blackbodies of color B-V, the Sun's being (1, 1, 1), green always 1."""

    def planck(kelvin: np.ndarray) -> np.ndarray:
        nm = np.array(WAVELENGTHS)
        return nm**-5 / np.expm1(1.4387769e7 / (nm * kelvin[..., None]))  # photons or watts: the ratio to the Sun's

    light = planck(temperature(np.asarray(bv, float))) / planck(temperature(np.array(SUN_BV)))
    return light / light[..., 1:2]


def stamp_stars(
    shape: tuple[int, int], x: np.ndarray, y: np.ndarray, flux: np.ndarray, optics: Optics, faintest: float
) -> np.ndarray:
    """Draw stars.

    Parameters
    ----------
    shape : (height, width)
    x, y : ndarray, shape (N,)
        Multiples of a fifth of a pixel.
    flux : ndarray, shape (N, C)
    optics : Optics
    faintest : float
        Light of a pixel that need not be drawn any more.

    Returns
    -------
    ndarray, shape (H, W, C), float32
    """
    height, width = shape
    channels = flux.shape[1]
    radius = 90 if optics.struts else 48
    out = np.zeros((channels, height, width))
    zone_x = np.clip((3 * x / width).astype(int), 0, 2) - 1 if optics.field else np.zeros(len(x), int)
    zone_y = np.clip((3 * y / height).astype(int), 0, 2) - 1 if optics.field else np.zeros(len(x), int)
    for zone in sorted(set(zip(zone_x.tolist(), zone_y.tolist(), strict=True))):
        spread = np.stack([point_spread(optics, c, zone, radius) for c in range(channels)])
        middle = spread.shape[1] // 2
        # The farthest distance at which anything is as bright as this, by rings one pixel wide.
        yy, xx = (np.mgrid[: spread.shape[1], : spread.shape[2]] - middle) / OVERSAMPLING
        ring = np.hypot(xx, yy).astype(int)
        brightest = np.zeros(ring.max() + 1)
        np.maximum.at(brightest, ring.ravel(), spread.max(axis=0).ravel())
        brightest = np.maximum.accumulate(brightest[::-1])[::-1]
        for i in np.flatnonzero((zone_x == zone[0]) & (zone_y == zone[1])):
            r = int(np.count_nonzero(brightest[:radius] * flux[i].max() > faintest)) + 1
            r = min(max(r, 3), radius)
            col, row = round(float(x[i])), round(float(y[i]))
            dx, dy = round((x[i] - col) * OVERSAMPLING), round((y[i] - row) * OVERSAMPLING)
            y0, y1, x0, x1 = max(row - r, 0), min(row + r + 1, height), max(col - r, 0), min(col + r + 1, width)
            if y0 >= y1 or x0 >= x1:
                continue
            first = middle - dy + OVERSAMPLING * (y0 - row), middle - dx + OVERSAMPLING * (x0 - col)
            stamp = spread[
                :,
                first[0] : first[0] + OVERSAMPLING * (y1 - y0) : OVERSAMPLING,
                first[1] : first[1] + OVERSAMPLING * (x1 - x0) : OVERSAMPLING,
            ]
            out[:, y0:y1, x0:x1] += flux[i][:, None, None] * stamp
    return np.ascontiguousarray(np.moveaxis(out, 0, 2), np.float32)


def through(light: np.ndarray, optics: Optics) -> np.ndarray:
    """Light (H, W, C) seen through the optics, edges mirrored."""
    out = np.empty_like(light)
    pad = 48
    for c in range(light.shape[2]):
        spread = point_spread(optics, c)
        middle = spread.shape[0] // 2
        kernel = spread[middle % OVERSAMPLING :: OVERSAMPLING, middle % OVERSAMPLING :: OVERSAMPLING]
        n = kernel.shape[0] // 2
        padded = np.pad(light[:, :, c], pad, mode="reflect")
        put = np.zeros(padded.shape)
        put[: kernel.shape[0], : kernel.shape[1]] = kernel
        put = np.roll(put, (-n, -n), (0, 1))
        seen = np.fft.irfft2(np.fft.rfft2(padded) * np.fft.rfft2(put), padded.shape)
        out[:, :, c] = seen[pad:-pad, pad:-pad]
    return out
