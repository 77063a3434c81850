"""Where a place of one frame of a recipe lies in another one: through crops, turns and changes of size."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from workbench.engine.places import Array, carried
from workbench.engine.run import measures
from workbench.operations.base import Facts, FrameOperation, Geometry
from workbench.recipe.model import RecipeData, Step
from workbench.stack import Stack

__all__ = ["Passage"]


@dataclass(frozen=True, slots=True)
class Passage:
    """From one frame to another: ``new = matrix @ old + shift``, as (x, y) with pixel centres at integers.

    Attributes
    ----------
    matrix : ndarray, shape (2, 2)
        Quarter turns, mirrors and one size for both axes.
    shift : ndarray, shape (2,)
        In pixels of the new frame.
    frame : tuple of 2 int
        Height and width of the old frame.
    """

    matrix: Array
    shift: Array
    frame: tuple[int, int]

    @classmethod
    def between(
        cls, stack: Stack, recipe: RecipeData, facts: Mapping[int, Facts], start: int | None, end: int | None = None
    ) -> Passage | None:
        """From the frame after ``start`` steps to that after ``end`` (None: all); None while facts are missing."""
        first, last = _of_stack(stack, recipe, facts, start), _of_stack(stack, recipe, facts, end)
        if first is None or last is None:
            return None
        (old, geometry), (new, _) = first, last
        if old is None or new is None:
            return None
        back = np.linalg.inv(new[:, :2])
        return cls(back @ old[:, :2], back @ (old[:, 2] - new[:, 2]), (geometry.height, geometry.width))

    @property
    def size(self) -> float:
        """New pixels per old pixel."""
        return float(np.sqrt(abs(np.linalg.det(self.matrix))))

    def points(self, x: ArrayLike, y: ArrayLike) -> Array:
        """New x and y, (2, ...), of old ones."""
        old = np.stack([np.asarray(x, np.float64), np.asarray(y, np.float64)])
        moved: Array = np.tensordot(self.matrix, old, 1) + self.shift.reshape(2, *[1] * (old.ndim - 1))
        return moved

    def angle(self, degrees: ArrayLike) -> Array:
        """New direction, in degrees from +x towards +y, of an old one."""
        radians = np.radians(np.asarray(degrees, np.float64))
        x, y = np.tensordot(self.matrix, np.stack([np.cos(radians), np.sin(radians)]), 1)
        turned: Array = np.degrees(np.arctan2(y, x))
        return turned

    def region(self, region: Mapping[str, Any]) -> dict[str, Any]:
        """A region in any of its forms (rectangle, ellipse with or without a direction, polygon) in the new frame."""
        moved = dict(region)
        if "points" in region:
            moved["points"] = self.points(*np.transpose(region["points"])).T.tolist()
        elif "along" in region:
            moved["x"], moved["y"] = self.points(region["x"], region["y"]).tolist()
            moved["along"], moved["across"] = self.size * region["along"], self.size * region["across"]
            moved["angle_deg"] = float(self.angle(region["angle_deg"]))
        else:
            x, y = np.sort(self.points([region["x0"], region["x1"]], [region["y0"], region["y1"]])).tolist()
            moved |= {"x0": x[0], "y0": y[0], "x1": x[1], "y1": y[1]}
        if region.get("feather"):
            moved["feather"] = self.size * region["feather"]
        return moved


def _of_stack(
    stack: Stack, recipe: RecipeData, facts: Mapping[int, Facts], upto: int | None
) -> tuple[Array | None, Geometry] | None:
    """Where the frame after ``upto`` steps lies on the stack, and that frame; None while facts are missing."""
    height, width, channels = stack.shape
    steps: list[tuple[Step, Facts]] = []
    for index, step in enumerate(recipe.steps[:upto]):
        if not step.on or not isinstance(step.operation, FrameOperation):
            continue
        if index not in facts and measures(step.operation):
            return None
        steps.append((step, facts.get(index) or step.operation.facts_type()))
    return carried(Geometry(height, width, channels), steps)
