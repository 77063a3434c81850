"""Glowing gas and lit dust, drawn from random fields and a little physics of light and shadow."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.simulate.fields import Canvas, fractal, ridged, smoothstep, warped
from workbench.simulate.scene import EmissionNebula, FaintNebulosity, Reflection
from workbench.simulate.spectrum import line_color, star_color

__all__ = ["REDDENING", "Layer", "emission_nebula", "faint_nebulosity", "reflection", "shadow"]

Plane = NDArray[np.float32]

#: Optical depth of dust in red, green and blue relative to green: falls about as 1 / wavelength
#: (Cardelli, Clayton & Mathis 1989, ApJ 345, 245, R_V = 3.1).
REDDENING = np.array([0.84, 1.0, 1.22], np.float32)


@dataclass(frozen=True, slots=True)
class Layer:
    """What an object adds and takes: light (3, h, w), white-referenced, and green optical depth (h, w)."""

    light: NDArray[np.float32]
    depth: Plane


def shadow(absorption: Plane, at: tuple[float, float]) -> Plane:
    """Optical depth between a star at ``at`` (canvas pixels) and every pixel: (h, w) float32.

    The absorption per pixel is summed along rays in polar coordinates, then turned back.
    """
    h, w = absorption.shape
    far = float(np.hypot(max(at[0], w - at[0]), max(at[1], h - at[1])))
    size = (int(far) + 1, max(256, int(1.5 * np.pi * far)))
    polar = cv2.warpPolar(absorption, size, at, far, cv2.INTER_LINEAR + cv2.WARP_FILL_OUTLIERS)
    total = np.cumsum(polar, axis=1, dtype=np.float64).astype(np.float32)
    del polar
    total = cv2.copyMakeBorder(total, 4, 4, 0, 0, cv2.BORDER_WRAP)
    x = np.arange(w, dtype=np.float32)[None, :] - np.float32(at[0])
    y = np.arange(h, dtype=np.float32)[:, None] - np.float32(at[1])
    rows = (np.arctan2(y, x) % np.float32(2 * np.pi)) * np.float32(size[1] / (2 * np.pi)) + np.float32(4)
    columns = np.hypot(x, y) * np.float32(size[0] / far)
    return cv2.remap(total, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def emission_nebula(n: EmissionNebula, canvas: Canvas, white_k: float) -> Layer:
    """Gas ionised by a star in a cavity of a molecular cloud.

    The cloud stands around a cavity and shadows what lies behind it. Where starlight meets the cloud, an ionisation
    front glows; thin gas in the cavity glows with the square of its density. Hydrogen (H-alpha, H-beta) everywhere,
    twice-ionised oxygen nearer the star, ionised sulphur at the fronts. Dust of the cloud and dust in front take
    light away, blue more than red.
    """
    seeds = [int(s.generate_state(1)[0]) for s in np.random.SeedSequence(n.seed).spawn(12)]
    u, v = canvas.coordinates(n.at)
    u, v = u / np.float32(n.radius), v / np.float32(n.radius)
    cells = 1.1 / n.radius
    px = np.float32(n.radius * canvas.side)

    wx = fractal(canvas, seeds[0], cells=cells, octaves=5) * px
    wy = fractal(canvas, seeds[1], cells=cells, octaves=5) * px
    r = np.hypot(u + 0.22 * wx / px, v + 0.22 * wy / px)

    def swirl(field: Plane, amount: float) -> Plane:
        return warped(field, wx * np.float32(amount), wy * np.float32(amount))

    big = swirl(fractal(canvas, seeds[2], cells=cells, octaves=9, gain=0.55), 0.25)
    cloud = smoothstep(0.75 * big + 1.5 * (r - 0.62), -0.2, 1.0)
    at = (n.at[0] * canvas.width - 0.5, n.at[1] * canvas.height - 0.5)
    behind = shadow(cloud * np.float32(7.0 / px), at)
    light = np.exp(-behind) / (0.12 + r * r)

    # Fronts: where the cloud thickens along the ray from the star.
    soft = cv2.GaussianBlur(cloud, (0, 0), 0.006 * float(px) + 0.6)
    gy, gx = cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=0.125), cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=0.125)
    length = np.hypot(u, v) + np.float32(1e-3)
    front = np.maximum((gx * u + gy * v) / length, 0.0) * px * light

    threads = swirl(ridged(canvas, seeds[3], cells=2.2 * cells, octaves=7), 0.35)
    fine = swirl(fractal(canvas, seeds[4], cells=2.0 * cells, octaves=8, gain=0.6), 0.3)
    density = np.exp(0.55 * fine) * (0.35 + 1.5 * threads)
    gas = density**2 * light * (1.0 - 0.75 * cloud) * np.exp(-((r / 1.15) ** 4))

    envelope = np.exp(-1.6 * r) * np.exp(0.5 * big)
    hydrogen = 0.5 * gas + 0.35 * front + 0.18 * envelope * (0.4 + threads)
    oxygen = 0.75 * gas * np.exp(-((r / 0.55) ** 2))
    sulphur = 0.12 * front

    lanes = swirl(ridged(canvas, seeds[5], cells=1.3 * cells, octaves=8, gain=0.6), 0.5)
    veil = swirl(fractal(canvas, seeds[6], cells=1.2 * cells, octaves=8, gain=0.55), 0.4)
    globules = smoothstep(swirl(fractal(canvas, seeds[7], cells=9 * cells, octaves=5), 0.1), 1.9, 2.6)
    near = np.exp(-((r / 1.6) ** 2))
    depth = np.float32(n.dust) * near * (
        2.2 * smoothstep(lanes + 0.25 * veil, 0.55, 1.05) + 0.35 * smoothstep(veil, 0.2, 1.8) + 2.5 * globules
    ) + np.float32(0.5 * n.dust) * cloud * np.exp(-((r / 1.3) ** 4))

    h_color = line_color("H-alpha", white_k) + 0.30 * line_color("H-beta", white_k)
    colors = [(hydrogen, h_color), (oxygen, line_color("O III", white_k)), (sulphur, line_color("S II", white_k))]
    out = np.zeros((3, *cloud.shape), np.float32)
    for c in range(3):
        for field, color in colors:
            out[c] += np.float32(color[c]) * field
        out[c] *= np.exp(-depth * REDDENING[c])
    out *= np.float32(n.peak / np.quantile(out[0], 0.999))
    return Layer(out, depth + np.float32(1.2 * n.dust) * cloud * np.exp(-((r / 1.5) ** 4)))


def reflection(n: Reflection, canvas: Canvas, white_k: float) -> Layer:
    """Dust around young stars that scatters their light: wisps combed in one direction."""
    seeds = [int(s.generate_state(1)[0]) for s in np.random.SeedSequence(n.seed).spawn(4)]
    u, v = canvas.coordinates(n.at)
    u, v = u / np.float32(n.radius), v / np.float32(n.radius)
    cells = 1.0 / n.radius
    px = np.float32(n.radius * canvas.side)
    angle = np.deg2rad(n.angle_deg)
    along = fractal(canvas, seeds[0], cells=cells, octaves=5)
    streaks = ridged(canvas, seeds[1], cells=2.5 * cells, octaves=6, gain=0.6)
    streaks = warped(streaks, np.float32(0.3 * np.cos(angle)) * along * px, np.float32(0.3 * np.sin(angle)) * along * px)
    cloud = np.exp(0.8 * fractal(canvas, seeds[2], cells=1.4 * cells, octaves=7, gain=0.5))
    r2 = u * u + v * v
    dust = cloud * (0.25 + streaks) * np.exp(-1.3 * r2)
    field = dust / (0.15 + r2)
    color = star_color(n.temperature_k, white_k)[0] * np.array([0.8, 1.0, 1.2])  # scattering favours blue
    out = (color[:, None, None] / color.max() * field).astype(np.float32)
    out *= np.float32(n.peak / np.quantile(out[2], 0.999))
    return Layer(out, 0.25 * dust)


def faint_nebulosity(n: FaintNebulosity, canvas: Canvas, white_k: float) -> Layer:
    """High dust lit by the Galaxy, to every edge of the frame, with dark cores and a little hydrogen."""
    seeds = [int(s.generate_state(1)[0]) for s in np.random.SeedSequence(n.seed).spawn(8)]
    px = np.float32(canvas.side)
    wx = fractal(canvas, seeds[0], cells=3, octaves=6) * px
    wy = fractal(canvas, seeds[1], cells=3, octaves=6) * px
    base = warped(fractal(canvas, seeds[2], cells=2.5, octaves=9, gain=0.52), 0.06 * wx, 0.06 * wy)
    threads = warped(ridged(canvas, seeds[3], cells=4, octaves=8, gain=0.6), 0.08 * wx, 0.08 * wy)
    dust = np.exp(0.55 * base) * (0.35 + threads)
    dust /= np.float32(np.quantile(dust, 0.995))
    cores = smoothstep(base + 0.9 * threads, 1.3, 2.6)
    depth = np.float32(n.dark) * (0.25 * dust + cores)
    light = np.float32(1.0 - n.floor) * dust * np.exp(-0.9 * depth) + np.float32(n.floor)
    glow = np.exp(0.5 * fractal(canvas, seeds[4], cells=2.0, octaves=7)) * np.exp(-0.5 * depth)
    brown = star_color(4700.0, white_k)[0]
    red = line_color("H-alpha", white_k) + 0.3 * line_color("H-beta", white_k)
    out = np.empty((3, *dust.shape), np.float32)
    for c in range(3):
        out[c] = np.float32((1 - n.hydrogen) * brown[c]) * light + np.float32(n.hydrogen * 0.5 * red[c]) * glow
    out *= np.float32(n.peak / np.quantile(out[1], 0.999))
    return Layer(out, depth)
