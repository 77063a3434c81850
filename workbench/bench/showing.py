"""What the sides of the picture show, and how large one is beside the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from workbench.acquisition import Tone
from workbench.engine import Preview
from workbench.engine.transform import Transform

__all__ = ["Showing", "same_size"]


@dataclass(frozen=True, slots=True)
class Showing:
    """What one side of the picture shows: a recipe with its frozen facts, up to a step (None: all)."""

    preview: Preview
    upto: int | None = None

    def way(self, start: int | None, end: int | None) -> Transform | None:
        """From the frame after ``start`` steps to that after ``end`` (None: all); None while facts are missing."""
        # The recipe may be set anew meanwhile; facts must be those of the same one.
        still = self.preview.showing(self.preview.recipe, self.preview.frozen)
        return Transform.between(still.stack, still.recipe, still.known_facts, start, end)

    @property
    def stretch(self) -> int | None:
        """Place of the step that turns the shown frame from linear to display, or None."""
        steps = self.preview.recipe.steps[: self.upto]
        for i, step in enumerate(steps):
            if step.on and step.operation.takes == Tone.LINEAR and step.operation.gives == Tone.DISPLAY:
                return i
        return None


def same_size(now: Showing, before: Showing, width: float, most: float) -> float:
    """How wide a view of ``before`` shows things as large as one of ``now`` of this width does.

    It gets ``most`` times as many pixels at most: what a narrow crop cut away is not worth them.
    """
    if before == now or (here := now.way(now.upto, 0)) is None:
        return width
    if (there := before.way(before.upto, 0)) is None:
        return width
    pixel = here.size * here.frame[1] / width  # of the view, on the stack
    pixels = [way.size**2 * way.frame[0] * way.frame[1] / pixel**2 for way in (here, there)]
    finer = min(1.0, np.sqrt(most * pixels[0] / pixels[1]))
    return float(max(1.0, finer * there.size * there.frame[1] / pixel))
