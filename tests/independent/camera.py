"""How frames were taken and put together: noise of several kernels, borders, shoulders, hot pixels, trails."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

#: What was done to frames before they were averaged.
KERNELS = (
    "none",
    "resample bilinear",
    "resample lanczos",
    "demosaic bilinear",
    "demosaic gradient",
    "demosaic bilinear, resample lanczos",
)
#: A pixel counts as fully covered from this share of the frames on: its noise is within 6 % of the best.
FULL_SHARE = 0.9


# --- demosaicing and resampling


def _moved(plane: np.ndarray, dy: int, dx: int) -> np.ndarray:
    return np.roll(plane, (dy, dx), (0, 1))


def demosaic(frame: np.ndarray, kind: str, phase: tuple[int, int] = (0, 0)) -> np.ndarray:
    """Take a frame (H, W, 3) through a Bayer mosaic and back.

    Parameters
    ----------
    frame : ndarray, shape (H, W, 3)
    kind : {"bilinear", "gradient"}
        The mean of the nearest samples of a color; or, for what lies beside it, corrected by the Laplacian of the
        color that was recorded (Malvar, He, Cutler 2004, ICASSP).
    phase : (int, int)
        Row and column of the first red pixel.

    Returns
    -------
    ndarray, shape (H, W, 3)
        Edges wrap around.
    """
    height, width = frame.shape[:2]
    row = (np.arange(height)[:, None] - phase[0]) % 2
    col = (np.arange(width)[None, :] - phase[1]) % 2
    red, blue = (row == 0) & (col == 0), (row == 1) & (col == 1)
    green = ~(red | blue)
    raw = np.where(red, frame[:, :, 0], np.where(blue, frame[:, :, 2], frame[:, :, 1]))
    near = {d: _moved(raw, *d) for d in ((0, 1), (0, -1), (1, 0), (-1, 0))}
    across, along = near[0, 1] + near[0, -1], near[1, 0] + near[-1, 0]
    diagonal = sum(_moved(raw, a, b) for a in (1, -1) for b in (1, -1))
    if kind == "bilinear":
        cross, diag, side, above = (across + along) / 4, diagonal / 4, across / 2, along / 2
    else:
        far_x, far_y = _moved(raw, 0, 2) + _moved(raw, 0, -2), _moved(raw, 2, 0) + _moved(raw, -2, 0)
        cross = (4 * raw + 2 * (across + along) - far_x - far_y) / 8
        diag = (6 * raw + 2 * diagonal - 1.5 * (far_x + far_y)) / 8
        side = (5 * raw + 4 * across - diagonal - far_x + 0.5 * far_y) / 8
        above = (5 * raw + 4 * along - diagonal - far_y + 0.5 * far_x) / 8
    red_row = row == 0
    return np.stack(
        [
            np.where(red, raw, np.where(blue, diag, np.where(red_row, side, above))),
            np.where(green, raw, cross),
            np.where(blue, raw, np.where(red, diag, np.where(red_row, above, side))),
        ],
        axis=2,
    )


def resample(frame: np.ndarray, kind: str, dy: float, dx: float) -> np.ndarray:
    """Shift a frame (H, W, C) by parts of a pixel; ``kind`` is "bilinear" or "lanczos" (three lobes). Edges wrap."""
    out = frame
    for axis, shift in ((0, dy), (1, dx)):
        taps = np.arange(0, 2) if kind == "bilinear" else np.arange(-2, 4)
        d = taps - shift
        weight = 1 - np.abs(d) if kind == "bilinear" else np.sinc(d) * np.sinc(d / 3)
        weight = weight / weight.sum()
        out = sum(w * np.roll(out, t, axis) for w, t in zip(weight, taps, strict=True))
    return out


@dataclass(frozen=True)
class Grain:
    """How the noise of a stack hangs together and how it is spread.

    Attributes
    ----------
    kernel : str
        One of `KERNELS`.
    walking : float
        Share of its variance in a fixed pattern that was drawn along a drift of several pixels.
    tails : float
        Share of pixels whose noise is four times as large, as where few frames are left after a rejection.
    """

    kernel: str = "none"
    walking: float = 0.0
    tails: float = 0.0


def grain(shape: tuple[int, int, int], kind: Grain, rng: np.random.Generator, frames: int = 4) -> np.ndarray:
    """Noise (H, W, C) of variance 1 in each channel, made from ``frames`` frames with shifts of their own."""
    out = np.zeros(shape)
    for _ in range(frames if kind.kernel != "none" else 1):
        frame = rng.standard_normal(shape, dtype=np.float32)
        out += process(frame, kind.kernel, (int(rng.integers(2)), int(rng.integers(2))), tuple(rng.uniform(0, 1, 2)))
    out /= out.std(axis=(0, 1))
    if kind.walking > 0:
        pattern = rng.standard_normal(shape) + 3 * (rng.random(shape) < 0.003)
        angle, length = rng.uniform(0, np.pi), int(rng.integers(6, 20))
        steps = np.round(np.outer(np.arange(length), [np.sin(angle), np.cos(angle)])).astype(int)
        walked = sum(_moved(pattern, *step) for step in steps)
        walked = (walked - walked.mean(axis=(0, 1))) / walked.std(axis=(0, 1))
        out = np.sqrt(1 - kind.walking) * out + np.sqrt(kind.walking) * walked
    if kind.tails > 0:
        out *= np.where(rng.random(shape[:2])[:, :, None] < kind.tails, 4.0, 1.0)
        out /= out.std(axis=(0, 1))
    return out.astype(np.float32)


def process(frame: np.ndarray, kernel: str, phase: tuple[int, int], shift: tuple[float, float]) -> np.ndarray:
    """Take a frame through one of `KERNELS`; a mosaic needs three channels and leaves others alone."""
    for part in kernel.split(", "):
        what, _, kind = part.partition(" ")
        if what == "demosaic" and frame.shape[2] == 3:
            frame = demosaic(frame, kind, phase)
        elif what == "resample":
            frame = resample(frame, kind, *shift)
    return frame


# --- frames over each other


class Borders(NamedTuple):
    """Rows and columns to cut on each side."""

    top: int
    right: int
    bottom: int
    left: int


@dataclass(frozen=True)
class Frames:
    """How frames lie over each other; ``fill`` is what a pixel without any holds."""

    nights: int = 1
    per_night: int = 12
    dither: float = 4.0
    turn: float = 0.0
    drift: float = 10.0
    fill: str = "zero"


def _places(
    shape: tuple[int, int], frames: Frames, rng: np.random.Generator
) -> Iterator[tuple[np.ndarray, np.ndarray]]:
    """Row and column that each pixel of the stack has in each of the frames, from its middle."""
    height, width = shape
    y, x = (np.arange(height) - (height - 1) / 2)[:, None], (np.arange(width) - (width - 1) / 2)[None, :]
    for night in range(frames.nights):
        angle = np.deg2rad(rng.uniform(-1, 1) * frames.turn) if night else 0.0
        place = rng.uniform(-1, 1, 2) * frames.drift if night else np.zeros(2)
        for _ in range(frames.per_night):
            dy, dx = place + rng.normal(0, frames.dither, 2)
            a = (x - dx) * np.cos(angle) + (y - dy) * np.sin(angle)
            b = (y - dy) * np.cos(angle) - (x - dx) * np.sin(angle)
            yield b, a


def coverage_of(
    shape: tuple[int, int], frames: Frames | None, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Share of the frames that recorded each pixel, and of those that reach beyond it on the side where fewest do.

    Both are (H, W) float32; dithers are normal, nights drift and turn. They differ in corners, where frames that end
    before one side add to those that end before the other: a rectangle whose corners all but a tenth recorded is up to
    4 px smaller all around, and hangs on the last frame. Without ``frames`` everything covers everything.
    """
    if frames is None:
        return np.ones(shape, np.float32), np.ones(shape, np.float32)
    cy, cx = (shape[0] - 1) / 2, (shape[1] - 1) / 2
    recorded, beyond = np.zeros(shape, np.float32), np.zeros((4, *shape), np.float32)
    for row, column in _places(shape, frames, rng):
        sides = np.stack(np.broadcast_arrays(row >= -cy, column <= cx, row <= cy, column >= -cx))
        recorded += sides.all(axis=0)
        beyond += sides
    count = frames.nights * frames.per_night
    return recorded / count, beyond.min(axis=0) / count


