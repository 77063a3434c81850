"""Light that the air adds in front of everything, and the falloff that imperfect flats leave."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from workbench.simulate.scene import NightSky, Optics

__all__ = ["draw_falloff", "draw_sky"]

Planes = NDArray[np.float32]


def _grid(shape: tuple[int, int], rows: slice) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    height, width = shape
    y = (np.arange(rows.start, rows.stop) + 0.5)[:, None] / height
    x = (np.arange(width) + 0.5)[None, :] / width
    return x, y, float(max(shape))


def draw_sky(sky: NightSky, gains: NDArray[np.float64], shape: tuple[int, int], rows: slice) -> Planes:
    """Sky light of some rows as the channels record it: (3, rows, W) float32, white-level units.

    An even part, plus a slope that moonlight or twilight adds, plus domes
    ``strength / (1 + (d / reach)^2)`` for towns below the frame's edges.

    Parameters
    ----------
    sky : NightSky
    gains : ndarray, shape (3,), float64
        What the channels record of white light.
    shape : tuple of (int, int)
        Of the frame, in pixels.
    rows : slice

    Returns
    -------
    ndarray, shape (3, rows, W), float32
    """
    height, width = shape
    x, y, side = _grid(shape, rows)
    sx, sy = width / side, height / side
    out = np.empty((3, rows.stop - rows.start, width), np.float32)
    slope = sky.slope[0] * (x - 0.5) + sky.slope[1] * (y - 0.5)
    domes = [
        d.strength / (1.0 + (((x - d.at[0]) * sx) ** 2 + ((y - d.at[1]) * sy) ** 2) / d.reach**2) for d in sky.domes
    ]
    for c in range(3):
        light = sky.color[c] + sky.slope_color[c] * slope
        for dome, glow in zip(sky.domes, domes, strict=True):
            light = light + dome.color[c] * glow
        out[c] = sky.level * gains[c] * light
    return out


def draw_falloff(optics: Optics, shape: tuple[int, int], rows: slice) -> Planes:
    """Share of the light that reaches the pixels of some rows: (rows, W) float32, 1 at ``falloff_at``.

    Parameters
    ----------
    optics : Optics
    shape : tuple of (int, int)
        Of the frame, in pixels.
    rows : slice

    Returns
    -------
    ndarray, shape (rows, W), float32
    """
    height, width = shape
    x, y, side = _grid(shape, rows)
    corner = 0.25 * (width**2 + height**2) / side**2
    r2 = (((x - optics.falloff_at[0]) * width) ** 2 + ((y - optics.falloff_at[1]) * height) ** 2) / side**2 / corner
    return (1.0 - optics.falloff * r2).astype(np.float32)
