"""What a mask is: data that says, pixel by pixel, how much of a step's change is made.

A mask is split like an operation: settings, ``measure`` (what the light itself says, where a mask goes by light),
``prepare`` (both laid out for one frame) and ``weigh`` (the weights 0..1 of one tile, from that and the pixels around).
So a region served on its own has the weights of the whole frame to the last bit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from workbench.operations.base import Frame, Geometry, Tile
from workbench.operations.drawing import Drawing
from workbench.operations.mask_facts import MaskFacts

__all__ = ["Affine", "DrawnMask", "Mask", "MaskFound", "Plane", "Site", "ramp", "within"]

#: Where pixels of one frame lie in another, (2, 3): ``affine[:, :2] @ (x, y) + affine[:, 2]``.
Affine = NDArray[np.float64]
Plane = NDArray[np.float32]
#: What masks measured, by their kind: it depends on none of their settings.
MaskFound = Mapping[str, MaskFacts]
F64 = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Site:
    """The frame that a mask is laid over.

    Attributes
    ----------
    geometry : Geometry
        The frame that the step works on, and how many full-resolution pixels one of it is.
    on_stack : ndarray, shape (2, 3), float64
        Where its pixels lie on the stack, as (x, y) with pixel centres at integers.
    facts_scale : float
        Pixels that measured places are in, across one of the frame.
    """

    geometry: Geometry
    on_stack: Affine
    facts_scale: float

    @property
    def on_step(self) -> Affine:
        """Where its pixels lie in the full-resolution frame of the step."""
        s = self.geometry.scale
        return np.array([[s, 0.0, 0.5 * s - 0.5], [0.0, s, 0.5 * s - 0.5]])


class Mask(BaseModel):
    """Settings of a mask; a subclass has a ``kind`` of its own and joins the union in `workbench.masks.union`."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    kind: str
    outside: bool = Field(default=False, description="change everything but this part")

    def parts(self) -> Iterator[Mask]:
        """The mask and all masks inside it, each before those inside of it."""
        yield self

    def measures(self) -> bool:
        """Whether the mask itself, apart from masks inside it, goes by measured light."""
        return type(self).measure is not Mask.measure

    def measure(self, frame: Frame) -> MaskFacts:
        """What the light says; only of masks that go by it. It must not depend on settings.

        Parameters
        ----------
        frame : Frame
            The full frame before the step, in its tone.

        Returns
        -------
        MaskFacts

        Raises
        ------
        WorkbenchError
            When the frame cannot serve, in one sentence.
        """
        raise NotImplementedError

    def reach(self, site: Site) -> int:
        """How many pixels around a tile are looked at.

        Parameters
        ----------
        site : Site

        Returns
        -------
        int
            In pixels of the frame.
        """
        return 0

    def prepare(self, facts: MaskFound, site: Site) -> Any:
        """Settings and facts made ready for `weigh`; read-only, shared by all threads.

        Parameters
        ----------
        facts : mapping of str to MaskFacts
            By the kind of the mask that measured them.
        site : Site

        Returns
        -------
        object
        """
        raise NotImplementedError

    def weigh(self, tile: Tile, plan: Any) -> Plane:
        """Weights of the tile's core, before ``outside`` turns them round.

        Parameters
        ----------
        tile : Tile
            Input of the step with at least the `reach` around.
        plan : object
            What `prepare` made.

        Returns
        -------
        ndarray, shape (h, w), float32
            0 to 1.
        """
        raise NotImplementedError

    def weights(self, tile: Tile, plan: Any) -> Plane:
        """Weights 0..1 of the tile's core.

        Parameters
        ----------
        tile : Tile
            Input of the step with at least the `reach` around.
        plan : object
            What `prepare` made.

        Returns
        -------
        ndarray, shape (h, w), float32
        """
        weights = self.weigh(tile, plan)
        return np.subtract(1, weights, out=weights) if self.outside else weights

    def words(self) -> str:
        """The part of the frame in words that follow "only what lies" or "only" alone: ``inside the rectangle ...``."""
        raise NotImplementedError

    def explain(self, facts: MaskFacts) -> str:
        """What the mask measured, in a few words; empty where it measures nothing.

        Parameters
        ----------
        facts : MaskFacts
            Of this very mask.

        Returns
        -------
        str
        """
        return ""


class DrawnMask(Mask):
    """A mask that is drawn: places and lengths are full-resolution pixels, (x, y), of the stack or of the step's frame.

    What is drawn on the stack stays on the object through any crop, turn and change of size before the step.
    """

    frame: Literal["stack", "step"] = Field(
        "stack",
        description="whose pixels places are in: the stack's, or those of the frame that the step gets",
        json_schema_extra={"expert": True},
    )

    #: How it is drawn on the picture.
    drawn: ClassVar[Drawing]

    def affine(self, site: Site) -> Affine:
        """From the frame's pixels to those that the mask is drawn in.

        Parameters
        ----------
        site : Site

        Returns
        -------
        ndarray, shape (2, 3), float64
        """
        return site.on_stack if self.frame == "stack" else site.on_step

    def places(self, tile: Tile, affine: Affine) -> tuple[F64, F64]:
        """Columns and rows of the tile's core in the pixels that the mask is drawn in; they broadcast to (h, w).

        Parameters
        ----------
        tile : Tile
        affine : ndarray, shape (2, 3), float64

        Returns
        -------
        tuple of two ndarray, float64
        """
        x, y = np.arange(tile.core.x0, tile.core.x1)[None, :], np.arange(tile.core.y0, tile.core.y1)[:, None]
        return _along(affine[0], x, y), _along(affine[1], x, y)


def _along(row: F64, x: NDArray[np.int64], y: NDArray[np.int64]) -> F64:
    if row[1] == 0:
        return np.asarray(row[0] * x + row[2])
    if row[0] == 0:
        return np.asarray(row[1] * y + row[2])
    return np.asarray(row[0] * x + row[1] * y + row[2])


def within(distance: F64, feather: float) -> F64:
    """Weights by the distance to an outline (negative inside): falling over the feather, half of it on each side.

    Parameters
    ----------
    distance : ndarray
    feather : float
        In the unit of the distance; 0: no soft edge.

    Returns
    -------
    ndarray, float64
    """
    if feather > 0:
        return np.asarray(np.clip(0.5 - distance / feather, 0, 1))
    return np.asarray((distance <= 0).astype(np.float64))


def ramp(values: Plane, bound: float, edge: float) -> Plane:
    """Weights that rise from 0 to 1 around a bound, over ``edge``.

    Parameters
    ----------
    values : ndarray, shape (h, w), float32
    bound, edge : float
        In the unit of the values; edge 0: a step.

    Returns
    -------
    ndarray, shape (h, w), float32
    """
    if edge <= 0:
        return (values >= np.float32(bound)).astype(np.float32)
    rising: Plane = (values - np.float32(bound)) * np.float32(1 / edge)
    rising += np.float32(0.5)
    return np.asarray(np.clip(rising, 0, 1, out=rising), np.float32)
