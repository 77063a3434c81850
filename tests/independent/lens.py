"""What a lens does to a scene: channels at scales of their own, dark corners; with the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import galsim
import numpy as np
from scipy.ndimage import map_coordinates, spline_filter

import workbench as wb
from independent.camera import Grain, grain
from independent.light import glow
from independent.optics import star_colors
from independent.scenes import Plan, make_scene
from independent.sky import Camera, sky_scene

__all__ = ["Lens", "LensScene", "falloff", "make_lens_scene", "shifts", "sky_through"]


#: Samples of a profile per pixel.
_FINE = 10


@dataclass(frozen=True)
class Lens:
    """A lens and the scene before it.

    Attributes
    ----------
    scene : Plan
        Sky, glow, nebulae, noise and color of stars; its own stars, falloff and frames are not used.
    stars : int
    fwhm : float
        Of a Moffat star (index 3), px, before pixels.
    lateral : (float, float)
        How far red and blue stars lie outwards of green ones in the corners, px.
    shape : {"cubic", "sine"}
        How that grows with the distance from the optical middle: r^3; or a sine that turns back in the corners.
    middle : (float, float)
        Optical middle (x, y), as shares of the frame's half diagonal from its middle.
    refraction : (float, float)
        Shift of red and blue against each other by the air, (x, y) px: half of it each way.
    falloff : float
        Share of light that is lost in the farthest corner.
    fall : {"cosine", "quadratic", "mechanical"}
        (1 + a r^2)^-2, the fourth power of the cosine; 1 - a r^2; or the area that two round openings share.
    """

    scene: Plan
    stars: int = 300
    fwhm: float = 2.6
    lateral: tuple[float, float] = (0.0, 0.0)
    shape: Literal["cubic", "sine"] = "cubic"
    middle: tuple[float, float] = (0.0, 0.0)
    refraction: tuple[float, float] = (0.0, 0.0)
    falloff: float = 0.0
    fall: Literal["cosine", "quadratic", "mechanical"] = "cosine"


@dataclass(frozen=True)
class LensScene:
    """A stack taken through a lens; arrays are (H, W, C) or (H, W).

    Attributes
    ----------
    stack : workbench.Stack
    transmission : ndarray, shape (H, W)
        Share of the light that the lens lets through, 1 at its best.
    sky, objects, stars : ndarray
        Light before the lens darkened it.
    noise : ndarray
        Standard deviation of each pixel.
    x, y : ndarray, shape (N,)
        Where stars lie in green.
    flux : ndarray, shape (N, C)
        Light of the stars before the lens darkened it.
    clipped : ndarray of bool, shape (N,)
    """

    lens: Lens
    stack: wb.Stack
    transmission: np.ndarray
    sky: np.ndarray
    objects: np.ndarray
    stars: np.ndarray
    noise: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    clipped: np.ndarray


def _from_middle(lens: Lens, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Place against the optical middle, half a diagonal being 1."""
    height, width = lens.scene.shape
    half = np.hypot(height, width) / 2
    return (x - (width - 1) / 2) / half - lens.middle[0], (y - (height - 1) / 2) / half - lens.middle[1]


