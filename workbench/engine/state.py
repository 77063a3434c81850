"""The frame between two steps, and everything that travels along with its pixels."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone
from workbench.engine.chain import BoundStep
from workbench.operations.base import Frame, FrameOperation, Geometry, Planes
from workbench.recipe.model import Step
from workbench.stack import Stack

if TYPE_CHECKING:
    from astropy.wcs import WCS

__all__ = ["MakeFrame", "State", "in_memory", "layer_of"]

#: Makes an array of a shape (C, H, W), its values left open.
MakeFrame = Callable[[tuple[int, int, int]], Planes]


def in_memory(shape: tuple[int, int, int]) -> Planes:
    """An array in memory, its values left open.

    Parameters
    ----------
    shape : tuple of (int, int, int)

    Returns
    -------
    ndarray, shape (C, H, W), float32
    """
    return np.empty(shape, np.float32)


def layer_of(planes: Planes, layer: str, layers: int, make: MakeFrame = in_memory) -> Planes:
    """Planes (C, H, W) of a layer, "starless" or "stars", or of "both" joined; a view where nothing is added.

    Parameters
    ----------
    planes : ndarray, shape (layers C, H, W), float32
    layer : str
        Means nothing where there is one layer only.
    layers : int
    make : callable
        Makes the frame that joined layers are laid into.

    Returns
    -------
    ndarray, shape (C, H, W), float32
    """
    if layers == 1:
        return planes
    half = len(planes) // 2
    if layer == "both":
        count, height, width = planes[:half].shape
        return np.add(planes[:half], planes[half:], out=make((count, height, width)))
    return planes[half:] if layer == "stars" else planes[:half]


@dataclass
class State:
    """The frame between two steps, and everything that travels along with its pixels.

    Where ``layers`` is 2, ``planes`` are those of the starless layer and then those of the stars. ``make`` makes
    frames of their like, in memory or on disk.
    """

    planes: Planes
    tone: Tone
    coverage: NDArray[np.uint8] | None
    acquisition: Acquisition
    wcs: WCS | None
    layers: int = 1
    make: MakeFrame = in_memory
    _frames: dict[str, Frame] = field(default_factory=dict, init=False, repr=False, compare=False)

    @classmethod
    def of(cls, stack: Stack, planes: Planes, make: MakeFrame = in_memory) -> State:
        """The state before the first step, with the stack's pixels as ``planes`` (C, H, W).

        Parameters
        ----------
        stack : Stack
        planes : ndarray, shape (C, H, W), float32
        make : callable
            Makes frames of a shape.

        Returns
        -------
        State
        """
        return cls(planes, stack.tone, stack.coverage, stack.acquisition, stack.wcs, make=make)

    @property
    def geometry(self) -> Geometry:
        planes, height, width = self.planes.shape
        return Geometry(height, width, planes // self.layers, layers=self.layers)

    @property
    def frame(self) -> Frame:
        """The same object each time, so that what was found in it stays with it; layers are joined."""
        return self._frame("both")

    def frame_for(self, step: Step) -> Frame:
        """What a step measures: the layer that it works on; the same object each time.

        Parameters
        ----------
        step : Step

        Returns
        -------
        Frame
        """
        return self._frame(step.works_on)

    def _frame(self, layer: str) -> Frame:
        known = self._frames.get(layer if self.layers > 1 else "both")
        if known is None:
            planes = self.layer(layer)
            known = Frame(planes, self.tone, self.coverage, self.acquisition, self.wcs)
            self._frames[layer if self.layers > 1 else "both"] = known
        return known

    def layer(self, layer: str) -> Planes:
        """Planes (C, H, W) of "starless", "stars", or of "both" joined.

        Parameters
        ----------
        layer : {"starless", "stars", "both"}

        Returns
        -------
        ndarray, shape (C, H, W), float32
        """
        return layer_of(self.planes, layer, self.layers, self.make)

    def move(self, planes: Planes) -> None:
        """Move the pixels into other memory: nothing here holds the old one any more.

        Parameters
        ----------
        planes : ndarray, shape (layers C, H, W), float32
            Of the shape of those that are there; written.
        """
        planes[...] = self.planes
        self.planes = planes
        self._frames.clear()

    def carried(self, group: Sequence[BoundStep], planes: Planes) -> State:
        """The state after the steps of ``group``, which made ``planes``.

        Parameters
        ----------
        group : sequence of BoundStep
        planes : ndarray, shape (layers C, H, W), float32

        Returns
        -------
        State
        """
        tone, coverage, acquisition, wcs = self.tone, self.coverage, self.acquisition, self.wcs
        layers = self.layers
        for bound in group:
            op = bound.step.operation
            if isinstance(op, FrameOperation):
                coverage, wcs, acquisition = op.carry(
                    bound.facts, coverage=coverage, wcs=wcs, acquisition=acquisition, geometry=bound.before
                )
            elif not op.keeps_tone():
                tone = op.gives
            layers = bound.after.layers
        return State(planes, tone, coverage, acquisition, wcs, layers, self.make)
