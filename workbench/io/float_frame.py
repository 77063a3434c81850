"""Samples of a file, in whatever order and type they lie there, become one float32 frame: once, on all cores.

Readers hand over blocks; a block is converted while it is in cache and lands at its final place, so that no second
full frame exists beside the float one. Turned or mirrored files are turned by writing through a turned view.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from workbench.io.scratch import Scratch
from workbench.pixels import deinterleave

__all__ = ["FloatFrame", "from_below"]


class FloatFrame:
    """A float32 frame being filled.

    Parameters
    ----------
    height, width : int
        Of the file's rows as they are stored.
    channels : int
        1 or 3.
    divisor : float
        Stored value that becomes 1.0; 1.0 when it is settled later.
    inverted : bool
        0 is white in the file.
    orientation : int
        1 to 8 as in the TIFF tag: where the stored first row and column belong.
    scratch : Scratch, optional
        Where the frame lies, plane by plane, if it may be larger than memory.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), float32
        The frame, upright; with ``scratch`` a view of planes.
    coverage : ndarray, shape (H, W), uint8, or None
    lowest, highest : float
        Extremes of what was stored (NaN when a NaN was), in units of ``divisor``.
    """

    def __init__(
        self,
        height: int,
        width: int,
        channels: int,
        *,
        divisor: float = 1.0,
        inverted: bool = False,
        orientation: int = 1,
        scratch: Scratch | None = None,
    ) -> None:
        shape = (width, height) if orientation > 4 else (height, width)
        self._scratch = scratch
        self.pixels: NDArray[np.float32] = (
            np.zeros((*shape, channels), np.float32)
            if scratch is None
            else np.moveaxis(scratch.array((channels, *shape)), 0, 2)
        )
        self.coverage: NDArray[np.uint8] | None = None
        self.white = float(divisor)
        self.divisor = np.float32(divisor)
        self._inverted = inverted
        self._orientation = orientation
        self._view = _as_stored(self.pixels, orientation)
        self._extremes: list[tuple[float, float]] = []

    def store(self, block: NDArray[Any], y: int, x: int, channel: int = 0) -> None:
        """Convert a block (h, w, n) of any real type to channels ``channel ... channel + n``; thread-safe.

        Parameters
        ----------
        block : ndarray, shape (h, w, n) or (h, w)
        y, x : int
            Row and column of its first pixel.
        channel : int
        """
        h, w, n = block.shape
        out = self._view[y : y + h, x : x + w, channel : channel + n]
        with np.errstate(over="ignore", invalid="ignore"):
            if n == 3 and self._scratch is not None and block.strides[1] != block.itemsize:
                floats = np.empty(block.shape, np.float32)
                self._convert(block, floats)
                deinterleave(floats, np.moveaxis(out, 2, 0))
            elif n == 3 and self._scratch is None and block.strides[1] == block.itemsize:
                self._weave(block, out)
            else:
                self._convert(block, out)
            if self._inverted:
                np.subtract(np.float32(1), out, out=out)
            self._extremes.append(self._ends(block))

    def _convert(self, block: NDArray[Any], out: NDArray[np.float32]) -> None:
        if self.divisor == 1:
            np.copyto(out, block, casting="unsafe")
        else:
            np.divide(block, self.divisor, out=out, dtype=np.float32, casting="unsafe")

    def _weave(self, block: NDArray[Any], out: NDArray[np.float32]) -> None:
        """Interleave three planes: through contiguous floats, as scattered stores cost four times as much."""
        planes = np.moveaxis(block, 2, 0)
        if block.dtype != np.float32 or self.divisor != 1:
            floats = np.empty(planes.shape, np.float32)
            self._convert(planes, floats)
            planes = floats
        woven = cv2.merge([np.ascontiguousarray(plane) for plane in planes])
        np.copyto(out, woven.reshape(out.shape))

    def _ends(self, block: NDArray[Any]) -> tuple[float, float]:
        """Extremes of a block, as they stand in the frame; NaN where one is in it."""
        low, high = (float(np.float32(end) / self.divisor) for end in (block.min(), block.max()))
        return (1 - high, 1 - low) if self._inverted else (low, high)

    def cover(self, block: NDArray[Any], y: int, x: int, full: float) -> None:
        """Store coverage (h, w), where ``full`` means all frames; anything above nothing stays above nothing.

        Parameters
        ----------
        block : ndarray, shape (h, w)
        y, x : int
            Row and column of its first pixel, as the file stores them.
        full : float

        Raises
        ------
        ValueError
            When `open_coverage` was not called before.
        """
        if self.coverage is None:
            raise ValueError("open the coverage before storing into it")
        h, w = block.shape
        with np.errstate(over="ignore", invalid="ignore"):
            share = np.clip(np.nan_to_num(block.astype(np.float32)) / np.float32(full), 0, 1)
        out = np.maximum(np.rint(share * np.float32(255)), share > 0)
        _as_stored(self.coverage, self._orientation)[y : y + h, x : x + w] = out.astype(np.uint8)

    def divide(self, share: NDArray[np.float32]) -> None:
        """Divide pixels by ``share`` (H, W, 1) where it is above 0, in place; what was stored counts as divided.

        Parameters
        ----------
        share : ndarray, shape (H, W, 1), float32
        """
        with np.errstate(all="ignore"):
            np.divide(self.pixels, share, out=self.pixels, where=share > 0)
            self._extremes = [(float(np.min(self.pixels)), float(np.max(self.pixels)))]

    def open_coverage(self, value: int = 0) -> None:
        """Begin a coverage plane filled with ``value``.

        Parameters
        ----------
        value : int
        """
        if self._scratch is None:
            self.coverage = np.full(self.pixels.shape[:2], value, np.uint8)
            return
        self.coverage = self._scratch.array(self.pixels.shape[:2], np.uint8)
        if value:
            self.coverage[...] = value

    @property
    def lowest(self) -> float:
        return float(np.min([low for low, _ in self._extremes], initial=np.inf))

    @property
    def highest(self) -> float:
        return float(np.max([high for _, high in self._extremes], initial=-np.inf))


def from_below(orientation: int) -> int:
    """The orientation of a file whose first stored row is the last of what the tag says.

    Parameters
    ----------
    orientation : int
        1 to 8, as in the Exif tag.

    Returns
    -------
    int
        1 to 8.
    """
    return (0, 4, 3, 2, 1, 6, 5, 8, 7)[orientation]


def _as_stored(upright: NDArray[Any], orientation: int) -> NDArray[Any]:
    """A view of an upright array in the row and column order of the file (TIFF 6.0, tag 274)."""
    flip_rows = orientation in (3, 4, 7, 8)
    flip_columns = orientation in (2, 3, 6, 7)
    view = upright[:: -1 if flip_rows else 1, :: -1 if flip_columns else 1]
    return view.swapaxes(0, 1) if orientation > 4 else view
