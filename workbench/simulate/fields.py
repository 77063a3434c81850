"""Random fields that look the same at any size: sums of octaves, each a coarse grid of normal numbers.

Fields live on the square around the frame's centre whose side is the frame's longer side, so a wider or taller
frame shows more or less of the same field. Every octave draws from its own stream, so a larger canvas only adds
detail.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Canvas", "fractal", "ridged", "smoothstep", "warped"]

Plane = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Canvas:
    """The grid on which objects are drawn; at most ``limit`` pixels on the longer side.

    A canvas pixel is never larger than the detail a lens leaves in a frame; the frame is interpolated from it.
    """

    height: int
    width: int

    @classmethod
    def of(cls, shape: tuple[int, int], limit: int = 2600) -> Canvas:
        """Return the canvas for a frame of ``shape``."""
        k = min(1.0, limit / max(shape))
        return cls(max(16, round(shape[0] * k)), max(16, round(shape[1] * k)))

    @property
    def side(self) -> int:
        return max(self.height, self.width)

    def coordinates(self, at: tuple[float, float] = (0.5, 0.5)) -> tuple[Plane, Plane]:
        """Offsets (across, down) from a place, in longer sides: (1, w) and (h, 1)."""
        x = (np.arange(self.width) + 0.5 - at[0] * self.width) / self.side
        y = (np.arange(self.height) + 0.5 - at[1] * self.height) / self.side
        return x.astype(np.float32)[None, :], y.astype(np.float32)[:, None]

    def crop(self, square: Plane) -> Plane:
        """Return the frame's part of a square field."""
        top, left = (self.side - self.height) // 2, (self.side - self.width) // 2
        return square[top : top + self.height, left : left + self.width]


def _octave(canvas: Canvas, rng: np.random.Generator, cells: float) -> Plane:
    n = max(4, round(cells))
    grid = rng.standard_normal((n, n), dtype=np.float32)
    return cv2.resize(grid, (canvas.side, canvas.side), interpolation=cv2.INTER_CUBIC)[
        (canvas.side - canvas.height) // 2 :
    ][: canvas.height, (canvas.side - canvas.width) // 2 :][:, : canvas.width]


def fractal(canvas: Canvas, seed: int, *, cells: float, octaves: int = 7, gain: float = 0.5) -> Plane:
    """Sum of octaves, standard deviation about 1: (h, w) float32.

    Parameters
    ----------
    cells : float
        Cells of the coarsest octave along the longer side.
    octaves : int
        How many times the cell size is halved (as far as the canvas can show it).
    gain : float
        Amplitude of an octave relative to the one before.
    """
    total = np.zeros((canvas.height, canvas.width), np.float32)
    power, amplitude = 0.0, 1.0
    for stream in np.random.default_rng(seed).spawn(octaves):
        power += (0.67 * amplitude) ** 2  # cubic interpolation leaves about 0.67 of a grid's deviation
        if cells * 2 <= canvas.side:
            total += np.float32(amplitude) * _octave(canvas, stream, cells)
        cells *= 2
        amplitude *= gain
    total /= np.float32(np.sqrt(power))
    return total


def ridged(canvas: Canvas, seed: int, *, cells: float, octaves: int = 6, gain: float = 0.55) -> Plane:
    """Filaments: octaves folded at zero so that their zero lines become ridges; about 0..1, (h, w) float32."""
    total = np.zeros((canvas.height, canvas.width), np.float32)
    weight = np.ones_like(total)
    norm, amplitude = 0.0, 1.0
    for stream in np.random.default_rng(seed).spawn(octaves):
        norm += amplitude
        if cells * 2 <= canvas.side:
            fold = 1.0 - np.minimum(np.abs(_octave(canvas, stream, cells)) * np.float32(1.1), 1.0)
            fold *= fold
            fold *= weight
            total += np.float32(amplitude) * fold
            weight = np.clip(fold * 2.0, 0.0, 1.0)
        cells *= 2
        amplitude *= gain
    return total / np.float32(norm)


def warped(field: Plane, dx: Plane, dy: Plane) -> Plane:
    """Take the field from places moved by ``dx``, ``dy`` (in canvas pixels)."""
    h, w = field.shape
    map_x = dx + np.arange(w, dtype=np.float32)[None, :]
    map_y = dy + np.arange(h, dtype=np.float32)[:, None]
    return cv2.remap(field, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)


def smoothstep(x: Plane, low: float, high: float) -> Plane:
    """0 below ``low``, 1 above ``high``, a smooth cubic between."""
    t = np.clip((x - np.float32(low)) / np.float32(high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)
