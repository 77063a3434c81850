"""What pointwise steps share: what they ask of a frame, said in a sentence, its sky, and how they begin a tile."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from workbench.errors import WorkbenchError
from workbench.measure.noise import noise
from workbench.measure.sky import sky_level
from workbench.operations.base import Frame, Planes, Tile
from workbench.operations.colorspace import LUMINANCE

__all__ = ["Sky", "begin", "joint_sky", "need_color", "need_pixels"]

_CHANNELS = 3
#: Pixels that the sky is read from; larger frames are thinned evenly.
_SAMPLES = 6_500_000


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


def _joint_sky(frame: Frame) -> Sky:
    channels, height, width = frame.planes.shape
    step = max(1, int(np.ceil(np.sqrt(height * width / _SAMPLES))))
    planes = np.ascontiguousarray(frame.planes[:, ::step, ::step])
    coverage = None if frame.coverage is None else np.ascontiguousarray(frame.coverage[::step, ::step])
    if coverage is not None and not coverage.any():
        planes, coverage = frame.planes, frame.coverage
    each = [float(noise(plane, coverage).sigma) for plane in planes]
    if channels == 1:
        luminance: Any = planes[0]
    else:
        luminance = np.zeros(planes.shape[1:], np.float32)
        for plane, weight in zip(planes, LUMINANCE, strict=True):
            luminance += np.float32(weight) * plane
    sky = sky_level(luminance, coverage)
    away = luminance - np.float32(sky.level)
    covered = np.isfinite(away) if coverage is None else (coverage > 0) & np.isfinite(away)
    near = covered & (np.abs(away) <= max(sky.sigma, 1e-7 * abs(sky.level)))
    if not near.any():
        near = covered & (np.abs(away) <= np.abs(away[covered]).min())
    levels = [float(np.median(plane[near])) for plane in planes] if channels > 1 else [float(sky.level)]
    return Sky(levels, each, float(sky.level), float(sky.sigma), away[covered])


def need_pixels(frame: Frame, step: str) -> None:
    """Refuse a frame in which no pixel is covered."""
    covered = frame.covered
    if covered is not None and not covered.any():
        raise WorkbenchError(f"{step} cannot measure this frame: no pixel of it is covered")


def need_color(frame: Frame, step: str) -> None:
    """Refuse a frame of one channel, or without covered pixels."""
    if frame.planes.shape[0] != _CHANNELS:
        raise WorkbenchError(f"{step} needs a color frame; this one has a single channel, so leave the step out")
    need_pixels(frame, step)


def begin(tile: Tile, out: Planes) -> None:
    """Bring the tile's pixels into ``out``, for a step that then works there in place."""
    if out is not tile.pixels:
        out[...] = tile.pixels
