"""What shines: glows of the sky, nebulae drawn from photographs, and galaxies drawn by GalSim."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import galsim
import numpy as np
import skimage.data
from PIL import Image

#: Photographs that scikit-image's wheel carries, with broad shapes in them (`README.md` names their makers).
BROAD = ("moon", "coffee", "astronaut", "chelsea", "retina", "rocket", "camera")
#: And with fine texture.
FINE = ("gravel", "grass", "brick", "ihc", "cell", "coins")
GLOWS = ("plane", "dome", "two_domes", "corner", "moon", "vignetting", "dome_and_corner")


# --- glows


def glow(kind: str, shape: tuple[int, int], channels: int, rng: np.random.Generator) -> np.ndarray:
    """Surface of a glow.

    Parameters
    ----------
    kind : str
        One of `GLOWS`.
    shape : (height, width)
    channels : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (H, W, C), float64
        From 0 to 1 in each channel; shapes differ a little between channels, since lamps differ in color.
    """
    height, width = shape
    half = max(shape) / 2
    v = (np.arange(height)[:, None] - (height - 1) / 2) / half
    u = (np.arange(width)[None, :] - (width - 1) / 2) / half
    parts = {
        "plane": ["plane"],
        "dome": ["dome"],
        "two_domes": ["dome", "dome"],
        "corner": ["corner"],
        "moon": ["moon"],
        "vignetting": ["vignetting"],
        "dome_and_corner": ["dome", "corner"],
    }[kind]
    out = np.zeros((height, width, channels))
    first = rng.uniform(0, 2 * np.pi)
    for i, part in enumerate(parts):
        # The second dome stands 70 to 180 degrees away from the first.
        angle = first + i * np.deg2rad(rng.uniform(70, 180))
        surface = _surface(part, u, v, angle, height / width, rng)
        surface = (surface - surface.min()) / np.ptp(surface)
        color = rng.uniform(0.6, 1.0, channels)
        out += (1.0 if i == 0 else rng.uniform(0.4, 1.0)) * surface[:, :, None] * color
    low, high = out.min(axis=(0, 1)), out.max(axis=(0, 1))
    return (out - low) / (high - low)


def glow_left(model: np.ndarray, sky: np.ndarray) -> float:
    """RMS of a surface's error (C, H, W) without its mean, as a share of the glow's height; worst channel."""
    errors = model.astype(np.float64) - sky
    return max(float(e.std() / np.ptp(s)) for e, s in zip(errors, sky, strict=True))


def _surface(
    part: str, u: np.ndarray, v: np.ndarray, angle: float, aspect: float, rng: np.random.Generator
) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    if part == "plane":
        return u * c + v * s
    if part == "dome":
        away, width = rng.uniform(1.0, 1.5), rng.uniform(0.5, 1.0)
        d = np.hypot(u - away * c, v - away * s * aspect)
        return (1 + (d / width) ** 2) ** -1.5
    if part == "corner":  # an amplifier's glow
        d = np.hypot(u - np.sign(c), v - np.sign(s) * aspect)
        return np.exp(-d / rng.uniform(0.15, 0.3))
    if part == "moon":
        away = rng.uniform(0.3, 2.0)
        d = np.hypot(u - away * c, v - away * s)
        return 1 / (1 + (d / rng.uniform(0.8, 1.5)) ** 2)
    if part == "vignetting":  # the fourth power of the cosine
        x, y = rng.uniform(-0.1, 0.1, 2)
        r2 = (u - x) ** 2 + (v - y) ** 2
        return (1 + rng.uniform(0.2, 0.6) * r2) ** -2.0
    raise ValueError(part)


# --- textures


@cache
def _photograph(name: str) -> np.ndarray:
    folder = Path(skimage.data.__file__).parent
    path = next(p for p in (folder / f"{name}.png", folder / f"{name}.jpg") if p.exists())
    with Image.open(path) as picture:
        gray = np.asarray(picture.convert("L"), np.float32) / 255
    gray.setflags(write=False)
    return gray


def blur(plane: np.ndarray, sigma: float) -> np.ndarray:
    """Gaussian blur, edges mirrored, by Fourier transform."""
    pad = min(int(4 * sigma) + 1, min(plane.shape) - 1)
    padded = np.pad(plane, pad, mode="reflect")
    fy, fx = np.fft.fftfreq(padded.shape[0])[:, None], np.fft.rfftfreq(padded.shape[1])[None, :]
    damp = np.exp(-2 * (np.pi * sigma) ** 2 * (fx**2 + fy**2))
    return np.fft.irfft2(np.fft.rfft2(padded) * damp, padded.shape)[pad:-pad, pad:-pad]


def texture(name: str, shape: tuple[int, int], blur_px: float, rng: np.random.Generator) -> np.ndarray:
    """A photograph's light and shade.

    Parameters
    ----------
    name : str
        One of `BROAD` or `FINE`.
    shape : (height, width)
    blur_px : float
        Sigma of a Gaussian.
    rng : numpy.random.Generator
        Draws the part, its size and its turn.

    Returns
    -------
    ndarray, shape (H, W), float64
        0 at the darkest hundredth, 1 at the brightest two hundredths.
    """
    picture = np.rot90(_photograph(name), rng.integers(4))
    if rng.random() < 0.5:
        picture = picture[:, ::-1]
    height, width = shape
    scale = rng.uniform(0.6, 0.95) * min(picture.shape[0] / height, picture.shape[1] / width)
    y = rng.uniform(0, picture.shape[0] - 1 - scale * (height - 1)) + scale * np.arange(height)
    x = rng.uniform(0, picture.shape[1] - 1 - scale * (width - 1)) + scale * np.arange(width)
    i, j = np.clip(y.astype(int), 0, picture.shape[0] - 2), np.clip(x.astype(int), 0, picture.shape[1] - 2)
    p, q = (y - i)[:, None], (x - j)[None, :]
    upper = (1 - q) * picture[np.ix_(i, j)] + q * picture[np.ix_(i, j + 1)]
    lower = (1 - q) * picture[np.ix_(i + 1, j)] + q * picture[np.ix_(i + 1, j + 1)]
    plane = blur((1 - p) * upper + p * lower, blur_px)
    dark, bright = np.quantile(plane, [0.01, 0.98])
    return np.maximum((plane - dark) / (bright - dark), 0)


def envelope(shape: tuple[int, int], size: float, rng: np.random.Generator) -> np.ndarray:
    """A soft ellipse somewhere in the frame, half light at ``size`` of the frame's longer half side."""
    height, width = shape
    half = max(shape) / 2
    cy, cx = rng.uniform(-0.3, 0.3) * height / 2 / half, rng.uniform(-0.3, 0.3) * width / 2 / half
    v = (np.arange(height)[:, None] - (height - 1) / 2) / half - cy
    u = (np.arange(width)[None, :] - (width - 1) / 2) / half - cx
    angle, ratio = rng.uniform(0, np.pi), rng.uniform(1.0, 1.8)
    a, b = u * np.cos(angle) + v * np.sin(angle), v * np.cos(angle) - u * np.sin(angle)
    return 1 / (1 + (np.hypot(a, b * ratio) / size) ** 6)


