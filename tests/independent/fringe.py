"""Scenes through a fast lens: red and blue light of stars with a broad halo beside its core; with the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import galsim
import numpy as np
from scipy.ndimage import uniform_filter

import workbench as wb
from independent.camera import Grain, grain
from independent.light import texture
from independent.optics import OVERSAMPLING, drawn, faded, star_colors
from independent.scenes import Plan, make_scene

__all__ = ["FringeLeft", "FringeLens", "FringeScene", "left_over", "make_fringe_scene"]

#: Pixels from the middle of a star to where it ends.
RADIUS = 60


@dataclass(frozen=True)
class FringeLens:
    """A lens that is sharp in green only, and the scene before it.

    Attributes
    ----------
    scene : Plan
        Sky, glow, nebulae, noise and color of stars; its own stars, falloff and frames are not used.
    stars : int
    fwhm : float
        Of a Moffat star (index 3) in green, px, before pixels.
    halo : (float, float)
        Share of a star's light that red and blue have in the halo.
    kind : {"discs", "spherical", "exponential"}
        Discs of all sizes up to the radius, as a band whose colors are focused one behind the other has; an optical
        system with spherical aberration, by its wavefront; or a smooth one.
    radius : float
        Of the halo, px.
    grows : float
        The share in the corners is larger by this share than in the middle.
    aside : float
        In the corners the halo lies this far outwards of the star, px.
    red_stars : float
        How much weaker the halo is for a star redder by one in B-V, as a share.
    nebulous : int
        So many of the brightest stars light up dust around them; their light scatters blue.
    cluster : float
        Share of the stars that crowd into a cluster.
    blur : (float, float)
        Width of red and blue against green, beside the halo.
    """

    scene: Plan
    stars: int = 300
    fwhm: float = 2.6
    halo: tuple[float, float] = (0.0, 0.0)
    kind: Literal["discs", "spherical", "exponential"] = "discs"
    radius: float = 10.0
    grows: float = 0.0
    aside: float = 0.0
    red_stars: float = 0.0
    nebulous: int = 0
    cluster: float = 0.0
    blur: tuple[float, float] = (1.0, 1.0)


@dataclass(frozen=True)
class FringeScene:
    """A stack taken through it; arrays are (H, W, C) or (H, W).

    Attributes
    ----------
    stack : workbench.Stack
    clean : ndarray
        Light as a lens as sharp in red and blue as in green would show it.
    fringe : ndarray
        What this lens adds: positive in halos, negative in cores, no light in all.
    nebula : ndarray
        Light of dust around stars and other objects.
    stars : ndarray
        Light of stars in ``clean``.
    noise : ndarray
        Standard deviation of each pixel.
    x, y : ndarray, shape (N,)
    flux : ndarray, shape (N, C)
    clipped : ndarray of bool, shape (H, W)
        Pixels cut off in any channel, and those beside them.
    """

    lens: FringeLens
    stack: wb.Stack
    clean: np.ndarray
    fringe: np.ndarray
    nebula: np.ndarray
    stars: np.ndarray
    noise: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    clipped: np.ndarray


def _spread(profile: galsim.GSObject) -> np.ndarray:
    """A profile at fifths of a pixel, light of a pixel in each sample, fading out at the rim."""
    return faded(drawn(galsim.Convolve(profile, galsim.Pixel(1.0)), 2 * OVERSAMPLING * (RADIUS + 1) + 1), RADIUS)


@cache
def _core(fwhm: float) -> np.ndarray:
    return _spread(galsim.Moffat(beta=3.0, fwhm=fwhm))


@cache
def _halo(fwhm: float, kind: str, radius: float) -> np.ndarray:
    core = galsim.Moffat(beta=3.0, fwhm=fwhm)
    if kind == "discs":
        sizes = np.linspace(0.1, 1.0, 8) * radius
        return np.mean([_spread(galsim.Convolve(galsim.TopHat(size), core)) for size in sizes], axis=0)
    if kind == "exponential":
        return _spread(galsim.Convolve(galsim.Exponential(scale_radius=radius / 3.5), core))
    lens = galsim.OpticalPSF(lam_over_diam=radius / 9, spher=1.2, defocus=0.6, pad_factor=1.5)
    return _spread(galsim.Convolve(lens, core, gsparams=galsim.GSParams(maximum_fft_size=16384)))


def _stamp(plane: np.ndarray, spread: np.ndarray, light: float, x: float, y: float) -> None:
    """Add a star whose place is on fifths of a pixel."""
    height, width = plane.shape
    col, row = round(x), round(y)
    middle = spread.shape[0] // 2
    y0, y1, x0, x1 = (
        max(row - RADIUS, 0), min(row + RADIUS + 1, height), max(col - RADIUS, 0), min(col + RADIUS + 1, width),
    )  # fmt: skip
    if y0 >= y1 or x0 >= x1:
        return
    first = [middle + OVERSAMPLING * a - round(OVERSAMPLING * b) for a, b in ((y0, y), (x0, x))]
    rows, columns = (
        slice(f, f + OVERSAMPLING * n, OVERSAMPLING) for f, n in zip(first, (y1 - y0, x1 - x0), strict=True)
    )
    plane[y0:y1, x0:x1] += light * spread[rows, columns]


def _on_fifths(value: np.ndarray) -> np.ndarray:
    return np.round(value * OVERSAMPLING) / OVERSAMPLING


def make_fringe_scene(lens: FringeLens) -> FringeScene:
    """Build it; the same lens gives the same scene."""
    plan = lens.scene
    height, width = plan.shape
    base = make_scene(replace(plan, stars=0, falloff=0.0, frames=None))
    rng = np.random.default_rng([plan.seed, 99])
    gains = np.array(plan.gains)
    floor = plan.noise * base.sky.min(axis=(0, 1)).astype(float)
    n = lens.stars
    x, y = rng.uniform(0, width - 1, n), rng.uniform(0, height - 1, n)
    crowd = rng.random(n) < lens.cluster
    x[crowd], y[crowd] = (
        rng.normal(side * rng.uniform(0.4, 0.6), 0.09 * width, crowd.sum()) for side in (width, height)
    )
    x, y = _on_fifths(x), _on_fifths(y)
    faintest = 4 * floor.max() * 1.3 * lens.fwhm**2
    bright = np.minimum(faintest * rng.random(n) ** (-1 / 0.8), 60 * lens.fwhm**2)
    bv = np.clip(rng.normal(0.65, 0.35, n), -0.2, 1.9)
    flux = bright[:, None] * star_colors(bv) * gains

    u, v = (x - (width - 1) / 2) / (np.hypot(height, width) / 2), (y - (height - 1) / 2) / (np.hypot(height, width) / 2)
    away_x, away_y = _on_fifths(x + lens.aside * u), _on_fifths(y + lens.aside * v)
    core = _core(lens.fwhm)
    stars, fringe = np.zeros((3, height, width)), np.zeros((3, height, width))
    for c, share, blur in ((0, lens.halo[0], lens.blur[0]), (1, 0.0, 1.0), (2, lens.halo[1], lens.blur[1])):
        for i in range(n):
            _stamp(stars[c], core, flux[i, c], x[i], y[i])
            if blur != 1:
                _stamp(fringe[c], _core(lens.fwhm * blur) - core, flux[i, c], x[i], y[i])
            if share:
                own = share * (1 + lens.grows * (u[i] ** 2 + v[i] ** 2)) * max(1 - lens.red_stars * (bv[i] - 0.65), 0)
                halo = _halo(lens.fwhm, lens.kind, lens.radius)
                _stamp(fringe[c], halo, own * flux[i, c], away_x[i], away_y[i])
                _stamp(fringe[c], core, -own * flux[i, c], x[i], y[i])
    stars, fringe = (np.moveaxis(a, 0, 2) for a in (stars, fringe))

    nebula = base.objects.astype(float)
    if lens.nebulous:
        yy, xx = np.mgrid[:height, :width]
        dust = 0.3 + 0.7 * texture("gravel", plan.shape, 6.0, rng)
        scattered = np.array([0.45, 0.75, 1.0]) * gains
        for i in np.argsort(-bright)[: lens.nebulous]:
            near = (1 + ((xx - x[i]) ** 2 + (yy - y[i]) ** 2) / 12.0**2) ** -0.9 * dust
            nebula += near[:, :, None] * scattered * plan.brightness * floor.mean() * (bright[i] / bright.max()) ** 0.5

    clean = base.sky + nebula + stars
    light = clean + fringe
    level = base.sky.min(axis=(0, 1))
    noise = floor * np.sqrt((1 - plan.photon) + plan.photon * np.maximum(light, 0) / level)
    pixels = light + noise * grain((height, width, 3), Grain(plan.grain.kernel), rng)
    pixels = np.where(light >= 1, np.minimum(pixels, 1), pixels).astype(np.float32)
    cut = (light.max(axis=2) >= 0.95) | (clean.max(axis=2) >= 0.95)
    near = np.stack([np.roll(cut, (a, b), (0, 1)) for a in (-1, 0, 1) for b in (-1, 0, 1)]).any(axis=0)
    return FringeScene(lens, wb.Stack.from_array(pixels), clean, fringe, nebula, stars, noise, x, y, flux, near)


@dataclass(frozen=True)
class FringeLeft:
    """What a correction leaves, in blue, noise not counted: it is the same before and after.

    Attributes
    ----------
    halo : float
        Of the 25 brightest stars' halos, in per cent; below 0: too much was taken.
    wrong : float
        The same, wherever it is too much or too little, in per cent of the halos' light.
    core : float
        Of light in cores (1.5 FWHM) that are not cut off, median error in per cent.
    light : float
        Of such stars as a whole, median change in per cent.
    nebula : float
        Of nebulae around the stars, error in per cent of their light; 0 where there are none.
    darkest : float
        Lowest 3 x 3 pixels around the stars against the ground without star, in noise of a pixel.
    changed : float
        Largest change of a pixel, in noise.
    """

    halo: float
    wrong: float
    core: float
    light: float
    nebula: float
    darkest: float
    changed: float


def left_over(scene: FringeScene, pixels: np.ndarray) -> FringeLeft:
    """Judge a correction of a scene by its truth; ``pixels`` is (H, W, C)."""
    change = pixels.astype(float) - scene.stack.pixels
    wrong = (change + scene.fringe)[..., 2]
    fringe, nebula, noise, stars = (a[..., 2] for a in (scene.fringe, scene.nebula, scene.noise, scene.stars))
    fine = ~scene.clipped
    y, x = np.mgrid[: fine.shape[0], : fine.shape[1]]
    distances = [np.hypot(x - scene.x[i], y - scene.y[i]) for i in np.argsort(-scene.flux[:, 1])[:25]]
    around = np.min(distances, axis=0)
    halo = fine & (around > 1.3 * scene.lens.fwhm) & (around < 40)
    core, light = [], []
    for i, r in zip(np.argsort(-scene.flux[:, 1])[:25], distances, strict=True):
        inner, all_of_it = r < 1.5 * scene.lens.fwhm, r < 30
        if fine[inner].all():
            core.append(abs(wrong[inner].sum() / stars[inner].sum()))
            light.append(change[all_of_it][:, 2].sum() / scene.flux[i, 2])
    lit = halo & (nebula > noise)
    total = max(fringe[halo].sum(), 1e-9)
    return FringeLeft(
        halo=100 * wrong[halo].sum() / total,
        wrong=100 * np.abs(wrong[halo]).sum() / max(np.abs(fringe[halo]).sum(), 1e-9),
        core=100 * float(np.median(core)) if core else 0.0,
        light=100 * float(np.median(light)) if light else 0.0,
        nebula=100 * wrong[lit].sum() / nebula[lit].sum() if lit.any() else 0.0,
        darkest=float(((uniform_filter(wrong, 3) + stars) / noise)[halo].min()),
        changed=float(np.abs(change / scene.noise).max()),
    )
