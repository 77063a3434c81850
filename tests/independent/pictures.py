"""Finished pictures of independent scenes, with the picture that the same stretch makes of the light without noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

import workbench as wb
from independent.scenes import Plan, Scene, make_scene
from workbench.operations.colorspace import linear_to_oklab, srgb_decode

__all__ = ["Picture", "apply", "hue_turn", "lightness", "make_picture"]


@dataclass(frozen=True)
class Picture:
    """A stretched scene whose glow was taken off exactly.

    Attributes
    ----------
    scene : Scene
    stack : workbench.Stack
        The picture, display values.
    clean : workbench.Stack
        The same stretch of the light without noise.
    sky : ndarray of bool, shape (H, W)
        Where neither stars nor objects are seen: less than a fifth of the noise.
    """

    scene: Scene
    stack: wb.Stack
    clean: wb.Stack
    sky: np.ndarray


def make_picture(plan: Plan, **stretch: float) -> Picture:
    """Build a scene, take its glow off, and stretch it with and without its noise by the same facts."""
    scene = make_scene(plan)
    even = np.median(scene.sky, axis=(0, 1))
    recipe = wb.Recipe([wb.Stretch(**stretch)])
    result = recipe.run(wb.Stack.from_array((scene.stack.pixels - scene.sky + even).astype(np.float32)))
    clean = wb.Stack.from_array((scene.clean - scene.sky + even).astype(np.float32))
    seen = (scene.objects + scene.stars).max(axis=2) > 0.2 * scene.noise.mean(axis=2)
    return Picture(scene, result.image, recipe.run(clean, facts=result.record).image, ~seen)


def apply(operation: object, stack: wb.Stack, facts: object = None) -> wb.Result:
    """The operation alone."""
    return wb.Recipe([operation]).run(stack, **({} if facts is None else {"facts": facts}))


def lightness(stack: wb.Stack) -> np.ndarray:
    """Oklab L of a picture, (H, W)."""
    return oklab(stack)[0]


def oklab(stack: wb.Stack) -> np.ndarray:
    """Oklab planes (3, H, W) of a picture."""
    pixels = np.moveaxis(stack.pixels.astype(np.float64), 2, 0)
    if len(pixels) == 1:
        pixels = np.repeat(pixels, 3, axis=0)
    return linear_to_oklab(srgb_decode(pixels))


def hue_turn(before: wb.Stack, after: wb.Stack, least: float = 0.02) -> np.ndarray:
    """Degrees by which the hue of pixels with some chroma has turned."""
    a, b = oklab(before)[1:], oklab(after)[1:]
    known = (np.hypot(*a) > least) & (np.hypot(*b) > least)
    turn = np.angle((b[0] + 1j * b[1])[known] / (a[0] + 1j * a[1])[known], deg=True)
    return np.abs(turn)
