"""What pointwise steps share: what they ask of a frame, said in a sentence, its sky, and how they begin a tile."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.errors import WorkbenchError
from workbench.measure.background.sky import common_level
from workbench.measure.blocks import Coverage, Plane, checked_coverage, in_order, strips, together
from workbench.measure.noise import noises
from workbench.operations.base import Frame, Planes, Tile
from workbench.operations.colorspace import luminance_weights

__all__ = ["Sky", "begin", "brighter_light", "joint_sky", "need_channels", "need_color", "need_pixels", "share_sky"]

_CHANNELS = 3  #: of a color frame
#: Pixels that the sky is read from; larger frames are thinned evenly.
_SAMPLES = 3_000_000


class Sky(NamedTuple):
    """Sky of all channels, read from the same pixels.

    Attributes
    ----------
    levels : list of float
        Level by channel.
    noise : list of float
        Noise of a pixel by channel.
    luminance, luminance_noise : float
        The same of the luminance (of the channel itself where there is one).
    light : ndarray, shape (N,), float32
        Luminance above the sky of the pixels that were read, all covered.
    """

    levels: list[float]
    noise: list[float]
    luminance: float
    luminance_noise: float
    light: NDArray[np.float32]


def joint_sky(frame: Frame) -> Sky:
    """Sky levels of the channels where the luminance has its most common value; measured once for each frame.

    Taken each by itself, channels can settle on different parts of a frame that nebulae fill, and what is neutral
    in one part is then tinted in the other. The pixels around the sky's luminance are common to all.
    """
    return frame.once("joint sky", lambda: _joint_sky(frame))


def share_sky(known: Frame, other: Frame) -> None:
    """Let the joint sky of ``known`` hold for ``other`` too, a part of the same frame."""
    other.once("joint sky", lambda: joint_sky(known))


def _joint_sky(frame: Frame) -> Sky:
    weights = luminance_weights(frame.planes.shape[0])
    mixes = np.vstack([np.eye(len(weights)), weights])
    found, (planes, covered, luminance, level) = together(
        lambda: noises(frame.planes, frame.coverage, mixes=mixes), lambda: _common_luminance(frame, weights)
    )
    *each, mixed = found
    light = luminance[covered] - np.float32(level)
    luminance -= np.float32(level)
    near = np.abs(luminance, out=luminance) <= max(mixed.sigma, 1e-7 * abs(level), float(luminance[covered].min()))
    near &= covered
    levels = [float(np.median(plane[near])) for plane in planes] if len(planes) > 1 else [level]
    return Sky(levels, [n.sigma for n in each], level, mixed.sigma, light)


def _common_luminance(frame: Frame, weights: NDArray[np.float64]) -> tuple[Planes, NDArray[np.bool_], Plane, float]:
    """A thinned frame: its planes (a view), where they are covered, their luminance, and its most common value."""
    _, height, width = frame.planes.shape
    # An odd step: an even one would meet pixels of one color only in a frame whose demosaicing still shows.
    step = int(np.ceil(np.sqrt(height * width / _SAMPLES))) | 1
    coverage = None if frame.coverage is None else np.ascontiguousarray(frame.coverage[::step, ::step])
    if coverage is not None and not coverage.any():
        coverage, step = frame.coverage, 1
    planes = frame.planes[:, ::step, ::step]
    luminance = np.zeros(planes.shape[1:], np.float32)
    for plane, weight in zip(planes, weights, strict=True):
        luminance += np.float32(weight) * plane
    # A cell is as large on the sky in a reduced frame as in the full one.
    level = common_level(luminance, coverage, thinned=step * frame.scale)
    finite = np.isfinite(luminance)
    return planes, finite if coverage is None else finite & (coverage > 0), luminance, level


@kernel
def _brighter(planes: Planes, coverage: Coverage, weights: Plane, bound: np.float32, found: Plane) -> int:
    """Write weighted sums of channels above ``bound`` to ``found``; how many there are (more than fit are counted)."""
    channels, h, w = planes.shape
    masked = coverage.size > 0
    row = np.empty(w, np.float32)
    n = 0
    for y in range(h):
        row[:] = 0
        for c in range(channels):
            for x in range(w):
                row[x] += weights[c] * planes[c, y, x]
        for x in range(w):
            if row[x] > bound and not (masked and coverage[y, x] == 0):
                if n < found.size:
                    found[n] = row[x]
                n += 1
    return n


def brighter_light(frame: Frame, sky: Sky, bound: float) -> Plane:
    """Luminance above the sky of all pixels of a frame (not thinned) in which it exceeds ``bound``: (N,)."""
    channels, height, width = frame.planes.shape
    coverage = checked_coverage(frame.coverage, height, width)
    weights = luminance_weights(channels).astype(np.float32)
    limit = np.float32(sky.luminance + bound)

    def part(rows: tuple[int, int]) -> Plane:
        planes, seen = frame.planes[:, slice(*rows)], coverage[slice(*rows)]
        found = np.empty(planes[0].size // 64 + 64, np.float32)
        n = _brighter(planes, seen, weights, limit, found)
        if n > found.size:
            found = np.empty(n, np.float32)
            _brighter(planes, seen, weights, limit, found)
        return found[:n]

    return np.concatenate(in_order(part, strips(height))) - np.float32(sky.luminance)


def need_pixels(frame: Frame, step: str) -> None:
    """Refuse a frame in which no pixel is covered."""
    covered = frame.covered
    if covered is not None and not covered.any():
        raise WorkbenchError(f"{step} cannot measure this frame: no pixel of it is covered")


def need_color(frame: Frame, step: str) -> None:
    """Refuse a frame of one channel, or without covered pixels."""
    need_channels(frame.planes.shape[0], step)
    need_pixels(frame, step)


def need_channels(channels: int, step: str) -> None:
    """Refuse a frame of one channel."""
    if channels != _CHANNELS:
        raise WorkbenchError(f"{step} needs a color frame; this one has a single channel, so leave the step out")


def begin(tile: Tile, out: Planes) -> None:
    """Bring the tile's pixels into ``out``, for a step that then works there in place."""
    if out is not tile.pixels:
        out[...] = tile.pixels
