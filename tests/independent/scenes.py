"""Whole stacks with known truth, built with GalSim and numpy alone: `workbench.simulate` has no part in them.

    from independent.scenes import Plan, make_scene, random_scene

    scene = make_scene(Plan(seed=3, glow="two_domes", objects=("emission",)))
    scene.stack           # workbench Stack, linear, (H, W, C) float32
    scene.sky             # the glow that should go, as recorded
    scene.objects         # light of nebulae and galaxies, as recorded
    random_scene(17)      # everything drawn from the seed

The model of what is recorded, for each channel::

    light  = falloff * (sky + objects + stars)            all of them with the channel's gain
    pixel  = shoulder(light) + noise + hot                where any frame lies; filled elsewhere
    noise² = floor² + photon term growing with the light, over the share of frames; drawn with the kernel of a
             demosaicing or a resampling
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

import workbench as wb
from independent.camera import (
    FULL_SHARE,
    KERNELS,
    Borders,
    Frames,
    Grain,
    borders_of,
    coverage_of,
    demosaic,
    grain,
    shoulder,
    trail_mask,
)
from independent.light import BROAD, FINE, GLOWS, INDICES, envelope, galaxy, glow, small_galaxies, texture
from independent.optics import OVERSAMPLING, SUN_BV, Optics, fwhm_of, point_spread, stamp_stars, star_colors, through

__all__ = [
    "FULL_SHARE",
    "GLOWS",
    "KERNELS",
    "OBJECTS",
    "POPULATIONS",
    "Borders",
    "Frames",
    "Grain",
    "Optics",
    "Plan",
    "Scene",
    "Stars",
    "make_scene",
    "random_plan",
    "random_scene",
]

#: B-V of a field's stars: mean and standard deviation.
POPULATIONS = {"mixed": (0.65, 0.35), "red": (1.15, 0.25), "young": (0.02, 0.15), "suns": (SUN_BV, 0.0)}
OBJECTS = (
    "emission",
    "reflection",
    "dust",
    "star cloud",
    "galaxy",
    "overfilling galaxy",
    "small galaxies",
    "knots",
)
_HYDROGEN, _OXYGEN = np.array([1.0, 0.12, 0.22]), np.array([0.06, 0.85, 0.8])
_COLORS = {
    "reflection": (0.5, 0.75, 1.0),
    "dust": (1.0, 0.8, 0.6),
    "star cloud": (1.0, 0.85, 0.65),
    "galaxy": (1.0, 0.88, 0.72),
    "overfilling galaxy": (1.0, 0.9, 0.78),
}


@dataclass(frozen=True)
class Plan:
    """Everything that a scene is made from.

    Attributes
    ----------
    seed : int
    shape : (height, width)
    channels : {1, 3}
    optics : Optics
    stars : int
    population : str
        One of `POPULATIONS`.
    cluster : float
        Share of the stars that crowd into a cluster.
    glow : str
        One of `light.GLOWS`.
    height : float
        The glow's peak-to-peak over the sky's level.
    sky : float
        Level of the darkest sky in green, white being 1.
    noise : float
        Noise of a pixel on that sky, as a share of it.
    photon : float
        Share of that noise's variance that grows with the light.
    grain : Grain
    objects : tuple of str
        Of `OBJECTS`.
    brightness : float
        Brightest of an object (its 99.5 % quantile), in noise.
    gains : tuple of float
        What the channels record of white light.
    falloff : float
        Share of light that is lost in the corners.
    frames : Frames or None
        None: every frame covers everything.
    knee : float
        Where the sensor starts to bend over.
    hot : int
        Hot pixels; in one channel each, or "gray" ones in all, or "smeared" by a shift of half a pixel.
    hot_kind : {"channel", "gray", "smeared"}
    trails : int
        Satellites, most of whose light was rejected.
    """

    seed: int = 0
    shape: tuple[int, int] = (480, 720)
    channels: int = 3
    optics: Optics = field(default_factory=Optics)
    stars: int = 400
    population: str = "mixed"
    cluster: float = 0.0
    glow: str = "plane"
    height: float = 0.2
    sky: float = 0.06
    noise: float = 0.015
    photon: float = 0.6
    grain: Grain = field(default_factory=Grain)
    objects: tuple[str, ...] = ()
    brightness: float = 60.0
    gains: tuple[float, float, float] = (0.6, 1.0, 0.75)
    falloff: float = 0.0
    frames: Frames | None = None
    knee: float = 1.0
    hot: int = 0
    hot_kind: str = "channel"
    trails: int = 0

    def told(self) -> str:
        """What differs from the defaults, in one line."""
        return _told(self, Plan())


def _told(thing: Any, plain: Any) -> str:
    said = []
    for f in fields(thing):
        value = getattr(thing, f.name)
        if f.name == "shape" or value == getattr(plain, f.name, None):
            continue
        if is_dataclass(value):
            said.append(f"{f.name}: {_told(value, type(value)())};")
        elif isinstance(value, tuple):
            said.append(f"{f.name} {'/'.join(f'{v:.2g}' if isinstance(v, float) else str(v) for v in value)}")
        else:
            said.append(f"{f.name} {value:.3g}" if isinstance(value, float) else f"{f.name} {value}")
    return ", ".join(said)


@dataclass(frozen=True)
class Stars:
    """True stars: places (px), recorded light (N, C), B-V, height of the brightest pixel's mean over channels in
    noise of the sky (a star on the middle of a pixel), and whether any pixel of it is bent over or clipped."""

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    bv: np.ndarray
    peak: np.ndarray
    saturated: np.ndarray

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True)
class Scene:
    """A stack and the truth about it, in recorded numbers; arrays are (H, W, C) float32.

    Attributes
    ----------
    plan : Plan
    stack : workbench.Stack
    sky, objects, stars : ndarray
        The three kinds of light, as recorded below saturation.
    table : Stars
    noise : ndarray
        Standard deviation of each pixel's noise.
    starless : ndarray
        What would have been recorded had there been no stars: the same grain, without the noise of the stars' light.
    coverage : ndarray, shape (H, W)
        Share of the frames.
    borders : Borders
        Around the largest rectangle that nine tenths of the frames recorded.
    side_borders : Borders
        The same where a corner counts as the worse of its two sides (`coverage_of`).
    gains : tuple of float
        What the channels record of white (sunlike) light; true gains of a white balance are green's over these.
    hot : ndarray, shape (n, 3), int
        Row, column, channel (-1: all) of hot pixels.
    trails : ndarray, shape (H, W)
        Where satellites crossed, 0 to 1.
    """

    plan: Plan
    stack: wb.Stack
    sky: np.ndarray
    objects: np.ndarray
    stars: np.ndarray
    table: Stars
    noise: np.ndarray
    starless: np.ndarray
    coverage: np.ndarray
    borders: Borders
    side_borders: Borders
    gains: tuple[float, ...]
    hot: np.ndarray
    trails: np.ndarray

    @cached_property
    def fwhm(self) -> tuple[float, ...]:
        """True width of a star in each channel, px, pixels and demosaicing included."""
        return tuple(fwhm_of(spread) for spread in _seen_spreads(self.plan))

    @property
    def inside(self) -> tuple[slice, slice]:
        """Rows and columns within the borders."""
        b, (height, width) = self.borders, self.coverage.shape
        return slice(b.top, height - b.bottom), slice(b.left, width - b.right)

    @property
    def clean(self) -> np.ndarray:
        """All light without noise, below saturation."""
        return self.sky + self.objects + self.stars


# --- building


def make_scene(plan: Plan) -> Scene:
    """Build a scene; the same plan gives the same scene."""
    # Each part draws from its own stream, so that a change to one leaves the others as they are.
    streams = np.random.SeedSequence(plan.seed).spawn(8)
    of_sky, of_objects, of_stars, of_noise, of_frames, of_hot, of_trails, _ = (
        np.random.default_rng(s) for s in streams
    )
    channels = plan.channels
    gains = np.array(plan.gains if channels == 3 else [1.0])
    tint = of_sky.uniform(0.7, 1.3, channels) if channels == 3 else np.ones(1)
    level = plan.sky * gains * tint / (gains * tint).max()
    surface = glow(plan.glow, plan.shape, channels, of_sky)
    sky = level * (1 + plan.height * surface)
    floor = plan.noise * level  # noise of the darkest sky

    optics = _optics(plan)
    objects = _objects(plan, gains, float(floor.mean()), optics, of_objects)
    x, y, flux, bv = _draw_stars(plan, gains, floor, optics, of_stars)
    stars = stamp_stars(plan.shape, x, y, flux, optics, 0.02 * float(floor.min()))
    objects, stars = (_demosaiced(light, plan.grain.kernel) for light in (objects, stars))

    if plan.falloff > 0:
        height, width = plan.shape
        r2 = ((np.arange(height)[:, None] - height / 2) ** 2 + (np.arange(width)[None, :] - width / 2) ** 2) / (
            (height**2 + width**2) / 4
        )
        fall = (1 - plan.falloff * r2)[:, :, None]
        sky, objects, stars = sky * fall, objects * fall, stars * fall
        flux = (
            flux * fall[np.clip(np.round(y).astype(int), 0, height - 1), np.clip(np.round(x).astype(int), 0, width - 1)]
        )

    coverage, sides = coverage_of(plan.shape, plan.frames, of_frames)
    light = sky + objects + stars
    recorded = shoulder(light, plan.knee)
    trails = trail_mask(plan.shape, plan.trails, of_trails)
    # Where a satellite crossed, its frame was left out, and a little of it was not.
    share = np.maximum(coverage, 1e-3)[:, :, None] * (1 - 0.3 * trails[:, :, None])

    def noise_of(light: np.ndarray) -> np.ndarray:
        # What demosaicing takes off beside a sharp star may be more than the sky.
        return np.sqrt(floor**2 * np.maximum((1 - plan.photon) + plan.photon * light / level, 0) / share)

    noise = noise_of(recorded)
    ground = shoulder(sky + objects, plan.knee)
    speckle = grain((*plan.shape, channels), plan.grain, of_noise)
    pixels, starless = recorded + noise * speckle, ground + noise_of(ground) * speckle
    pixels = pixels + 0.7 * trails[:, :, None] * floor
    hot = _add_hot(pixels, plan, floor, of_hot)
    pixels = np.where(light >= 1, np.minimum(pixels, 1), pixels).astype(np.float32)
    if plan.frames is not None:
        bare = coverage == 0
        pixels[bare] = {"zero": 0.0, "nan": np.nan, "constant": 0.5 * float(level.min())}[plan.frames.fill]

    spread = _seen_spreads(plan)
    peak = (flux * [s.max() for s in spread]).mean(axis=1) / floor.mean() * np.sqrt(channels)
    brightest = flux * [s.max() for s in spread]
    col, row = (
        np.clip(np.round(x).astype(int), 0, plan.shape[1] - 1),
        np.clip(np.round(y).astype(int), 0, plan.shape[0] - 1),
    )
    saturated = (brightest + (sky + objects)[row, col] > min(plan.knee, 0.98)).any(axis=1)
    as32 = np.float32
    return Scene(
        plan=plan,
        stack=wb.Stack.from_array(pixels),
        sky=sky.astype(as32),
        objects=objects.astype(as32),
        stars=stars.astype(as32),
        table=Stars(x, y, flux, bv, peak, saturated),
        noise=noise.astype(as32),
        starless=starless.astype(as32),
        coverage=coverage,
        borders=borders_of(coverage),
        side_borders=borders_of(sides),
        gains=tuple(float(g) for g in gains),
        hot=hot,
        trails=trails,
    )


def _optics(plan: Plan) -> Optics:
    """A single channel is the first one."""
    return plan.optics if plan.channels == 3 else replace(plan.optics, fwhm=plan.optics.fwhm[:1] * 3)


def _seen_spreads(plan: Plan) -> list[np.ndarray]:
    kernel = plan.grain.kernel if plan.channels == 3 else "none"
    return [_seen_spread(_optics(plan), c, kernel) for c in range(plan.channels)]


def _draw_stars(
    plan: Plan, gains: np.ndarray, floor: np.ndarray, optics: Optics, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Places on fifths of a pixel, recorded light, B-V. Three and more times the noise at the peak; counts fall with
    the 0.8th power of the light (from memory: between the plane of the Milky Way and its pole)."""
    height, width = plan.shape
    n = plan.stars
    x, y = rng.uniform(-5, width + 5, n), rng.uniform(-5, height + 5, n)
    crowd = rng.random(n) < plan.cluster
    middle, spread = np.array([width, height]) * rng.uniform(0.35, 0.65, 2), 0.09 * width
    x[crowd] = rng.normal(middle[0], spread, crowd.sum())
    y[crowd] = rng.normal(middle[1], spread, crowd.sum())
    x, y = np.round(x * OVERSAMPLING) / OVERSAMPLING, np.round(y * OVERSAMPLING) / OVERSAMPLING
    peak = point_spread(optics, min(1, len(gains) - 1)).max()
    faintest = 3 * float(floor.max()) / peak
    brightest = 40 / peak  # a star that is clipped forty times over
    green = np.minimum(faintest * rng.random(n) ** (-1 / 0.8), brightest)
    mean, sigma = POPULATIONS[plan.population]
    bv = np.clip(rng.normal(mean, sigma, n), -0.3, 2.0)
    color = star_colors(bv) if len(gains) == 3 else np.ones((n, 1))
    return x, y, green[:, None] * color * gains, bv


