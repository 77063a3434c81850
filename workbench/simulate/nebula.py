"""Glowing gas and lit dust, drawn from random fields and a little physics of light and shadow."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.simulate.fields import Canvas, Volume, fractal, ridged, smoothstep, warped
from workbench.simulate.scene import EmissionNebula, FaintNebulosity, Reflection
from workbench.simulate.spectrum import HYDROGEN, OXYGEN, gas_color, star_color

__all__ = ["REDDENING", "Layer", "emission_nebula", "faint_nebulosity", "reflection", "shadow"]

Plane = NDArray[np.float32]

#: Optical depth of dust in red, green and blue relative to green: falls about as 1 / wavelength
#: (Cardelli, Clayton & Mathis 1989, ApJ 345, 245, R_V = 3.1) [values from memory].
REDDENING = np.array([0.84, 1.0, 1.22], np.float32)


@dataclass(frozen=True, slots=True)
class Layer:
    """What an object adds and takes: light (3, h, w), white-referenced, and green optical depth (h, w)."""

    light: NDArray[np.float32]
    depth: Plane


#: Slices of a nebula's depth.
_SLICES = 12

#: Longer side of the grid on which shadows are cast, at most.
_SHADOW_SIDE = 1000


def _seeds(seed: int, n: int) -> list[int]:
    return [int(s.generate_state(1)[0]) for s in np.random.SeedSequence(seed).spawn(n)]


def shadow(absorption: Plane, at: tuple[float, float]) -> Plane:
    """Optical depth between a star at ``at`` (pixels) and every pixel: (h, w) float32.

    The absorption per pixel is summed along rays in polar coordinates, then turned back; on a coarser grid when the
    plane is large.

    Parameters
    ----------
    absorption : ndarray, shape (h, w), float32
        Optical depth a pixel.
    at : tuple of (float, float)

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    h, w = absorption.shape
    k = -(-max(h, w) // _SHADOW_SIDE)
    if k > 1:
        size = (-(-w // k), -(-h // k))
        coarse = np.asarray(cv2.resize(absorption, size, interpolation=cv2.INTER_AREA), np.float32)
        place = ((at[0] + 0.5) * size[0] / w - 0.5, (at[1] + 0.5) * size[1] / h - 0.5)
        back = cv2.resize(shadow(coarse * np.float32(k), place), (w, h), interpolation=cv2.INTER_LINEAR)
        return np.asarray(back, np.float32)
    far = float(np.hypot(max(at[0], w - at[0]), max(at[1], h - at[1])))
    size = (int(far) + 1, max(256, int(1.5 * np.pi * far)))
    polar = cv2.warpPolar(absorption, size, at, far, cv2.INTER_LINEAR + cv2.WARP_FILL_OUTLIERS)
    total = np.cumsum(polar, axis=1, dtype=np.float64).astype(np.float32)
    wrapped = cv2.copyMakeBorder(total, 4, 4, 0, 0, cv2.BORDER_WRAP)
    x = np.arange(w, dtype=np.float32)[None, :] - np.float32(at[0])
    y = np.arange(h, dtype=np.float32)[:, None] - np.float32(at[1])
    rows = (np.arctan2(y, x) % np.float32(2 * np.pi)) * np.float32(size[1] / (2 * np.pi)) + np.float32(4)
    columns = np.hypot(x, y) * np.float32(size[0] / far)
    back = cv2.remap(wrapped, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(back, np.float32)


def emission_nebula(n: EmissionNebula, canvas: Canvas, white_k: float) -> Layer:
    """Gas ionised by a star, drawn slice by slice from the front to the back.

    In each slice of a fractal volume, gas thinner than a limit is ionised; the limit falls with distance from the
    star, so a cavity glows with the square of its density and clumps stand dark, with a bright front where the
    density is just below the limit. Neutral gas carries dust: it shadows what lies behind it as seen from the star,
    and hides what lies behind it as seen by us. Oxygen is ionised twice nearer the star.

    Parameters
    ----------
    n : EmissionNebula
    canvas : Canvas
    white_k : float
        Temperature of the white reference, in kelvin.

    Returns
    -------
    Layer
    """
    seeds = _seeds(n.seed, 6)
    u, v = canvas.coordinates(n.at)
    u, v = u / np.float32(n.radius), v / np.float32(n.radius)
    cells = 0.9 / n.radius
    px = np.float32(n.radius * canvas.side)
    wx = fractal(canvas, seeds[0], cells=cells, octaves=6)
    wy = fractal(canvas, seeds[1], cells=cells, octaves=6)
    r = np.hypot(u + np.float32(0.19) * wx, v + np.float32(0.19) * wy)
    wx *= px
    wy *= px
    volume = Volume(canvas, seeds[2], cells=1.1 * cells, octaves=11, gain=0.6, depth=1.2 * n.radius, slices=_SLICES)
    star = (n.at[0] * canvas.width - 0.5, n.at[1] * canvas.height - 0.5)

    hydrogen, oxygen, depth = np.zeros_like(r), np.zeros_like(r), np.zeros_like(r)
    for k in range(_SLICES):
        t = (k + 0.5) / _SLICES
        r3 = np.sqrt(r * r + np.float32((1.3 * (2.0 * t - 1.0)) ** 2))
        swirled = warped(volume.at(t), wx * np.float32(0.155), wy * np.float32(0.155))
        log_density = np.float32(1.23) * swirled + np.float32(1.3) * smoothstep(r3, 0.2, 1.0) - np.float32(0.9)
        limit = np.float32(1.25) - np.float32(1.1) * np.log(r3 + np.float32(0.25))
        ionised = smoothstep(limit - log_density, 0.0, 0.35)
        neutral = (1.0 - ionised) * np.exp(np.minimum(0.6 * log_density, 2.0) - (r3 / 1.7) ** 6)
        glow = ionised * np.exp(np.minimum(1.7 * log_density, 3.5) - (r3 / 1.05) ** 3 - depth)
        glow *= np.exp(-shadow(neutral * np.float32(2.2 / px), star)) / (np.float32(0.25) + r3 * r3)
        hydrogen += glow
        oxygen += glow * np.exp(-((r3 / 0.5) ** 2))
        depth += np.float32(0.25 * n.dust * 12 / _SLICES) * neutral

    thin = np.exp(1.03 * volume.at(0.8) + 0.65 * wx / px - (r / 1.5) ** 2 - 0.7 * depth)
    hydrogen += np.float32(0.12 * np.quantile(hydrogen, 0.97)) * thin
    front = _front_dust(canvas, seeds[3:], volume.at(0.1), r, (wx, wy), cells)
    front *= np.float32(n.dust)
    red, teal = gas_color(HYDROGEN, white_k, 2.0), gas_color(OXYGEN, white_k, 1.2)
    out = np.empty((3, *r.shape), np.float32)
    for c in range(3):
        out[c] = np.float32(red[c]) * (hydrogen - 0.8 * oxygen) + np.float32(teal[c]) * oxygen
        out[c] *= np.exp(-front * REDDENING[c])
    out *= np.float32(n.peak / np.quantile(out[0], 0.999))
    return Layer(out, depth + front)


def _front_dust(
    canvas: Canvas, seeds: list[int], veil: Plane, r: Plane, swirl: tuple[Plane, Plane], cells: float
) -> Plane:
    """Dust lanes and globules between the nebula and us: optical depth (h, w)."""
    few, some = np.float32(0.065), np.float32(0.26)
    lanes = ridged(canvas, seeds[0], cells=1.5 * cells, octaves=8, gain=0.62)
    lanes = warped(lanes, swirl[0] * some, swirl[1] * some)
    ragged = np.exp(0.55 * fractal(canvas, seeds[2], cells=18 * cells, octaves=5, gain=0.6))
    spots = warped(_globules(canvas, seeds[1], cells) * ragged, swirl[0] * few, swirl[1] * few)
    depth = 1.6 * smoothstep(lanes + 0.28 * veil - 0.05 * r, 0.34, 0.8) + 2.0 * smoothstep(spots, 0.25, 1.1)
    return np.asarray(depth * np.exp(-((r / 1.4) ** 4)), np.float32)


def _globules(canvas: Canvas, seed: int, cells: float) -> Plane:
    """Small dark clouds in chains: ellipses of many sizes, 1 at their centres, (h, w)."""
    rng = np.random.default_rng(seed)
    u, v = canvas.coordinates()
    out = np.zeros((canvas.height, canvas.width), np.float32)
    for _ in range(7):
        x, y = rng.uniform(-0.9, 0.9, 2) / cells
        angle, step = rng.uniform(0, np.pi), rng.uniform(0.05, 0.12) / cells
        for k in range(int(rng.integers(1, 5))):
            size = min(0.012 * (1.0 + rng.pareto(2.0)), 0.05) / cells
            long, turn = size * rng.uniform(1.2, 2.4), angle + rng.normal(0.0, 0.4)
            p = u - np.float32(x + k * step * np.cos(angle) + rng.normal(0, 0.3) * step)
            q = v - np.float32(y + k * step * np.sin(angle) + rng.normal(0, 0.3) * step)
            c, s = np.float32(np.cos(turn)), np.float32(np.sin(turn))
            out += np.exp(-(((p * c + q * s) / np.float32(long)) ** 2) - ((q * c - p * s) / np.float32(size)) ** 2)
    return out


def _combed(field: Plane, angle_deg: float, stretch: float) -> Plane:
    """Stretch a field along one direction, about its centre."""
    h, w = field.shape
    a = np.deg2rad(angle_deg)
    along = np.array([np.cos(a), np.sin(a)])
    matrix = np.eye(2) + (1.0 / stretch - 1.0) * np.outer(along, along)
    middle = 0.5 * np.array([w - 1, h - 1])
    affine = np.hstack([matrix, (middle - matrix @ middle)[:, None]])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(field, affine, (w, h), flags=flags, borderMode=cv2.BORDER_REFLECT), np.float32)


def reflection(n: Reflection, canvas: Canvas, white_k: float) -> Layer:
    """Dust around young stars that scatters their light: wisps combed in one direction.

    Light falls with the square of the distance from the nearest of a few stars near the centre, so the dust is
    brightest around each; scattering makes it bluer than the stars.

    Parameters
    ----------
    n : Reflection
    canvas : Canvas
    white_k : float
        Temperature of the white reference, in kelvin.

    Returns
    -------
    Layer
    """
    rng = np.random.default_rng(n.seed)
    seeds = _seeds(n.seed, 4)
    u, v = canvas.coordinates(n.at)
    u, v = u / np.float32(n.radius), v / np.float32(n.radius)
    cells = 1.0 / n.radius
    px = np.float32(n.radius * canvas.side)
    wx = fractal(canvas, seeds[0], cells=cells, octaves=5) * px
    wy = fractal(canvas, seeds[1], cells=cells, octaves=5) * px
    wisps = _combed(ridged(canvas, seeds[2], cells=4.0 * cells, octaves=7, gain=0.7), n.angle_deg, 5.0)
    wisps = warped(wisps, np.float32(0.155) * wx, np.float32(0.155) * wy)
    cloud = warped(fractal(canvas, seeds[3], cells=1.3 * cells, octaves=8, gain=0.55), 0.19 * wx, 0.19 * wy)
    r2 = u * u + v * v
    dust = np.exp(0.9 * cloud) * (0.3 + 1.2 * wisps) * np.exp(-1.2 * r2)
    near = np.zeros_like(r2)
    for _ in range(n.lights):
        x, y = 0.35 * rng.standard_normal(2)
        d2 = (u - np.float32(x)) ** 2 + (v - np.float32(y)) ** 2
        near += np.float32(rng.uniform(0.4, 1.0)) / (np.float32(0.05) + d2)
    field = dust * (0.5 + near / np.float32(n.lights))
    color = star_color(n.temperature_k, white_k)[0] * np.array([0.8, 1.0, 1.2])
    out = (color[:, None, None] / color.max() * field).astype(np.float32)
    out *= np.float32(n.peak / np.quantile(out[2], 0.999))
    return Layer(out, 0.25 * dust)


def faint_nebulosity(n: FaintNebulosity, canvas: Canvas, white_k: float) -> Layer:
    """High dust lit by the Galaxy, to every edge of the frame, with dark cores and a little hydrogen.

    A column of optical depth t (log-normal, summed over slices) scatters ``1 - exp(-t)`` of the light that falls on
    it; where it is thick, the light of its front is reddened and its cores get none.

    Parameters
    ----------
    n : FaintNebulosity
    canvas : Canvas
    white_k : float
        Temperature of the white reference, in kelvin.

    Returns
    -------
    Layer
    """
    seeds = _seeds(n.seed, 5)
    side = np.float32(canvas.side)
    wx = fractal(canvas, seeds[0], cells=3, octaves=6) * side
    wy = fractal(canvas, seeds[1], cells=3, octaves=6) * side
    volume = Volume(canvas, seeds[2], cells=2.6, octaves=10, gain=0.62, depth=0.5, slices=4)
    column = np.zeros((canvas.height, canvas.width), np.float32)
    for t in (0.1, 0.37, 0.63, 0.9):
        column += np.exp(1.61 * warped(volume.at(t), np.float32(0.045) * wx, np.float32(0.045) * wy))
    threads = warped(ridged(canvas, seeds[3], cells=4, octaves=8, gain=0.62), 0.065 * wx, 0.065 * wy)
    column *= 0.3 + threads
    column /= np.float32(np.median(column))
    depth = np.float32(0.24) * column
    cores = np.float32(n.dark) * smoothstep(column, 4.0, 11.0)
    light = star_color(5300.0, white_k)[0]
    red = gas_color(HYDROGEN, white_k, 1.0)
    glow = np.exp(1.16 * fractal(canvas, seeds[4], cells=2.2, octaves=8, gain=0.55) - 0.5 * depth)
    out = np.empty((3, *depth.shape), np.float32)
    for c in range(3):
        scattered = 1.0 - np.exp(-depth * REDDENING[c])
        scattered *= np.exp(-(0.35 * depth + 1.6 * cores) * REDDENING[c] ** 2)
        out[c] = np.float32((1.0 - n.hydrogen) * light[c]) * scattered + np.float32(0.25 * n.hydrogen * red[c]) * glow
        out[c] += np.float32(n.floor * 0.5 * light[c])
    out *= np.float32(n.peak / np.quantile(out[1], 0.999))
    return Layer(out, 0.6 * depth + 2.0 * cores)
