"""What a simulated stack is made of, for judging what a workbench makes of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from workbench.simulate import camera, framing
from workbench.simulate.framing import Borders
from workbench.simulate.light import Light, StarTable
from workbench.simulate.scene import Scene
from workbench.stack import Stack

__all__ = ["HotPixels", "Simulation", "Truth", "bands"]

Planes = NDArray[np.float32]


def bands(height: int, rows: int = 128) -> Iterator[slice]:
    """Bands of rows that cover a frame.

    Parameters
    ----------
    height : int
    rows : int
        Most of a band.

    Yields
    ------
    slice
    """
    for top in range(0, height, rows):
        yield slice(top, min(top + rows, height))


@dataclass(frozen=True, slots=True)
class HotPixels:
    """Hot pixels that calibration and rejection left: place, channel and value added; arrays (n,)."""

    x: NDArray[np.int64]
    y: NDArray[np.int64]
    channel: NDArray[np.int64]
    value: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.x)


class Truth:
    """The parts of a simulated stack. Frames are made when first asked for and then kept.

    See `workbench.simulate.light` for the model of the light that ties them together. Planes are (3, H, W) float32 in
    white-level units. ``object_light``, ``star_light`` and ``clean`` are white-referenced (a white star is equal in
    all channels) and know neither sky nor falloff: multiply by ``channel_gains`` to compare with recorded numbers,
    or use `as_recorded`.
    """

    def __init__(self, light: Light, hot_pixels: HotPixels) -> None:
        self.light = light
        self.hot_pixels: HotPixels = hot_pixels
        self.stars: StarTable = light.stars
        self.channel_gains: NDArray[np.float64] = light.gains

    def _planes(self, make: Callable[[slice], Planes]) -> Planes:
        height, width = self.light.shape
        out = np.empty((3, height, width), np.float32)
        for rows in bands(height):
            out[:, rows] = make(rows)
        return out

    @cached_property
    def object_light(self) -> Planes:
        """Nebula or galaxy without stars: (3, H, W), white-referenced."""
        return self._planes(self.light.objects)

    @cached_property
    def star_light(self) -> Planes:
        """Stars without a white level: (3, H, W), white-referenced; may exceed 1."""
        return self._planes(self.light.star_light)

    @cached_property
    def sky(self) -> Planes:
        """Sky glow in recorded units: (3, H, W)."""
        return self._planes(self.light.sky)

    @cached_property
    def falloff(self) -> Planes:
        """Vignetting that the flats left: (H, W), 1 where there is none."""
        height, width = self.light.shape
        out = np.empty((height, width), np.float32)
        for rows in bands(height):
            out[rows] = self.light.falloff(rows)
        return out

    @cached_property
    def clean(self) -> Planes:
        """Objects and stars: (3, H, W), white-referenced."""
        out = self.object_light.copy()
        out += self.star_light
        return out

    @cached_property
    def noiseless(self) -> Planes:
        """The stack without noise and hot pixels: (3, H, W)."""

        def make(rows: slice) -> Planes:
            mean, _ = camera.clipped(self.light.recorded(rows), self.light.scene.camera)
            mean[:, self.frame_count[rows] == 0] = 0.0
            return mean

        return self._planes(make)

    @cached_property
    def frame_count(self) -> NDArray[np.uint16]:
        """How many frames recorded each pixel: (H, W)."""
        return framing.count_frames(self.light.placements, self.light.shape)

    @cached_property
    def coverage(self) -> NDArray[np.uint8]:
        """Share of the frames that recorded each pixel, 255 = all, 0 = none: (H, W)."""
        share = self.frame_count.astype(np.float32) * np.float32(255.0 / self.light.scene.frames.count)
        return np.asarray(np.ceil(share), np.uint8)

    @cached_property
    def borders(self) -> Borders:
        """Pixels to cut so that at least 0.9 of the frames recorded every pixel left (top, right, bottom, left)."""
        return framing.full_borders(self.frame_count, self.light.scene.frames.count)

    @cached_property
    def noise_sigma(self) -> NDArray[np.float64]:
        """Standard deviation of the noise per channel where the sky is the centre's and all frames count: (3,)."""
        return self.light.noise_sigma(self.light.sky_at_centre())

    def as_recorded(self, planes: Planes) -> Planes:
        """White-referenced light as the channels record it, falloff included: a new array (3, H, W).

        Parameters
        ----------
        planes : ndarray, shape (3, H, W), float32

        Returns
        -------
        ndarray, shape (3, H, W), float32
        """
        return np.asarray(planes * self.channel_gains.astype(np.float32)[:, None, None] * self.falloff)


@dataclass(frozen=True, slots=True)
class Simulation:
    """A simulated stack, what it is made of, and the scene that made it."""

    stack: Stack
    truth: Truth
    scene: Scene
