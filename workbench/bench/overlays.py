"""What can be laid over the picture: stars, sky samples, the gradient's shape, clipped pixels, outlines."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from workbench.engine.transform import Transform
from workbench.measure.stars import Stars
from workbench.operations.base import Geometry
from workbench.operations.frame import CropFacts
from workbench.operations.gradient import RemoveGradient, RemoveGradientFacts, model_planes
from workbench.recipe.model import Step

__all__ = ["clipped_mask", "crop_overlay", "gradient_overlay", "sample_overlay", "star_overlay"]

#: More marks than this only hide the picture.
_MOST_STARS = 3000
#: Size of the gradient's grid on the page.
_GRID = (48, 72)
#: Display values from here on count as clipped.
_WHITE = 254


def star_overlay(stars: Stars, way: Transform) -> list[list[float]]:
    """[y, x, fwhm, elongation, angle in degrees, saturated 0/1] of the brightest stars, where ``way`` leads to."""
    order = np.argsort(-np.asarray(stars.flux))[:_MOST_STARS]
    x, y = way.points(stars.x, stars.y)
    fwhm, angle = way.size * np.asarray(stars.fwhm), way.angle(stars.angle_deg)
    columns = (y, x, fwhm, stars.elongation, angle, stars.saturated)
    return [[round(float(c[i]), 2) for c in columns] for i in order]


def sample_overlay(facts: RemoveGradientFacts, way: Transform) -> list[list[float]]:
    """[y, x, used 0/1] of every sky sample of `RemoveGradient`, grid row by grid row, in the frame ``way`` leads to."""
    samples = facts.samples
    used = (samples.letters == ".").astype(np.float64)
    x, y = way.points(*np.meshgrid(samples.x, samples.y))
    table: list[list[float]] = np.round(np.stack([y, x, used], axis=-1), 2).reshape(-1, 3).tolist()
    return table


def crop_overlay(facts: CropFacts, way: Transform) -> dict[str, Any]:
    """What a crop cut away: its margins, and the outline of the frame before it in the frame ``way`` leads to."""
    height, width = way.frame
    outline = way.region({"x0": -0.5, "y0": -0.5, "x1": width - 0.5, "y1": height - 0.5})
    return {**facts.model_dump(include={"top", "right", "bottom", "left"}), "outline": outline}


def gradient_overlay(step: Step, facts: RemoveGradientFacts, way: Transform) -> dict[str, Any] | None:
    """The mean over channels of the sky model on a small grid, as values 0..1, with its range in words.

    ``at`` are the steps and the place of the grid's first node in the frame ``way`` leads to:
    [x down a row, y down a row, x along a column, y along a column, x, y].
    """
    if not isinstance(step.operation, RemoveGradient):
        return None
    height, width = facts.shape
    rows, cols = _GRID
    scale = max(height / rows, width / cols)
    grid = Geometry(max(2, round(height / scale)), max(2, round(width / scale)), len(facts.sky), scale)
    model = model_planes(facts, grid).mean(axis=0, dtype=np.float64)
    low, high = float(model.min()), float(model.max())
    span = high - low or 1.0
    # Node (row, col) is the middle of its cell.
    down, along = way.frame[0] / grid.height, way.frame[1] / grid.width
    corners = way.points([0.5 * along - 0.5, 1.5 * along - 0.5], [0.5 * down - 0.5] * 2)
    below = way.points(0.5 * along - 0.5, 1.5 * down - 0.5)
    first = corners[:, 0]
    return {
        "at": [*(below - first).tolist(), *(corners[:, 1] - first).tolist(), *first.tolist()],
        "values": np.round((model - low) / span, 3).tolist(),
        "range": f"sky model from {low:.4f} to {high:.4f} of the white level",
    }


def clipped_mask(pixels: NDArray[np.uint8]) -> bytes:
    """One bit a pixel of a view (h, w, 3) uint8: 1 where every channel is white or every channel is black."""
    white = (pixels >= _WHITE).all(axis=2)
    black = (pixels == 0).all(axis=2)
    return np.packbits(white | black, axis=None).tobytes()
