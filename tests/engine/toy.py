"""Small operations for testing the engine apart from the real ones; the underscore keeps them out of the registry."""

from typing import ClassVar

import cv2
import numpy as np
from pydantic import Field

from workbench.acquisition import Tone
from workbench.operations.base import Facts, FrameOperation, Geometry, Operation, Rect
from workbench.operations.facts import Real


class MedianFacts(Facts):
    """Medians of the channels."""

    median: tuple[Real, ...] = Field(
        description="Median by channel", json_schema_extra={"unit": "of white", "shape": ["channels"]}
    )


class _AddMedian(Operation):
    """Pointwise with a fact."""

    purpose: ClassVar = "color"
    facts_type: ClassVar = MedianFacts
    factor: float = Field(0.5, ge=0, le=2)

    def measure(self, frame):
        return MedianFacts(median=[np.median(p) for p in frame.planes])

    def apply(self, tile, plan, out):
        for c, m in enumerate(plan.median):
            np.add(tile.pixels[c], np.float32(self.factor * m), out=out[c])

    def explain(self, facts):
        return f"median {facts.median[0]:.6f}"


class _Root(Operation):
    """Pointwise without facts, transcendental."""

    purpose: ClassVar = "stretch"

    def apply(self, tile, plan, out):
        np.arcsinh(np.abs(tile.pixels) * 10, out=out)


class _Blur(Operation):
    """Neighborhood step."""

    purpose: ClassVar = "noise"
    radius: int = Field(3, ge=1, le=40, json_schema_extra={"unit": "px"})

    def reach(self, facts, geometry):
        return max(1, round(self.radius / geometry.scale))

    def apply(self, tile, plan, out):
        r = tile.reach
        for c in range(len(out)):
            out[c] = cv2.GaussianBlur(tile.pixels[c], (2 * r + 1, 2 * r + 1), r / 2.5)[r:-r, r:-r]


class _Shift(FrameOperation):
    """Frame step: cuts three rows and five columns and mirrors left to right."""

    purpose: ClassVar = "frame"

    def out_geometry(self, facts, geometry):
        return Geometry(geometry.height - 3, geometry.width - 5, geometry.channels, geometry.scale)

    def source_rect(self, facts, geometry, core):
        w = geometry.width - 5
        return Rect(core.y0 + 3, w - core.x1, core.y1 + 3, w - core.x0)

    def resample(self, source, rect, core, plan, geometry, out):
        out[...] = source[:, :, ::-1]

    def carry(self, facts, *, coverage, wcs, acquisition, geometry):
        return coverage, None, acquisition


class _Show(Operation):
    """Linear to display."""

    purpose: ClassVar = "stretch"
    gives: ClassVar = Tone.DISPLAY

    def apply(self, tile, plan, out):
        np.clip(tile.pixels, 0, 1, out=out)


class _Broken(Operation):
    """Fails in one tile."""

    purpose: ClassVar = "tone"

    def apply(self, tile, plan, out):
        if tile.core.y0 == 0:
            raise ZeroDivisionError("on purpose")
        out[...] = tile.pixels
