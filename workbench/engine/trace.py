"""What a step did, gathered tile by tile for the record."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from workbench.engine.digest import digest
from workbench.engine.fingerprint import SIDE, Fingerprint, block_sums
from workbench.operations.base import Geometry, Planes, Rect

__all__ = ["Trace"]


@dataclass
class Trace:
    """Digests and fingerprint of one step's tiles, and the time they took; tiles may come in any order.

    Parameters
    ----------
    after : Geometry
        The frame after the step.
    """

    after: Geometry
    _tiles: dict[tuple[int, int], tuple[str, NDArray[np.float64], float]] = field(default_factory=dict)

    def see(self, rect: Rect, tile: Planes, seconds: float) -> None:
        """Take in one tile (C-contiguous) of the fixed grid.

        Parameters
        ----------
        rect : Rect
            Where it lies in the frame.
        tile : ndarray, shape (C, h, w), float32
        seconds : float
            How long it took.
        """
        self._tiles[rect.y0, rect.x0] = (digest(tile), block_sums(tile, rect.y0, rect.x0), seconds)

    def merge(self, other: Trace) -> None:
        """Take in the tiles that another trace of the step has seen.

        Parameters
        ----------
        other : Trace
        """
        self._tiles.update(other._tiles)

    @property
    def seconds(self) -> float:
        """Time of all tiles, summed over threads."""
        return sum(seconds for _, _, seconds in self._tiles.values())

    def digest(self) -> str:
        """XXH3-128 over the tiles' digests in grid order, hex."""
        return digest(*(of_tile for _, (of_tile, _, _) in sorted(self._tiles.items())))

    def fingerprint(self, side: int = SIDE) -> Fingerprint:
        """Of the whole frame, in squares of ``side`` pixels.

        Where stars lie apart, of the starless layer less the stars: light that lies in the other layer shows in it.

        Parameters
        ----------
        side : int

        Returns
        -------
        Fingerprint
        """
        height, width, channels = self.after.height, self.after.width, self.after.channels
        whole = np.zeros((-(-height // SIDE), -(-width // SIDE), channels, 5))
        for (y, x), (_, sums, _) in self._tiles.items():
            rows, columns = sums.shape[:2]
            if self.after.layers > 1:
                sums = sums[:, :, :channels] - sums[:, :, channels:]  # noqa: PLW2901 - a fingerprint is linear
            whole[y // SIDE : y // SIDE + rows, x // SIDE : x // SIDE + columns] = sums
        return Fingerprint.of_sums(whole, height, width, side)