def _objects(plan: Plan, gains: np.ndarray, noise: float, optics: Optics, rng: np.random.Generator) -> np.ndarray:
    """Light of all objects as the optics show them."""
    out = np.zeros((*plan.shape, len(gains)))
    for kind in plan.objects:
        light = _object(kind, plan, rng)
        if len(gains) == 1:
            light = light.mean(axis=2, keepdims=True)
        light = through(light, optics)
        top = np.quantile(light.max(axis=2), 0.995) if kind not in {"small galaxies", "knots"} else light.max()
        out += light / top * plan.brightness * noise * gains / gains.max()
    return out


def _object(kind: str, plan: Plan, rng: np.random.Generator) -> np.ndarray:
    """Light of one object (H, W, 3), on no scale."""
    shape, width = plan.shape, max(plan.shape)
    if kind == "emission":
        within = envelope(shape, rng.uniform(0.25, 0.55), rng)
        red = texture(rng.choice(BROAD), shape, rng.uniform(2, 6), rng) * (
            0.6 + 0.4 * texture(rng.choice(FINE), shape, rng.uniform(1, 3), rng)
        )
        teal = texture(rng.choice(BROAD), shape, rng.uniform(3, 8), rng) ** 2
        return within[:, :, None] * (red[:, :, None] * _HYDROGEN + 0.4 * teal[:, :, None] * _OXYGEN)
    if kind == "reflection":
        within = envelope(shape, rng.uniform(0.15, 0.4), rng)
        light = within * texture(rng.choice(FINE), shape, rng.uniform(2, 6), rng)
    elif kind == "dust":  # over nine tenths of the frame
        light = texture(rng.choice(BROAD), shape, width * rng.uniform(0.008, 0.03), rng)
        light = np.maximum(light - np.quantile(light, 0.1), 0)
    elif kind == "star cloud":  # bright everywhere, with dark lanes
        bright = 0.5 + texture(rng.choice(BROAD), shape, width * 0.03, rng)
        lanes = texture(rng.choice(BROAD), shape, width * 0.008, rng)
        light = bright * np.exp(-1.5 * np.maximum(lanes - 0.4, 0))
    elif kind in {"galaxy", "overfilling galaxy"}:
        fills = kind == "overfilling galaxy"
        radius = width * (rng.uniform(0.3, 0.7) if fills else np.exp(rng.uniform(np.log(0.01), np.log(0.12))))
        light = galaxy(shape, radius, float(rng.choice(INDICES[1:5])), rng.uniform(0.25, 0.9), rng)
        light = light * (0.75 + 0.5 * texture(rng.choice(FINE), shape, max(radius / 15, 1.5), rng))
    elif kind in {"small galaxies", "knots"}:  # knots: hydrogen regions, a little wider than stars
        out = np.zeros((*shape, 3))
        knots = kind == "knots"
        count, radii = int(rng.integers(15, 60)), (1.5, 4.0) if knots else (1.0, 6.0)
        for stamp, rows, cols in small_galaxies(
            shape, count, radii, (0.5,) if knots else INDICES, 0.5 if knots else 1.0, rng
        ):
            color = _HYDROGEN if knots else np.array([1, rng.uniform(0.7, 1), rng.uniform(0.4, 0.9)])
            out[rows, cols] += rng.uniform(0.05, 1) * stamp[:, :, None] * color
        return out
    else:
        raise ValueError(f"no object is called {kind!r}; there are {', '.join(OBJECTS)}")
    return light[:, :, None] * np.array(_COLORS[kind])


