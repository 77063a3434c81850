"""A spiral galaxy: disc, arms, bulge, dust and knots, seen at an angle."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.simulate.fields import Canvas, fractal, ridged, smoothstep, warped
from workbench.simulate.nebula import REDDENING, Layer
from workbench.simulate.scene import SpiralGalaxy
from workbench.simulate.spectrum import HYDROGEN, gas_color, star_color

__all__ = ["spiral_galaxy"]

Plane = NDArray[np.float32]


def _smooth_dwarf(canvas: Canvas, at: tuple[float, float], size: float, ratio: float, angle: float) -> Plane:
    """An elliptical companion: exponential-like light of old stars, 1 at its centre."""
    u, v = canvas.coordinates(at)
    c, s = np.cos(angle), np.sin(angle)
    r = np.hypot(u * c + v * s, (v * c - u * s) / ratio) / size
    return (np.exp(-2.0 * np.sqrt(r + 0.02)) * smoothstep(r, 7.0, 1.0)).astype(np.float32)


def _in_plane(g: SpiralGalaxy, canvas: Canvas) -> tuple[Plane, Plane]:
    """Coordinates in the plane of the disc, in galaxy radii."""
    u, v = canvas.coordinates(g.at)
    a = np.deg2rad(g.angle_deg)
    c, s = np.float32(np.cos(a)), np.float32(np.sin(a))
    return (u * c + v * s) / np.float32(g.radius), (v * c - u * s) / np.float32(g.radius * g.axis_ratio)


def spiral_galaxy(g: SpiralGalaxy, canvas: Canvas, white_k: float) -> Layer:
    """An exponential disc with logarithmic arms: dust on their inner edge, then knots and young stars, then old light.

    The phase ``arms (theta - ln(r) / tan(pitch))`` is disturbed by random fields so that arms fork and feather.
    """
    rng = np.random.default_rng(g.seed)
    seeds = [int(s) for s in rng.integers(0, 2**31, 10)]
    p, q = _in_plane(g, canvas)
    r = np.hypot(p, q)
    theta = np.arctan2(q, p)
    cells = 2.0 / g.radius
    rough = fractal(canvas, seeds[0], cells=cells, octaves=6, gain=0.55)
    pitch = np.tan(np.deg2rad(g.pitch_deg))
    phase = g.arms * (theta - np.log(r + 0.03) / np.float32(pitch)) + 0.55 * rough
    grain = fractal(canvas, seeds[1], cells=3 * cells, octaves=7, gain=0.65)
    feather = ridged(canvas, seeds[2], cells=3 * cells, octaves=6, gain=0.6)

    disc = np.exp(-r * 3.8) * smoothstep(r, 1.25, 0.7)
    arm = (np.exp(2.0 * (np.cos(phase) - 1.0)) + 0.25 * np.exp(3.0 * (np.cos(2.0 * phase + 1.0) - 1.0))) * smoothstep(
        r, 0.1, 0.3
    )
    young = arm * np.exp(0.7 * grain) * (0.35 + 1.1 * feather) * disc
    lane = np.exp(4.0 * (np.cos(phase + 0.8) - 1.0)) * smoothstep(r, 0.04, 0.15) * smoothstep(r, 1.05, 0.5)
    spurs = smoothstep(feather + 0.15 * grain, 0.3, 0.75) * smoothstep(r, 0.05, 0.2) * np.exp(-2.2 * r)
    dust = np.minimum(lane * np.exp(0.4 * grain) * (0.3 + 1.3 * feather), 1.2) + 0.8 * spurs

    # The bulge is round-ish on the sky; the near half of the disc stands before it.
    u, v = canvas.coordinates(g.at)
    a = np.deg2rad(g.angle_deg)
    flat = np.hypot(u * np.cos(a) + v * np.sin(a), (v * np.cos(a) - u * np.sin(a)) / max(g.axis_ratio, 0.65))
    rb = flat / np.float32(g.radius)
    bulge = (np.exp(-5.2 * np.sqrt(rb + 0.0015)) * smoothstep(rb, 1.7, 0.3)).astype(np.float32)
    depth = 1.5 * dust

    pink, blue = _knots(g, canvas, rng, phase, r)
    old, mid = star_color(4500.0, white_k)[0], star_color(5600.0, white_k)[0]
    hot = star_color(11000.0, white_k)[0]
    red = gas_color(HYDROGEN, white_k, 0.5)
    out = np.zeros((3, *r.shape), np.float32)
    dwarfs = np.zeros_like(r)
    for _ in range(g.companions):
        far, turn = rng.uniform(0.5, 1.05) * g.radius, rng.uniform(0, 2 * np.pi)
        place = (
            g.at[0] + far * np.cos(turn) * canvas.side / canvas.width,
            g.at[1] + far * np.sin(turn) * canvas.side / canvas.height,
        )
        size = g.radius * rng.uniform(0.03, 0.07)
        dwarfs += np.float32(rng.uniform(0.1, 0.3)) * _smooth_dwarf(
            canvas, place, size, rng.uniform(0.6, 0.95), rng.uniform(0, np.pi)
        )
    for c in range(3):
        out[c] = 1.1 * np.float32(old[c]) * bulge + np.float32(mid[c]) * 0.2 * disc
        out[c] += np.float32(hot[c]) * (0.75 * young + blue)
        out[c] += np.float32(red[c]) * pink
        out[c] *= np.exp(-depth * REDDENING[c] * np.float32(0.8))
        out[c] += np.float32(old[c]) * dwarfs
    out *= np.float32(g.peak / out[1].max())
    return Layer(out, 0.4 * depth)


def _knots(
    g: SpiralGalaxy, canvas: Canvas, rng: np.random.Generator, phase: Plane, r: Plane
) -> tuple[Plane, Plane]:
    """Star-forming knots strung along the arms: pink gas and blue stars."""
    pink, blue = np.zeros_like(r), np.zeros_like(r)
    a = np.deg2rad(g.angle_deg)
    placed, tries = 0, 0
    while placed < g.knots and tries < 60 * g.knots:
        tries += 1
        rad, turn = 0.15 + 0.85 * rng.random() ** 0.8, rng.uniform(0, 2 * np.pi)
        px, qx = rad * np.cos(turn) * g.radius, rad * np.sin(turn) * g.radius * g.axis_ratio
        x = g.at[0] * canvas.width + (px * np.cos(a) - qx * np.sin(a)) * canvas.side
        y = g.at[1] * canvas.height + (px * np.sin(a) + qx * np.cos(a)) * canvas.side
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
