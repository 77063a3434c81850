"""Scenes with the truth that a narrower spread would have shown, and how near to it, how sharp and how noisy a frame
is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from independent.optics import Optics, stamp_stars
from independent.scenes import Plan, Scene, make_scene
from workbench.measure.stars import find_stars

__all__ = ["Sharper", "dark_rings", "make_sharper", "star_width"]


@dataclass(frozen=True)
class Sharper:
    """A scene, and the same light as a spread of ``share`` times the width would have shown it.

    Attributes
    ----------
    scene : Scene
    truth : ndarray, shape (H, W, C)
    unsaturated, sky, lit : ndarray of bool, shape (H, W)
        Away from clipped stars; of those where nothing is seen, and where light is five times the noise.
    """

    scene: Scene
    truth: np.ndarray
    unsaturated: np.ndarray
    sky: np.ndarray
    lit: np.ndarray

    def error(self, pixels: np.ndarray, where: np.ndarray | None = None) -> float:
        """RMS of the difference to the truth, in units of each pixel's noise, away from clipped stars."""
        where = self.unsaturated if where is None else where
        return float(np.sqrt(np.mean(((pixels - self.truth) / self.scene.noise)[where] ** 2)))

    def sky_noise(self, pixels: np.ndarray) -> float:
        """Spread of the sky over what it was; worst channel."""
        before = (self.scene.stack.pixels - self.scene.clean)[self.sky].std(axis=0)
        return float(((pixels - self.truth)[self.sky].std(axis=0) / before).max())


def make_sharper(share: float, **plan: Any) -> Sharper:
    """Build a scene and its sharper truth; ``plan`` as of `Plan`, with ``fwhm`` for its optics."""
    fwhm = plan.pop("fwhm")
    made = Plan(**plan, optics=Optics(fwhm), glow="plane", height=0.02)
    narrow = Optics(tuple(share * f for f in fwhm))
    scene, other = make_scene(made), make_scene(replace(made, optics=narrow))
    stars = stamp_stars(made.shape, scene.table.x, scene.table.y, scene.table.flux, narrow, 1e-7)
    # A scene sets its objects' brightness after the optics: here both hold the same light.
    total, shown = (s.objects.sum(axis=(0, 1), dtype=np.float64) for s in (scene, other))
    truth = scene.sky + other.objects * (total / np.maximum(shown, 1e-9)) + stars
    light = (scene.objects + scene.stars).max(axis=2) / scene.noise.mean(axis=2)
    clipped = cv2.dilate((scene.clean.max(axis=2) > 0.9).astype(np.uint8), np.ones((25, 25))) > 0
    seen = cv2.dilate((light > 0.2).astype(np.uint8), np.ones((9, 9))) > 0
    return Sharper(scene, truth, ~clipped, ~seen & ~clipped, (light > 5) & ~clipped)


def star_width(pixels: np.ndarray) -> float:
    """Median FWHM (px) of bright, unsaturated stars."""
    stars = find_stars(np.ascontiguousarray(np.moveaxis(pixels, 2, 0), np.float32))
    return float(np.median(stars.fwhm[(stars.snr > 100) & ~stars.saturated]))


def dark_rings(pixels: np.ndarray, made: Sharper) -> np.ndarray:
    """Depth of the darkest ring around each bright star below the light around it, over the star's height."""
    mean, table = pixels.mean(axis=2), made.scene.table
    height, width = mean.shape
    y, x = np.mgrid[-12:13, -12:13]
    r = np.hypot(x, y)
    found = []
    for i in np.flatnonzero((table.peak > 100) & ~table.saturated):
        row, col = round(float(table.y[i])), round(float(table.x[i]))
        if 12 <= row < height - 12 and 12 <= col < width - 12:
            part = mean[row - 12 : row + 13, col - 12 : col + 13]
            rings = [np.median(part[(r >= a - 0.5) & (r < a + 0.5)]) for a in range(2, 9)]
            around = np.median(part[r > 9])
            found.append((around - min(rings)) / (part.max() - around))
    return np.array(found)
