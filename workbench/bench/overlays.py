"""What can be laid over the picture: stars, sky samples, the gradient's shape, clipped pixels, outlines."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.measure.stars import Stars
from workbench.operations.base import Facts, Geometry
from workbench.operations.gradient import RemoveGradient, model_planes
from workbench.recipe.model import Step

__all__ = ["clipped_mask", "gradient_overlay", "sample_overlay", "star_overlay"]

#: More marks than this only hide the picture.
_MOST_STARS = 3000
#: Size of the gradient's grid on the page.
_GRID = (48, 72)
#: Display values from here on count as clipped.
_WHITE = 254


def star_overlay(stars: Stars) -> list[list[float]]:
    """[y, x, fwhm, elongation, angle in degrees, saturated 0/1] of the brightest stars."""
    order = np.argsort(-np.asarray(stars.flux))[:_MOST_STARS]
    columns = (stars.y, stars.x, stars.fwhm, stars.elongation, stars.angle_deg, stars.saturated)
    return [[round(float(c[i]), 2) for c in columns] for i in order]


def sample_overlay(facts: Facts) -> list[list[float]]:
    """[y, x, used 0/1] of every sky sample of `RemoveGradient`, grid row by grid row."""
    samples = facts["samples"]
    return [
        [y, x, float(letter == ".")]
        for y, row in zip(samples["y"], samples["state"], strict=True)
        for x, letter in zip(samples["x"], row, strict=True)
    ]


def gradient_overlay(step: Step, facts: Facts) -> dict[str, Any] | None:
    """The mean over channels of the sky model on a small grid, as values 0..1, with its range in words."""
    if not isinstance(step.operation, RemoveGradient):
        return None
    height, width = facts["shape"]
    rows, cols = _GRID
    scale = max(height / rows, width / cols)
    grid = Geometry(max(2, round(height / scale)), max(2, round(width / scale)), len(facts["sky"]), scale)
    model = model_planes(facts, grid).mean(axis=0, dtype=np.float64)
    low, high = float(model.min()), float(model.max())
    span = high - low or 1.0
    return {
        "values": np.round((model - low) / span, 3).tolist(),
        "range": f"sky model from {low:.4f} to {high:.4f} of the white level",
    }


def clipped_mask(pixels: NDArray[np.uint8]) -> bytes:
    """One bit a pixel of a view (h, w, 3) uint8: 1 where every channel is white or every channel is black."""
    white = (pixels >= _WHITE).all(axis=2)
    black = (pixels == 0).all(axis=2)
    return np.packbits(white | black, axis=None).tobytes()
