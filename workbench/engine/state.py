"""The frame between two steps, and everything that travels along with its pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone
from workbench.engine.chain import BoundStep
from workbench.operations.base import Frame, FrameOperation, Geometry, Planes
from workbench.stack import Stack

__all__ = ["State"]


@dataclass
class State:
    """The frame between two steps, and everything that travels along with its pixels."""

    planes: Planes
    tone: Tone
    coverage: NDArray[np.uint8] | None
    acquisition: Acquisition
    wcs: WCS | None
    _frame: Frame | None = field(default=None, init=False, repr=False, compare=False)

    @classmethod
    def of(cls, stack: Stack, planes: Planes) -> State:
        """The state before the first step, with the stack's pixels as ``planes`` (C, H, W)."""
        return cls(planes, stack.tone, stack.coverage, stack.acquisition, stack.wcs)

    @property
    def geometry(self) -> Geometry:
        channels, height, width = self.planes.shape
        return Geometry(height, width, channels)

    @property
    def frame(self) -> Frame:
        """The same object each time, so that what was found in it stays with it."""
        if self._frame is None or self._frame.planes is not self.planes:
            self._frame = Frame(self.planes, self.tone, self.coverage, self.acquisition)
        return self._frame

    def carried(self, group: Sequence[BoundStep], planes: Planes) -> State:
        """The state after the steps of ``group``, which made ``planes``."""
        tone, coverage, acquisition, wcs = self.tone, self.coverage, self.acquisition, self.wcs
        for bound in group:
            op = bound.step.operation
            if isinstance(op, FrameOperation):
                coverage, wcs, acquisition = op.carry(
                    bound.facts, coverage=coverage, wcs=wcs, acquisition=acquisition, geometry=bound.before
                )
            else:
                tone = op.gives
        return State(planes, tone, coverage, acquisition, wcs)