def borders_of(coverage: np.ndarray) -> Borders:
    """Around the largest upright rectangle that `FULL_SHARE` of the frames recorded."""
    good = coverage >= FULL_SHARE
    height, width = good.shape
    if good.all():
        return Borders(0, 0, 0, 0)
    some = good.any(axis=1)
    left = np.where(some, good.argmax(axis=1), width)
    right = np.where(some, width - good[:, ::-1].argmax(axis=1), 0)
    rows = np.arange(height)
    # Where frames overlap the area is convex: a rectangle lies in it when its corners do.
    wide = np.minimum(right[:, None], right[None, :]) - np.maximum(left[:, None], left[None, :])
    area = np.maximum(wide, 0) * np.maximum(rows[None, :] - rows[:, None] + 1, 0)
    y0, y1 = np.unravel_index(area.argmax(), area.shape)
    top, bottom = int(y0), int(y1) + 1
    x0, x1 = int(max(left[y0], left[y1])), int(min(right[y0], right[y1]))
    # Nearly convex: a few pixels may still lie outside.
    while not good[top:bottom, x0:x1].all():
        inside = good[top:bottom, x0:x1]
        lost = [np.mean(~inside[0]), np.mean(~inside[:, -1]), np.mean(~inside[-1]), np.mean(~inside[:, 0])]
        worst = int(np.argmax(lost))
        if lost[worst] == 0:  # a hole inside, which no border can cut
            break
        top, x1, bottom, x0 = top + (worst == 0), x1 - (worst == 1), bottom - (worst == 2), x0 + (worst == 3)
    return Borders(top, width - x1, height - bottom, x0)


# --- sensor


def shoulder(light: np.ndarray, knee: float) -> np.ndarray:
    """A sensor that saturates at 1: straight up to ``knee``, then bending over; 1 is a hard limit."""
    if knee >= 1:
        return np.minimum(light, 1)
    over = np.maximum(light - knee, 0)
    return np.where(light > knee, knee + (1 - knee) * np.tanh(over / (1 - knee)), light)


def trail_mask(shape: tuple[int, int], count: int, rng: np.random.Generator) -> np.ndarray:
    """Where satellites crossed, soft at the rim: (H, W) from 0 to 1."""
    height, width = shape
    y, x = np.arange(height)[:, None], np.arange(width)[None, :]
    out = np.zeros(shape)
    for _ in range(count):
        angle = rng.uniform(0, np.pi)
        cy, cx = rng.uniform(0, height), rng.uniform(0, width)
        d = (x - cx) * np.sin(angle) - (y - cy) * np.cos(angle)
        out = np.maximum(out, np.exp(-0.5 * (d / rng.uniform(1.0, 2.5)) ** 2))
    return out
