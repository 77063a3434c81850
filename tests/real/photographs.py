"""Photographs of the sky by several hands, with a glow and noise that are known laid over them.

They are finished pictures: taken back to linear light, and without the sky that their makers took off. So what lies in
them is real, nebulae without a patch of bare sky among it, and how much glow was added is known exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import cv2
import numpy as np
from independent.camera import Grain, grain
from independent.light import glow
from PIL import Image

_HERE = Path(__file__).parent / "frames"

PHOTOGRAPHS = ("ldn1622", "ic1396", "sh2_264", "ic434", "n253", "ic2177", "n5128", "m31")

#: Level of the sky in green and what the channels record of white light; noise of a pixel, as a share of the sky.
_SKY, _GAINS, _NOISE = 0.06, (0.6, 1.0, 0.75), 0.01
#: Brightest of the photograph (99 % quantile of its smoothed light), in skies.
_BRIGHT = 0.4


@dataclass(frozen=True)
class Glowing:
    """A stack (H, W, 3) float32, and the sky and the light of objects and stars that were recorded in it."""

    pixels: np.ndarray
    sky: np.ndarray
    objects: np.ndarray

    @property
    def planes(self) -> np.ndarray:
        """The stack as planes, (3, H, W)."""
        return np.ascontiguousarray(np.moveaxis(self.pixels, 2, 0))


@cache
def _light(name: str) -> np.ndarray:
    """Linear light of a photograph (IEC 61966-2-1), (H, W, 3), its brightest 1."""
    with Image.open(_HERE / f"{name}.jpg") as picture:
        code = np.asarray(picture, np.float64) / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    return light / np.quantile(cv2.GaussianBlur(light.max(axis=2), (0, 0), 6), 0.99)


def glowing(name: str, kind: str, height: float, seed: int) -> Glowing:
    """A photograph under a glow of `light.GLOWS` that is ``height`` skies high."""
    rng = np.random.default_rng(seed)
    light, gains = _light(name), np.array(_GAINS)
    surface = glow(kind, light.shape[:2], 3, rng)
    tint = gains * rng.uniform(0.7, 1.3, 3)
    level = _SKY * tint / tint.max()
    sky = level * (1 + height * surface)
    objects = light * _BRIGHT * _SKY * gains
    noise = _NOISE * level * np.sqrt(0.4 + 0.6 * (sky + objects) / level)
    pixels = np.minimum(sky + objects, 1) + noise * grain(light.shape, Grain(), rng)
    return Glowing(pixels.astype(np.float32), sky, objects)
