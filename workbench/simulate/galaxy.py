"""A spiral galaxy: disc, arms, bulge, dust and knots, seen at an angle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.simulate.fields import Canvas, fractal, ridged, smoothstep
from workbench.simulate.nebula import REDDENING, Layer
from workbench.simulate.scene import SpiralGalaxy
from workbench.simulate.spectrum import HYDROGEN, gas_color, star_color

__all__ = ["spiral_galaxy"]

Plane = NDArray[np.float32]


def _turned(g: SpiralGalaxy, canvas: Canvas, axis_ratio: float) -> tuple[Plane, Plane]:
    """Coordinates along and across the major axis, in galaxy radii, the latter stretched by the axis ratio."""
    u, v = canvas.coordinates(g.at)
    cos, sin = _direction(g.angle_deg)
    p = (u * cos + v * sin) / np.float32(g.radius)
    q = (v * cos - u * sin) / np.float32(g.radius * axis_ratio)
    return np.asarray(p, np.float32), np.asarray(q, np.float32)


def _direction(angle_deg: float) -> tuple[np.float32, np.float32]:
    angle = np.deg2rad(angle_deg)
    return np.float32(np.cos(angle)), np.float32(np.sin(angle))


def spiral_galaxy(g: SpiralGalaxy, canvas: Canvas, white_k: float) -> Layer:
    """An exponential disc with logarithmic arms: dust on their inner edge, then knots and young stars, then old light.

    The phase ``arms (theta - ln(r) / tan(pitch))`` is disturbed by random fields so that arms fork and feather.

    Parameters
    ----------
    g : SpiralGalaxy
    canvas : Canvas
    white_k : float
        Temperature of the white reference, in kelvin.

    Returns
    -------
    Layer
    """
    rng = np.random.default_rng(g.seed)
    seeds = [int(s) for s in rng.integers(0, 2**31, 3)]
    p, q = _turned(g, canvas, g.axis_ratio)
    r = np.hypot(p, q)
    cells = 2.0 / g.radius
    rough = fractal(canvas, seeds[0], cells=cells, octaves=6, gain=0.55)
    pitch = np.float32(np.tan(np.deg2rad(g.pitch_deg)))
    phase = g.arms * (np.arctan2(q, p) - np.log(r + 0.03) / pitch) + 0.71 * rough
    grain = fractal(canvas, seeds[1], cells=3 * cells, octaves=7, gain=0.65)
    feather = ridged(canvas, seeds[2], cells=3 * cells, octaves=6, gain=0.6)

    disc = np.exp(-r * 3.8) * smoothstep(r, 1.25, 0.7)
    arm = np.exp(2.0 * (np.cos(phase) - 1.0)) + 0.25 * np.exp(3.0 * (np.cos(2.0 * phase + 1.0) - 1.0))
    young = arm * smoothstep(r, 0.1, 0.3) * np.exp(0.9 * grain) * (0.35 + 1.1 * feather) * disc
    lane = np.exp(4.0 * (np.cos(phase + 0.8) - 1.0)) * smoothstep(r, 0.04, 0.15) * smoothstep(r, 1.05, 0.5)
    spurs = smoothstep(feather + 0.19 * grain, 0.3, 0.75) * smoothstep(r, 0.05, 0.2) * np.exp(-2.2 * r)
    depth = 1.5 * np.minimum(lane * np.exp(0.52 * grain) * (0.3 + 1.3 * feather), 1.2) + 1.2 * spurs

    # The bulge is rounder than the disc.
    flat = np.hypot(*_turned(g, canvas, max(g.axis_ratio, 0.65)))
    bulge = np.exp(-5.2 * np.sqrt(flat + 0.0015)) * smoothstep(flat, 1.7, 0.3)
    pink, blue = _knots(g, canvas, rng, phase)
    dwarfs = _companions(g, canvas, rng)
    old, mid, hot = star_color([4500.0, 5600.0, 11000.0], white_k).astype(np.float32)
    red = gas_color(HYDROGEN, white_k, 0.5).astype(np.float32)
    out = np.empty((3, *r.shape), np.float32)
    for c in range(3):
        out[c] = 1.1 * old[c] * bulge + 0.2 * mid[c] * disc + hot[c] * (0.75 * young + blue) + red[c] * pink
        out[c] *= np.exp(-0.8 * depth * REDDENING[c])
        out[c] += old[c] * dwarfs
    out *= np.float32(g.peak / out[1].max())
    return Layer(out, 0.4 * depth)


def _companions(g: SpiralGalaxy, canvas: Canvas, rng: np.random.Generator) -> Plane:
    """Small elliptical galaxies of old stars around the large one."""
    out = np.zeros((canvas.height, canvas.width), np.float32)
    for _ in range(g.companions):
        far, turn = rng.uniform(0.5, 1.05) * g.radius * canvas.side, rng.uniform(0, 2 * np.pi)
        at = (g.at[0] + far * np.cos(turn) / canvas.width, g.at[1] + far * np.sin(turn) / canvas.height)
        size, height, ratio = rng.uniform(0.03, 0.07), rng.uniform(0.1, 0.3), rng.uniform(0.6, 0.95)
        dwarf = g.model_copy(update={"at": at, "radius": size * g.radius, "angle_deg": rng.uniform(0, 180)})
        r = np.hypot(*_turned(dwarf, canvas, ratio))
        out += np.float32(height) * np.exp(-2.0 * np.sqrt(r + 0.02)) * smoothstep(r, 7.0, 1.0)
    return out


def _knots(g: SpiralGalaxy, canvas: Canvas, rng: np.random.Generator, phase: Plane) -> tuple[Plane, Plane]:
    """Star-forming knots strung along the arms: pink gas and blue stars."""
    pink, blue = np.zeros_like(phase), np.zeros_like(phase)
    cos, sin = (float(d) for d in _direction(g.angle_deg))
    placed, tries = 0, 0
    while placed < g.knots and tries < 60 * g.knots:
        tries += 1
        rad, turn = 0.15 + 0.85 * rng.random() ** 0.8, rng.uniform(0, 2 * np.pi)
        px, qx = rad * np.cos(turn) * g.radius, rad * np.sin(turn) * g.radius * g.axis_ratio
        x = g.at[0] * canvas.width + (px * cos - qx * sin) * canvas.side
        y = g.at[1] * canvas.height + (px * sin + qx * cos) * canvas.side
        keep, size, power, kind = rng.random(), rng.exponential(1.0), rng.pareto(1.6), rng.random()
        if not (0 <= x < canvas.width and 0 <= y < canvas.height):
            continue
        if keep > np.exp(3.0 * (np.cos(phase[int(y), int(x)] + 0.15) - 1.0)):
            continue
        placed += 1
        sigma = (0.003 + 0.003 * min(size, 3.0)) * g.radius * canvas.side
        height = 0.055 * min(1.0 + power, 6.0) * np.exp(-2.6 * rad)
        _spot(pink if kind < 0.6 else blue, x, y, max(sigma, 0.5), height)
    return pink, blue


def _spot(out: Plane, x: float, y: float, sigma: float, height: float) -> None:
    reach = int(4 * sigma) + 2
    y0, x0 = max(int(y) - reach, 0), max(int(x) - reach, 0)
    part = out[y0 : int(y) + reach + 1, x0 : int(x) + reach + 1]
    gy = np.exp(-0.5 * ((np.arange(y0, y0 + part.shape[0]) - y) / sigma) ** 2)
    gx = np.exp(-0.5 * ((np.arange(x0, x0 + part.shape[1]) - x) / sigma) ** 2)
    part += (height * gy[:, None] * gx[None, :]).astype(np.float32)