def shifts(lens: Lens, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """How far red and blue lie from green at places of the frame: (2, 2, ...), color and then x, y; px."""
    u, v = _from_middle(lens, np.asarray(x, float), np.asarray(y, float))
    r = np.hypot(u, v)
    grown = r**2 if lens.shape == "cubic" else np.sin(2.4 * r) / np.sin(2.4) / np.maximum(r, 1e-9)
    out = np.stack([np.stack([amount * grown * u, amount * grown * v]) for amount in lens.lateral])
    for sign, color in zip((0.5, -0.5), out, strict=True):
        color[0] += sign * lens.refraction[0]
        color[1] += sign * lens.refraction[1]
    return out


def falloff(lens: Lens) -> np.ndarray:
    """Share of the light that the lens lets through (H, W), 1 in the optical middle."""
    height, width = lens.scene.shape
    y, x = np.mgrid[:height, :width].astype(float)
    r = np.hypot(*_from_middle(lens, x, y))
    far = r.max()
    left = 1 - lens.falloff
    if lens.fall == "quadratic":
        return 1 - lens.falloff * (r / far) ** 2
    if lens.fall == "cosine":
        return (1 + (left**-0.5 - 1) * (r / far) ** 2) ** -2

    # Two equal discs whose middles lie d radii apart; the fourth power of the cosine takes a quarter of the loss.
    def shared(d: np.ndarray) -> np.ndarray:
        d = np.clip(d, 0, 2)
        return (2 * np.arccos(d / 2) - d * np.sqrt(4 - d * d) / 2) / np.pi

    cosine = (1 + ((1 - lens.falloff / 4) ** -0.5 - 1) * (r / far) ** 2) ** -2
    wanted = left / (1 - lens.falloff / 4)
    begin = 0.25
    grid = np.linspace(0, 2, 4001)
    d_far = grid[np.argmin(np.abs(shared(grid) - wanted))]
    return cosine * shared(d_far * np.clip(r / far - begin, 0, None) / (1 - begin))


def make_lens_scene(lens: Lens) -> LensScene:
    """Build it; the same lens gives the same scene."""
    plan = lens.scene
    height, width = plan.shape
    base = make_scene(replace(plan, stars=0, falloff=0.0, frames=None))
    rng = np.random.default_rng([plan.seed, 77])
    gains = np.array(plan.gains if plan.channels == 3 else (1.0,))
    floor = plan.noise * base.sky.min(axis=(0, 1)).astype(float)
    profile = galsim.Convolve(galsim.Moffat(beta=3.0, fwhm=lens.fwhm, trunc=8 * lens.fwhm), galsim.Pixel(1.0))
    n = lens.stars
    x, y = rng.uniform(0, width - 1, n), rng.uniform(0, height - 1, n)
    faintest = 4 * floor.max() * 1.3 * lens.fwhm**2
    flux = np.minimum(faintest * rng.random(n) ** (-1 / 0.8), 60 * lens.fwhm**2)
    color = star_colors(np.clip(rng.normal(0.65, 0.35, n), -0.2, 1.9)) if plan.channels == 3 else np.ones((n, 1))
    flux = flux[:, None] * color * gains
    off = shifts(lens, x, y)
    moved = np.zeros((plan.channels, 2, n))
    if plan.channels == 3:
        moved[0], moved[2] = off
    stars = np.zeros((plan.channels, height, width))
    for c in range(plan.channels):
        for i in range(n):
            at = x[i] + moved[c, 0, i], y[i] + moved[c, 1, i]
            bright = flux[i, c] / floor[c]
            _stamp(stars[c], profile, flux[i, c], *at, int(np.clip(4 * (bright / 0.3) ** 0.2, 8, 8 * lens.fwhm)))
    stars = np.moveaxis(stars, 0, 2)
    transmission = falloff(lens)
    light = transmission[:, :, None] * (base.sky + base.objects + stars)
    level = base.sky.min(axis=(0, 1))
    noise = floor * np.sqrt((1 - plan.photon) + plan.photon * light / level)
    pixels = light + noise * grain((height, width, plan.channels), Grain(plan.grain.kernel), rng)
    pixels = np.where(light >= 1, np.minimum(pixels, 1), pixels).astype(np.float32)
    row, col = (np.clip(np.rint(v), 0, m - 1).astype(int) for v, m in ((y, height), (x, width)))
    near = np.stack([np.roll(light.max(axis=2) >= 0.95, (a, b), (0, 1)) for a in (-1, 0, 1) for b in (-1, 0, 1)])
    return LensScene(
        lens, wb.Stack.from_array(pixels), transmission, base.sky, base.objects, stars, noise, x, y, flux,
        near.any(axis=0)[row, col],
    )  # fmt: skip


def sky_through(lens: Lens, camera: Camera) -> tuple[wb.Stack, np.ndarray]:
    """A field of the real sky under the glow of ``lens.scene``, taken through the lens: the stack, its place on the sky
    with it, and the share of the light that was let through (H, W). Stars scatter by 0.05 mag about the catalogue.
    """
    plan = lens.scene
    clear = sky_scene(
        camera, seed=plan.seed, sky=plan.sky, noise=0.0, saturated=0.2, fwhm=(2.6, 2.5, 3.1), scatter=0.05
    )
    rng = np.random.default_rng([plan.seed, 78])
    level = np.median(clear.stack.pixels, axis=(0, 1))
    transmission = falloff(lens)
    light = transmission[..., None] * (
        clear.stack.pixels + level * plan.height * glow(plan.glow, plan.shape, plan.channels, rng)
    )
    pixels = light + plan.noise * plan.sky * np.sqrt(light / plan.sky) * rng.standard_normal(light.shape)
    stack = clear.stack.with_pixels(np.clip(pixels, 0, 1).astype(np.float32))
    return replace(stack, wcs=camera.solution()), transmission


@cache
def _fine(profile: galsim.GSObject, radius: int) -> np.ndarray:
    """Light of a profile that already has its pixel in it, drawn at tenths of a pixel, as spline coefficients."""
    size = 2 * _FINE * (radius + 2) + 1
    drawn = profile.drawImage(nx=size, ny=size, scale=1 / _FINE, method="no_pixel", dtype=float).array
    return spline_filter(drawn * _FINE**2, order=3)


def _stamp(plane: np.ndarray, profile: galsim.GSObject, flux: float, x: float, y: float, radius: int) -> None:
    """Add a star, read between the samples of its finely drawn profile."""
    height, width = plane.shape
    y0, x0 = max(round(y) - radius, 0), max(round(x) - radius, 0)
    y1, x1 = min(round(y) + radius + 1, height), min(round(x) + radius + 1, width)
    if y0 < y1 and x0 < x1:
        fine = _fine(profile, 32)
        at = np.meshgrid(np.arange(y0, y1) - y, np.arange(x0, x1) - x, indexing="ij")
        plane[y0:y1, x0:x1] += flux * map_coordinates(
            fine, [a * _FINE + fine.shape[0] // 2 for a in at], order=3, prefilter=False, mode="nearest"
        )
