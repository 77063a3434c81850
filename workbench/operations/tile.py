"""What an operation is given: a whole frame to measure, a tile of it to change, and where the tile lies."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from workbench.acquisition import Acquisition, Tone

if TYPE_CHECKING:
    from collections.abc import Callable

    from astropy.wcs import WCS

__all__ = ["Frame", "Geometry", "Planes", "Rect", "Tile"]

T = TypeVar("T")
Planes = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Rect:
    """A rectangle of pixels: rows ``y0 <= y < y1``, columns ``x0 <= x < x1``."""

    y0: int
    x0: int
    y1: int
    x1: int

    @property
    def height(self) -> int:
        return self.y1 - self.y0

    @property
    def width(self) -> int:
        return self.x1 - self.x0

    def grown(self, n: int) -> Rect:
        """The rectangle with ``n`` more pixels on each side (it may leave the frame).

        Parameters
        ----------
        n : int
            Pixels; negative: smaller.

        Returns
        -------
        Rect
        """
        return Rect(self.y0 - n, self.x0 - n, self.y1 + n, self.x1 + n)

    def clipped(self, height: int, width: int) -> Rect:
        """The part inside a frame.

        Parameters
        ----------
        height, width : int
            Size of the frame, in pixels.

        Returns
        -------
        Rect
        """
        return Rect(max(self.y0, 0), max(self.x0, 0), min(self.y1, height), min(self.x1, width))

    def overlap(self, other: Rect) -> Rect:
        """The part that lies in both rectangles, which must overlap.

        Parameters
        ----------
        other : Rect

        Returns
        -------
        Rect
        """
        return Rect(max(self.y0, other.y0), max(self.x0, other.x0), min(self.y1, other.y1), min(self.x1, other.x1))

    def moved(self, dy: int, dx: int) -> Rect:
        """The rectangle shifted by whole pixels.

        Parameters
        ----------
        dy, dx : int
            Pixels down and to the right.

        Returns
        -------
        Rect
        """
        return Rect(self.y0 + dy, self.x0 + dx, self.y1 + dy, self.x1 + dx)

    @property
    def slices(self) -> tuple[slice, slice]:
        return slice(self.y0, self.y1), slice(self.x0, self.x1)


@dataclass(frozen=True, slots=True)
class Geometry:
    """The frame a step works on: ``height`` x ``width`` pixels, each ``scale`` full-resolution pixels wide.

    ``scale`` is 1.0 for real work and above 1 for the reduced frame behind the fit view. Settings and facts
    in pixels are full-resolution pixels: a full-resolution position ``p`` (pixel centres at integers) lies at
    ``(p + 0.5) / scale - 0.5`` in a reduced frame, and a length ``l`` measures ``l / scale``.

    ``layers`` is 2 where stars lie apart: the planes of the starless layer and then, as many, those of the stars.
    """

    height: int
    width: int
    channels: int
    scale: float = 1.0
    layers: int = 1

    @property
    def planes(self) -> int:
        """How many planes hold the frame."""
        return self.channels * self.layers


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole frame at full resolution, for measuring.

    Attributes
    ----------
    planes : ndarray, shape (C, H, W), float32
        Must not be changed.
    tone : Tone
    coverage : ndarray, shape (H, W), uint8, or None
        0 where a pixel means nothing; None where all are covered.
    acquisition : Acquisition
    wcs : astropy.wcs.WCS or None
        Sky solution; None where there is none.
    scale : float
        Pixels of the full frame across one; above 1 only where an approximation is measured.
    rows_apart : int
        Rows of the full frame from one to the next; above 1 only for an operation that asks for it
        (`Operation.rows_apart`).
    seen : dict
        What was found in the frame already, see `once`.
    """

    planes: Planes
    tone: Tone = Tone.LINEAR
    coverage: NDArray[np.uint8] | None = None
    acquisition: Acquisition = field(default_factory=Acquisition)
    wcs: WCS | None = None
    scale: float = 1.0
    rows_apart: int = 1
    seen: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    def once(self, what: str, find: Callable[[], T]) -> T:
        """What ``find`` finds in this frame, found once and kept with it.

        It may depend on nothing that the name does not tell.

        A moving slider has the same frame measured again and again.

        Parameters
        ----------
        what : str
            Name under which it is kept.
        find : callable
            Measures it.

        Returns
        -------
        object
            What ``find`` returned, now or the first time.
        """
        if what not in self.seen:
            self.seen[what] = find()
        found: T = self.seen[what]
        return found

    @property
    def geometry(self) -> Geometry:
        c, h, w = self.planes.shape
        return Geometry(h, w, c)

    @property
    def covered(self) -> NDArray[np.bool_] | None:
        """Where pixels mean something, (H, W) bool, or None when everywhere."""
        return None if self.coverage is None else self.coverage > 0


@dataclass(slots=True)
class Tile:
    """A piece of the frame handed to ``apply``.

    Attributes
    ----------
    pixels : ndarray, shape (C, h + 2 reach, w + 2 reach), float32, C-contiguous
        The tile and ``reach`` pixels around it; outside the frame they are mirrored (edge pixel not repeated).
    core : Rect
        The tile without the margin, in frame coordinates (pixels of this frame, see `Geometry.scale`).
    reach : int
        Margin on each side.
    geometry : Geometry
        The frame.
    """

    pixels: Planes
    core: Rect
    reach: int
    geometry: Geometry

    @property
    def inner(self) -> Planes:
        """The tile without the margin: a view (C, h, w)."""
        r = self.reach
        return self.pixels if r == 0 else self.pixels[:, r:-r, r:-r]
