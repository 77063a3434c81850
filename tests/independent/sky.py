"""Fields of the real sky with known truth: a camera of vectors and radii, stars where the catalogues have them.

Projection, distortion, colors and magnitudes are written down here and not taken from `workbench.sky`; only the list of
stars is the package's. Stars are drawn by GalSim (`optics`), through sensitivities of a camera that was measured.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np

import workbench as wb
from independent.optics import OVERSAMPLING, SUN_BV, Optics, stamp_stars, temperature
from workbench.sky import StarCatalog, bundled
from workbench.sky.matching import Detections

SENSORS = {"APS-C": (23.5, 15.6), "full frame": (36.0, 24.0)}


@dataclass(frozen=True)
class Camera:
    """Where a camera points, and how its lens draws.

    Attributes
    ----------
    ra, dec : float
        Of the optical axis, degrees.
    shape : (height, width)
    scale : float
        Arcseconds per pixel on the axis.
    turn : float
        Degrees from north over east to the upper edge.
    mirrored : bool
    bend : float
        Distortion in the corners, as a share of the distance from the axis.
    axis : (float, float)
        Where the axis meets the frame, px right of and below its middle.
    """

    ra: float
    dec: float
    shape: tuple[int, int]
    scale: float
    turn: float = 0.0
    mirrored: bool = False
    bend: float = 0.0
    axis: tuple[float, float] = (0.0, 0.0)

    def pixels(self, ra: np.ndarray, dec: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Column and row of places on the sky, and whether they lie before the camera."""

        def vector(ra, dec):
            a, d = np.deg2rad(ra), np.deg2rad(dec)
            return np.stack([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)], axis=-1)

        forward = vector(self.ra, self.dec)
        east = np.array([-np.sin(np.deg2rad(self.ra)), np.cos(np.deg2rad(self.ra)), 0])
        north, turn = np.cross(forward, east), np.deg2rad(self.turn)
        up = np.cos(turn) * north + np.sin(turn) * east
        right = (np.sin(turn) * north - np.cos(turn) * east) * (-1 if self.mirrored else 1)
        rays = vector(ra, dec)
        depth = rays @ forward
        focal = 206264.806 / self.scale
        # No farther out than the frame: the distortion would fold what lies there back into it.
        ahead = depth > np.cos(1.2 * np.arctan(np.hypot(*self.shape) / 2 / focal))
        depth = np.where(ahead, depth, 1)
        u, v = focal * (rays @ right) / depth, -focal * (rays @ up) / depth
        bent = 1 + self.bend * (u**2 + v**2) / (np.hypot(*self.shape) / 2) ** 2
        height, width = self.shape
        return u * bent + self.axis[0] + (width - 1) / 2, v * bent + self.axis[1] + (height - 1) / 2, ahead

    def seen(self, stars: StarCatalog) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Which stars lie in the frame, and their columns and rows."""
        x, y, ahead = self.pixels(stars.ra, stars.dec)
        height, width = self.shape
        which = np.flatnonzero(ahead & (x > 0) & (x < width - 1) & (y > 0) & (y < height - 1))
        return which, x[which], y[which]

    def solution(self):
        """The sky solution by astropy (TAN), of a camera without distortion."""
        assert self.bend == 0
        from astropy.wcs import WCS

        turn, side, degrees = np.deg2rad(self.turn), -1 if self.mirrored else 1, self.scale / 3600
        wcs = WCS(naxis=2)
        wcs.wcs.ctype, wcs.wcs.crval = ["RA---TAN", "DEC--TAN"], [self.ra, self.dec]
        wcs.wcs.crpix = [(self.shape[1] + 1) / 2 + self.axis[0], (self.shape[0] + 1) / 2 + self.axis[1]]
        # Columns of the matrix: where a step right and a step down lead, east and north.
        wcs.wcs.cd = degrees * np.array([[-side * np.cos(turn), -np.sin(turn)], [side * np.sin(turn), -np.cos(turn)]])
        return wcs

    def error(self, wcs) -> tuple[float, float]:
        """How far a solution is off: in the middle, in shares of the frame; and over the frame, in px (rms)."""
        height, width = self.shape
        x, y = (g.ravel() for g in np.meshgrid(np.linspace(0, width - 1, 15), np.linspace(0, height - 1, 11)))
        tx, ty, _ = self.pixels(*wcs.all_pix2world(x, y, 0))
        off = np.hypot(tx - x, ty - y)
        return float(off[len(off) // 2] / width), float(np.sqrt(np.mean(off**2)))


class Field:
    """A list of stars as a star finder would give it, of a camera with everything drawn from the seed."""

    def __init__(self, seed: int, focal: tuple[float, float] = (35.0, 300.0)) -> None:
        rng = np.random.default_rng([seed, 12])
        self.sensor = str(rng.choice(list(SENSORS)))
        self.focal = float(np.exp(rng.uniform(*np.log(focal))))
        pixel = float(rng.uniform(3.7, 6.0))
        width, height = (round(1000 * side / pixel) for side in SENSORS[self.sensor])
        scale = 206.264806 * pixel / self.focal
        self.stated = scale * float(rng.choice([1 / 1.05, 1.05, 1 + rng.uniform(-0.05, 0.05)]))
        self.camera = Camera(
            ra=float(rng.uniform(0, 360)),
            dec=float(np.rad2deg(np.arcsin(rng.uniform(-1, 1)))),
            shape=(height, width),
            scale=scale,
            turn=float(rng.uniform(0, 360)),
            mirrored=bool(rng.random() < 0.25),
            bend=float(rng.uniform(-0.015, 0.015)),
            axis=tuple(rng.normal(0, 0.01, 2) * width),
        )
        self.epoch = float(rng.uniform(2015, 2030))
        self.found = self._found(rng)

    def _found(self, rng: np.random.Generator) -> Detections:
        stars = bundled().at(self.epoch)
        which, x, y = self.camera.seen(stars)
        magnitude = stars.magnitude[which]
        seen = rng.random(len(x)) > rng.uniform(0.05, 0.25)
        x, y, magnitude = x[seen], y[seen], magnitude[seen]
        noise = np.clip(0.03 * 10 ** (0.2 * (magnitude - 7)), 0.03, 0.3)
        x, y = x + rng.normal(0, noise), y + rng.normal(0, noise)
        magnitude = magnitude + rng.normal(0, 0.2, len(x))
        # False ones as bright as stars (planets, satellites, knots), and real ones fainter than the catalogue's.
        false, faint = int(rng.uniform(0.05, 0.25) * len(x)), int(rng.uniform(0.5, 4) * len(x))
        other = np.r_[rng.choice(magnitude, false), 10 + np.log10(1 + rng.random(faint) * 99) / 0.9]
        height, width = self.camera.shape
        x = np.r_[x, rng.uniform(0, width - 1, false + faint)]
        y = np.r_[y, rng.uniform(0, height - 1, false + faint)]
        magnitude = np.r_[magnitude, other]
        order = np.argsort(magnitude)[:20_000]
        return Detections(x[order], y[order], 10 ** (-0.4 * magnitude[order]))


# --- pictures


@cache
def response() -> tuple[np.ndarray, np.ndarray]:
    """Wavelengths in nm, and the sensitivity (N, 3) of a camera measured by the National Physical Laboratory.

    By colour-science: Darrodi et al. 2015, J. Opt. Soc. Am. A 32, 381.
    """
    import colour

    measured = colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]
    return np.asarray(measured.wavelengths), np.clip(np.asarray(measured.values), 0, None)


def band_light(bv: np.ndarray, band: np.ndarray, nm: np.ndarray) -> np.ndarray:
    """Photons of blackbodies of color B-V through bands (N, B), (M, B) of them, V = 0 for each."""
    kelvin = temperature(np.atleast_1d(np.asarray(bv, float)))[:, None]
    photons = nm**-4 / np.expm1(1.4387769e7 / (nm * kelvin))
    # Johnson's V: Gauss of 551 nm, 88 nm wide (Bessell 2005, ARA&A 43, 293; its width from memory).
    v = np.exp(-0.5 * ((nm - 551) / (88 / 2.3548)) ** 2)
    return photons @ band / (photons @ v)[:, None]


@dataclass
class SkyScene:
    """A stack of a field of the real sky, and its truth."""

    stack: wb.Stack
    camera: Camera
    epoch: float
    gains: np.ndarray  #: that make a Sun-like star white, (3,)
    sky_brightness: float  #: V magnitudes per square arcsecond, as a Sun-like spectrum of this light in green
    bv: np.ndarray = field(repr=False)
    saturated: float = 0.0


def sky_scene(
    camera: Camera,
    *,
    seed: int = 0,
    fwhm: tuple[float, float, float] = (2.6, 2.6, 2.6),
    gains: tuple[float, float, float] = (0.55, 1.0, 0.8),
    population: str = "mixed",
    saturated: float = 0.05,
    sky: float = 0.05,
    noise: float = 0.002,
    epoch: float = 2024.0,
    faintest: float = 10.0,
    blocked: tuple[float, float] | None = None,
    scatter: float = 0.0,
) -> SkyScene:
    """Draw a field.

    Parameters
    ----------
    camera : Camera
    seed : int
        Draws noise, and colors of stars that have none.
    fwhm : tuple of float
        Of each channel, px.
    gains : tuple of float
        What the channels record beside the camera's own.
    population : {"mixed", "red", "young"}
        Which of the real stars shine: all, those of B-V over 0.9, or those below 0.25 (and a tenth of the others).
    saturated : float
        Share of the stars that reach the white level.
    sky, noise : float
        Level of the sky in green, and noise of a pixel.
    epoch : float
    faintest : float
        G magnitude down to which stars shine.
    blocked : tuple of float, optional
        Wavelengths in nm between which a filter lets a fiftieth through.
    scatter : float
        Of the stars about their catalogued brightness, magnitudes.
    """
    rng = np.random.default_rng([seed, 5])
    stars = bundled().at(epoch)
    stars = stars.select(stars.magnitude < faintest)
    which, x, y = camera.seen(stars)
    stars = stars.select(which)
    bv = np.where(np.isfinite(stars.color), stars.color, rng.normal(0.65, 0.4, len(stars)))
    shine = {"mixed": bv > -9, "red": bv > 0.9, "young": bv < 0.25}[population] | (rng.random(len(bv)) < 0.1)
    x, y, bv, magnitude = x[shine], y[shine], bv[shine], stars.magnitude[shine]
    # What is stated of a star's color is off by the error stated with it.
    error = np.where(np.isfinite(stars.color_error[shine]), stars.color_error[shine], 0.0)
    true_bv = bv + rng.normal(0, np.minimum(error, 0.3))
    v = magnitude + 0.04749 + 0.0124 * bv + 0.2901 * bv**2 - 0.02008 * bv**3
    if scatter > 0:
        v = v + rng.normal(0, scatter, len(v))
    nm, bands = response()
    if blocked is not None:
        bands = np.where(((nm >= blocked[0]) & (nm <= blocked[1]))[:, None], bands / 50, bands)
    sun = band_light(np.array([SUN_BV]), bands, nm)[0]
    color = band_light(true_bv, bands, nm) / sun[1] * np.array(gains)
    optics = Optics(fwhm)
    light = 10 ** (-0.4 * v)[:, None] * color
    # A star peaks at about 0.8 / fwhm^2 of its light (Kolmogorov's seeing, within a pixel's place).
    peak = np.sort((light * 0.75 / np.array(fwhm) ** 2).max(axis=1))
    zero = (1 - sky) / peak[int((1 - saturated) * (len(peak) - 1))]
    place = np.stack([np.round(v * OVERSAMPLING) / OVERSAMPLING for v in (x, y)])
    frame = stamp_stars(camera.shape, *place, light * zero, optics, noise / 10)
    levels = sky * np.array([0.8, 1.0, 0.9])
    frame = frame + levels + noise * rng.standard_normal((*camera.shape, 3))
    stack = wb.Stack.from_array(
        np.clip(frame, 0, 1).astype(np.float32),
        acquisition=wb.Acquisition(
            focal_length_mm=206.264806 * 4.0 / camera.scale, pixel_size_um=4.0, date=f"{epoch:.0f}-01-01"
        ),
    )
    white = sun * np.array(gains)
    brightness = 2.5 * np.log10(zero * gains[1] / levels[1] * camera.scale**2)
    return SkyScene(stack, camera, epoch, white[1] / white, float(brightness), true_bv, saturated)
