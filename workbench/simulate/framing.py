"""How the frames of several nights lie over each other: how many recorded each pixel, and the ragged borders."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.simulate.scene import Frames

__all__ = ["Borders", "Placements", "count_frames", "full_borders", "place_frames"]

#: A pixel belongs to the full-coverage area when at least this share of the frames recorded it: there the noise
#: is within 6 % of the best.
FULL_SHARE = 0.9


class Borders(NamedTuple):
    """Pixels to cut from each side so that every pixel left has full coverage."""

    top: int
    right: int
    bottom: int
    left: int


class Placements(NamedTuple):
    """Offset (px) and angle (radians) of each frame's centre against the stack's: three (n,) arrays."""

    dx: NDArray[np.float64]
    dy: NDArray[np.float64]
    angle: NDArray[np.float64]


def place_frames(frames: Frames, rng: np.random.Generator) -> Placements:
    """Draw the placements: nights differ in framing and camera angle, frames of a night by dither steps.

    Parameters
    ----------
    frames : Frames
    rng : numpy.random.Generator

    Returns
    -------
    Placements
    """
    n, nights = frames.count, frames.sessions
    night = np.arange(n) * nights // n
    offset = rng.uniform(-1.0, 1.0, (nights, 2)) * frames.session_px
    offset -= offset.mean(axis=0)
    turn = np.deg2rad(rng.uniform(-1.0, 1.0, nights) * frames.session_deg)
    turn -= turn.mean()
    step = rng.uniform(-1.0, 1.0, (n, 2)) * frames.dither_px
    return Placements(offset[night, 0] + step[:, 0], offset[night, 1] + step[:, 1], turn[night])


@kernel
def _count(
    out: NDArray[np.uint16], dx: NDArray[np.float64], dy: NDArray[np.float64], angle: NDArray[np.float64]
) -> None:
    height, width = out.shape
    cx, cy = 0.5 * (width - 1), 0.5 * (height - 1)
    change = np.empty(width + 1, np.int32)
    for row in range(height):
        change[:] = 0
        for i in range(dx.shape[0]):
            c, s = np.cos(angle[i]), np.sin(angle[i])
            v = row - cy - dy[i]
            # Frame coordinates along the row: p = c t + s v, q = -s t + c v with t = col - cx - dx.
            low = (-cx - s * v) / c
            high = (cx - s * v) / c
            if s == 0.0:
                if abs(v) > cy:
                    continue
            else:
                a, b = (c * v - cy) / s, (c * v + cy) / s
                low, high = max(low, min(a, b)), min(high, max(a, b))
            first = max(int(np.ceil(low + cx + dx[i])), 0)
            last = min(int(np.floor(high + cx + dx[i])), width - 1)
            if first <= last:
                change[first] += 1
                change[last + 1] -= 1
        total = 0
        for col in range(width):
            total += change[col]
            out[row, col] = total


def count_frames(places: Placements, shape: tuple[int, int]) -> NDArray[np.uint16]:
    """How many frames recorded each pixel: (H, W) uint16.

    Parameters
    ----------
    places : Placements
    shape : tuple of (int, int)
        In pixels.

    Returns
    -------
    ndarray, shape (H, W), uint16
    """
    out = np.empty(shape, np.uint16)
    _count(out, places.dx, places.dy, places.angle)
    return out


@kernel
def _largest_rectangle(good: NDArray[np.bool_]) -> tuple[int, int, int, int]:
    height, width = good.shape
    run = np.zeros(width + 1, np.int64)
    stack = np.empty(width + 1, np.int64)
    best, y0, x0, y1, x1 = 0, 0, 0, 0, 0
    for row in range(height):
        depth = 0
        for col in range(width + 1):
            if col < width:
                run[col] = run[col] + 1 if good[row, col] else 0
            here = run[col] if col < width else 0
            while depth > 0 and run[stack[depth - 1]] >= here:
                tall = run[stack[depth - 1]]
                depth -= 1
                left = stack[depth - 1] + 1 if depth > 0 else 0
                if tall * (col - left) > best:
                    best = tall * (col - left)
                    y0, x0, y1, x1 = row - tall + 1, left, row + 1, col
            if col < width:
                stack[depth] = col
                depth += 1
    return y0, x0, y1, x1


def full_borders(counts: NDArray[np.uint16], frames: int) -> Borders:
    """Return the borders around the largest upright rectangle recorded by at least 0.9 of the frames.

    Parameters
    ----------
    counts : ndarray, shape (H, W), uint16
    frames : int
        How many there are.

    Returns
    -------
    Borders
    """
    height, width = counts.shape
    y0, x0, y1, x1 = _largest_rectangle(counts >= FULL_SHARE * frames)
    return Borders(int(y0), int(width - x1), int(height - y1), int(x0))
