"""Random fields that look the same at any size: sums of octaves, each a coarse grid of normal numbers.

Fields live on the square around the frame's centre whose side is the frame's longer side, so a wider or taller
frame shows more or less of the same field. Every octave draws from its own stream, so a larger canvas only adds
detail.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = ["Canvas", "Volume", "fractal", "ridged", "smoothstep", "warped"]

Plane = NDArray[np.float32]

#: Deviation that cubic interpolation leaves of a grid of unit normal numbers, averaged over places.
_CUBIC_DEVIATION = 0.865


@dataclass(frozen=True, slots=True)
class Canvas:
    """The grid on which objects are drawn; at most ``limit`` pixels on the longer side.

    A canvas pixel is never larger than the detail a lens leaves in a frame; the frame is interpolated from it.
    """

    height: int
    width: int

    @classmethod
    def of(cls, shape: tuple[int, int], limit: int = 2600) -> Canvas:
        """Return the canvas for a frame of ``shape``.

        Parameters
        ----------
        shape : tuple of (int, int)
            In pixels.
        limit : int
            Longest side of the canvas, in its pixels.

        Returns
        -------
        Canvas
        """
        k = min(1.0, limit / max(shape))
        return cls(max(16, round(shape[0] * k)), max(16, round(shape[1] * k)))

    @property
    def side(self) -> int:
        return max(self.height, self.width)

    def coordinates(self, at: tuple[float, float] = (0.5, 0.5)) -> tuple[Plane, Plane]:
        """Offsets (across, down) from a place, in longer sides: (1, w) and (h, 1).

        Parameters
        ----------
        at : tuple of (float, float)
            Across and down, as shares of the frame.

        Returns
        -------
        tuple of two ndarray, of shapes (1, w) and (h, 1)
        """
        x = (np.arange(self.width) + 0.5 - at[0] * self.width) / self.side
        y = (np.arange(self.height) + 0.5 - at[1] * self.height) / self.side
        return x.astype(np.float32)[None, :], y.astype(np.float32)[:, None]

    def crop(self, square: Plane) -> Plane:
        """Return the frame's part of a square field.

        Parameters
        ----------
        square : ndarray, shape (n, n), float32

        Returns
        -------
        ndarray, shape (h, w), float32
        """
        top, left = (self.side - self.height) // 2, (self.side - self.width) // 2
        return square[top : top + self.height, left : left + self.width]


def _resized(grid: Plane, size: int) -> Plane:
    """Interpolate a square grid to ``size`` pixels on a side."""
    return np.asarray(cv2.resize(grid, (size, size), interpolation=cv2.INTER_CUBIC), np.float32)


def _octave(canvas: Canvas, rng: np.random.Generator, cells: float) -> Plane:
    n = max(4, round(cells))
    return canvas.crop(_resized(rng.standard_normal((n, n), dtype=np.float32), canvas.side))


def _sum(canvas: Canvas, octaves: Iterable[tuple[float, Plane]]) -> Plane:
    """Interpolate the weighted grids to the canvas and add them up, coarse to fine: (h, w).

    The sum grows with the octaves (four pixels to a cell), so coarse ones cost next to nothing. Every other octave
    is turned, which hides the axes of the grids.
    """
    sums = [np.zeros((4, 4), np.float32), np.zeros((4, 4), np.float32)]
    for i, (amplitude, grid) in enumerate(octaves):
        size = min(canvas.side, 4 * len(grid))
        finer = _resized(grid, size)
        finer *= np.float32(amplitude)
        finer += _resized(sums[i % 2], size)
        sums[i % 2] = finer
    upright, turned = (_resized(s, canvas.side) for s in sums)
    middle = 0.5 * (canvas.side - 1)
    turn = cv2.getRotationMatrix2D((middle, middle), 37.0, 1.0)
    whole = (canvas.side, canvas.side)
    upright += np.asarray(cv2.warpAffine(turned, turn, whole, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT))
    return np.ascontiguousarray(canvas.crop(upright))


class Volume:
    """A fractal field with depth: slices near each other share their large structures.

    Parameters
    ----------
    cells : float
        Cells of the coarsest octave along the longer side.
    octaves : int
        How many times the cell size is halved (as far as the canvas can show it).
    gain : float
        Amplitude of an octave relative to the one before.
    depth : float
        Depth of the volume in longer sides.
    slices : int
        How many slices will be asked for; no octave needs more grids in depth than that.
    """

    def __init__(
        self, canvas: Canvas, seed: int, *, cells: float, octaves: int, gain: float, depth: float, slices: int
    ) -> None:
        self._canvas = canvas
        self._octaves: list[tuple[float, NDArray[np.float32]]] = []
        power, amplitude = 0.0, 1.0
        for stream in np.random.default_rng(seed).spawn(octaves):
            power += (_CUBIC_DEVIATION * amplitude) ** 2
            if cells * 2 <= canvas.side:
                n, deep = max(4, round(cells)), max(3, min(slices, int(np.ceil(cells * depth)) + 1))
                self._octaves.append((amplitude, stream.standard_normal((deep, n, n), dtype=np.float32)))
            cells *= 2
            amplitude *= gain
        self._norm = 1.0 / np.sqrt(power)

    def at(self, depth: float) -> Plane:
        """Return the slice at ``depth`` (0..1), standard deviation about 1: (h, w) float32.

        Parameters
        ----------
        depth : float

        Returns
        -------
        ndarray, shape (h, w), float32
        """

        def slices() -> Iterator[tuple[float, Plane]]:
            for amplitude, grids in self._octaves:
                place = depth * (len(grids) - 1)
                i = min(int(place), len(grids) - 2)
                t = place - i
                between = grids[i] * np.float32(1 - t) + grids[i + 1] * np.float32(t)
                yield amplitude * self._norm / np.hypot(1.0 - t, t), between

        return _sum(self._canvas, slices())


def fractal(canvas: Canvas, seed: int, *, cells: float, octaves: int = 7, gain: float = 0.5) -> Plane:
    """Sum of octaves, standard deviation about 1: (h, w) float32. See `Volume` for the parameters.

    Parameters
    ----------
    canvas : Canvas
    seed : int
    cells : float
    octaves : int
    gain : float

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    grids: list[tuple[float, Plane]] = []
    power, amplitude = 0.0, 1.0
    for stream in np.random.default_rng(seed).spawn(octaves):
        power += (_CUBIC_DEVIATION * amplitude) ** 2
        if cells * 2 <= canvas.side:
            n = max(4, round(cells))
            grids.append((amplitude, stream.standard_normal((n, n), dtype=np.float32)))
        cells *= 2
        amplitude *= gain
    return _sum(canvas, ((a / np.sqrt(power), g) for a, g in grids))


def ridged(canvas: Canvas, seed: int, *, cells: float, octaves: int = 6, gain: float = 0.55) -> Plane:
    """Filaments: octaves folded at zero so that their zero lines become ridges; about 0..1, (h, w) float32.

    Parameters
    ----------
    canvas : Canvas
    seed : int
    cells : float
    octaves : int
    gain : float
        As of `Volume`.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
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
    """Take the field from places moved by ``dx``, ``dy`` (in canvas pixels).

    Parameters
    ----------
    field : ndarray, shape (h, w), float32
    dx, dy : ndarray, shape (h, w), float32

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    h, w = field.shape
    map_x = dx + np.arange(w, dtype=np.float32)[None, :]
    map_y = dy + np.arange(h, dtype=np.float32)[:, None]
    moved = cv2.remap(field, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
    return np.asarray(moved, np.float32)


def smoothstep(x: Plane, low: float, high: float) -> Plane:
    """0 below ``low``, 1 above ``high``, a smooth cubic between.

    Parameters
    ----------
    x : ndarray, shape (...)
    low, high : float

    Returns
    -------
    ndarray, shape (...)
    """
    t = np.clip((x - np.float32(low)) / np.float32(high - low), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), np.float32)