# --- galaxies

#: Sersic indices: GalSim makes a table for each new one.
INDICES = (0.5, 0.8, 1.0, 1.5, 2.5, 4.0)


def galaxy(
    shape: tuple[int, int], radius: float, sersic: float, flatness: float, rng: np.random.Generator
) -> np.ndarray:
    """A large galaxy near the middle of the frame: Sersic's profile (Sersic 1963, BAAA 6, 41) drawn by GalSim.

    Parameters
    ----------
    shape : (height, width)
    radius : float
        Half of the light lies within, px.
    sersic : float
        Index: 1 is an exponential disk.
    flatness : float
        Minor over major axis.
    rng : numpy.random.Generator
        Draws place and turn.

    Returns
    -------
    ndarray, shape (H, W), float64
        All its light is 1; not yet through any optics.
    """
    height, width = shape
    cx, cy = (width - 1) / 2 + rng.uniform(-0.15, 0.15) * width, (height - 1) / 2 + rng.uniform(-0.15, 0.15) * height
    profile = _sersic(radius, sersic, flatness, rng)
    # Wide beside a pixel: its value at the middle of a pixel does, but for the cusp.
    offset = (cx - (width - 1) / 2, cy - (height - 1) / 2)
    out = profile.drawImage(nx=width, ny=height, scale=1, method="no_pixel", dtype=float, offset=offset).array
    stamp, rows, cols = _averaged(profile, shape, cx, cy, 10, 9)
    out[rows, cols] = stamp
    return out


def small_galaxies(
    shape: tuple[int, int],
    count: int,
    radii: tuple[float, float],
    indices: tuple[float, ...],
    spread: float,
    rng: np.random.Generator,
) -> Iterator[tuple[np.ndarray, slice, slice]]:
    """Draw stamps of galaxies, the light of each 1, and the rows and columns where they lie.

    ``radii`` are the least and the greatest half-light radius, px; ``spread`` the share of the frame around its
    middle in which they lie.
    """
    height, width = shape
    for _ in range(count):
        cx, cy = width * (0.5 + rng.uniform(-0.5, 0.5) * spread), height * (0.5 + rng.uniform(-0.5, 0.5) * spread)
        radius = float(np.exp(rng.uniform(*np.log(radii))))
        profile = _sersic(radius, float(rng.choice(indices)), rng.uniform(0.3, 1), rng)
        yield _averaged(profile, shape, cx, cy, int(6 * radius + 6), 5)


def _sersic(radius: float, index: float, flatness: float, rng: np.random.Generator) -> galsim.GSObject:
    round_one = galsim.Sersic(index, half_light_radius=radius)
    return round_one.shear(q=flatness, beta=rng.uniform(0, 180) * galsim.degrees)


def _averaged(
    profile: galsim.GSObject, shape: tuple[int, int], cx: float, cy: float, reach: int, fine: int
) -> tuple[np.ndarray, slice, slice]:
    """A stamp of ``profile`` at a place in the frame, each pixel the mean of ``fine`` x ``fine`` samples."""
    x0, y0, n = round(cx) - reach, round(cy) - reach, 2 * reach + 1
    middle = galsim.PositionD(cx - (x0 + reach), cy - (y0 + reach)) * fine
    image = profile.drawImage(nx=n * fine, ny=n * fine, scale=1 / fine, method="no_pixel", dtype=float, offset=middle)
    stamp = image.array.reshape(n, fine, n, fine).sum(axis=(1, 3))
    rows, cols = slice(max(y0, 0), min(y0 + n, shape[0])), slice(max(x0, 0), min(x0 + n, shape[1]))
    return stamp[rows.start - y0 : rows.stop - y0, cols.start - x0 : cols.stop - x0], rows, cols