def _demosaiced(light: np.ndarray, kernel: str) -> np.ndarray:
    """Light after the demosaicing of ``kernel``, the mean of a mosaic's four places under it: dithers even them out."""
    if light.shape[2] != 3 or "demosaic" not in kernel or not light.any():
        return light
    kind = kernel.split(", ", maxsplit=1)[0].split()[1]
    return sum(demosaic(light, kind, (i, j)) for i in (0, 1) for j in (0, 1)) / 4


def _seen_spread(optics: Optics, channel: int, kernel: str) -> np.ndarray:
    """`point_spread` with the demosaicing of a white star in it."""
    spread = point_spread(optics, channel)
    if "demosaic" not in kernel:
        return spread
    point = np.zeros((16, 16, 3))
    point[8, 8] = 1
    answer = _demosaiced(point, kernel)[:, :, channel]
    return sum(
        answer[i, j] * np.roll(spread, ((i - 8) * OVERSAMPLING, (j - 8) * OVERSAMPLING), (0, 1))
        for i, j in np.argwhere(np.abs(answer) > 1e-12)
    )


def _add_hot(pixels: np.ndarray, plan: Plan, floor: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Add hot pixels in place and say where: row, column, channel or -1."""
    height, width, channels = pixels.shape
    rows, cols = rng.integers(3, height - 3, plan.hot), rng.integers(3, width - 3, plan.hot)
    which = rng.integers(channels, size=plan.hot)
    values = 10 ** rng.uniform(np.log10(15), np.log10(400), plan.hot) * float(floor.mean())
    for row, col, c, value in zip(rows, cols, which, values, strict=True):
        if plan.hot_kind == "gray":
            pixels[row, col] += value
        elif plan.hot_kind == "smeared":
            pixels[row : row + 2, col : col + 2, c] += value / 4
        else:
            pixels[row, col, c] += value
    channel = np.full(plan.hot, -1) if plan.hot_kind == "gray" else which
    return np.stack([rows, cols, channel], axis=1)


# --- drawing everything


def random_plan(seed: int, shape: tuple[int, int] = (480, 720)) -> Plan:
    """A plan with everything drawn from the seed."""
    rng = np.random.default_rng([seed, 20])
    width = float(np.exp(rng.uniform(np.log(1.2), np.log(5.0)))) if rng.random() < 0.9 else 8.0
    fwhm = np.array([width] * 3)
    if rng.random() < 0.4:  # a lens that is sharpest in green
        fwhm *= [rng.uniform(1.0, 1.3), 1.0, rng.uniform(1.0, 1.5)]
    optics = Optics(fwhm=tuple(float(f) for f in fwhm), angle=float(rng.uniform(0, 180)))
    if rng.random() < 0.4:
        optics = replace(
            optics,
            diffraction=float(rng.uniform(0.4, 1.0) * width / 2),
            struts=int(rng.choice([0, 0, 3, 4])),
            coma=float(rng.choice([0, 0.15, 0.3])),
            astigmatism=float(rng.choice([0, 0, 0.3])),
            defocus=float(rng.choice([0, 0, 0.3])),
            field=bool(rng.random() < 0.3),
        )
    if rng.random() < 0.2:
        optics = replace(optics, trail=float(rng.uniform(0.5, 3.0)))
    channels = 1 if rng.random() < 0.15 else 3
    objects: tuple[str, ...] = tuple(sorted(set(rng.choice(OBJECTS, size=int(rng.choice([0, 1, 1, 1, 2]))).tolist())))
    faint = {"dust", "star cloud", "overfilling galaxy"} & set(objects)
    brightness = 10 ** rng.uniform(0.5, 1.5) if faint else 10 ** rng.uniform(1.0, 2.5)
    frames = None
    if rng.random() < 0.6:
        nights = int(rng.integers(1, 7))
        frames = Frames(
            nights=nights,
            per_night=max(3, 24 // nights),
            dither=float(rng.uniform(1, 10)),
            turn=float(rng.uniform(0, 2)) if rng.random() < 0.6 else 0.0,
            drift=float(rng.uniform(0, 12)),
            fill=str(rng.choice(["zero", "nan", "constant"])),
        )
    crowded = rng.random() < 0.15
    return Plan(
        seed=seed,
        shape=shape,
        channels=channels,
        optics=optics,
        stars=int(np.exp(rng.uniform(np.log(60), np.log(1200)))) * (3 if crowded else 1),
        population=str(rng.choice(["mixed", "red", "young"], p=[0.7, 0.15, 0.15])),
        cluster=0.7 if crowded else 0.0,
        glow=str(rng.choice(GLOWS)),
        height=float(np.exp(rng.uniform(np.log(0.03), np.log(1.0)))),
        sky=float(np.exp(rng.uniform(np.log(0.01), np.log(0.2)))),
        noise=float(np.exp(rng.uniform(np.log(0.004), np.log(0.04)))),
        photon=float(rng.uniform(0.2, 1.0)),
        grain=Grain(
            kernel=str(rng.choice(KERNELS)),
            walking=float(rng.choice([0, 0, 0, 0.1, 0.3])),
            tails=float(rng.choice([0, 0, 0.01, 0.03])),
        ),
        objects=objects,
        brightness=float(brightness),
        gains=(float(rng.uniform(0.4, 1.0)), 1.0, float(rng.uniform(0.4, 1.0))),
        falloff=float(rng.choice([0, 0, 0.15, 0.4])),
        frames=frames,
        knee=float(rng.choice([1.0, 1.0, 0.7, 0.4])),
        hot=int(rng.choice([0, 0, 30, 150])),
        hot_kind=str(rng.choice(["channel", "gray", "smeared"])) if channels == 3 else "gray",
        trails=int(rng.choice([0, 0, 0, 3])),
    )


def random_scene(seed: int, shape: tuple[int, int] = (480, 720), **changes: Any) -> Scene:
    """A scene with everything drawn from the seed, but for ``changes`` to its plan."""
    return make_scene(replace(random_plan(seed, shape), **changes))
