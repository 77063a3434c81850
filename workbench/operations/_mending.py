"""Filling the places of defects with what surrounds them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from workbench.compiled import kernel
from workbench.measure.bad_pixels import MARGIN, RING, BadPixels, ring_level
from workbench.operations.base import Geometry, Planes, Tile

__all__ = ["REACH", "MendPlan", "listed", "mend", "mend_numpy"]

Places = NDArray[np.int64]

#: Pixels around a tile that are looked at: a defect reaches one pixel over its edge, and its ring two more.
REACH = MARGIN + 1


@dataclass(frozen=True, slots=True)
class MendPlan:
    """Pixels to fill.

    Attributes
    ----------
    places : ndarray, shape (N, 3), int64
        Channel, row and column of the middle, in pixels of this frame; sorted by row.
    first, last : ndarray, shape (N, 2), int64
        First and last row and column to fill: 3 x 3 pixels of the full frame, or those that they touch in a reduced
        one.
    """

    places: Places
    first: Places
    last: Places

    @classmethod
    def of(cls, places: NDArray[np.int64], geometry: Geometry) -> Self:
        """For places (3, N) of the full frame, as `listed` gives them."""
        channel, *yx = places
        scale = geometry.scale
        middle, first, last = (
            np.stack([np.floor((at + 0.5 + by) / scale) for at in yx], axis=1).astype(np.int64) for by in (0, -1, 1)
        )
        inside = ((middle >= 0) & (middle < (geometry.height, geometry.width))).all(axis=1)
        inside &= channel < geometry.channels
        order = np.flatnonzero(inside)[np.argsort(middle[inside, 0], kind="stable")]
        return cls(np.column_stack([channel[order], middle[order]]), first[order], last[order])


def listed(found: BadPixels) -> NDArray[np.int64]:
    """Channels, rows and columns (3, N) to fill, the most glaring first.

    A place is there once for every channel that shares in its defect.
    """
    found = found.select(np.argsort(-np.abs(found.excess), kind="stable"))
    which, channel = np.nonzero(found.shared)
    return np.stack([channel, found.y[which], found.x[which]]).astype(np.int64)


def mend(tile: Tile, plan: MendPlan, out: Planes) -> None:
    """Write the core of ``tile`` to ``out``, with the places filled."""
    out[...] = tile.inner
    core, rows = tile.core, plan.places[:, 1]
    near = slice(np.searchsorted(rows, core.y0 - MARGIN), np.searchsorted(rows, core.y1 + MARGIN))
    _fill(tile.pixels, tile.reach, core.y0, core.x0, plan.places[near], plan.first[near], plan.last[near], out)


@kernel
def _fill(
    planes: Planes, reach: int, top: int, left: int, places: Places, first: Places, last: Places, out: Planes
) -> None:
    """Give the pixels around each place the level of their surroundings.

    ``out`` begins at row ``top`` and column ``left`` of the frame, ``planes`` begin ``reach`` before.
    """
    _, h, w = out.shape
    ring = np.empty(RING, np.float32)
    for k in range(len(places)):
        c, y, x = places[k]
        y0, y1 = max(first[k, 0] - top, 0), min(last[k, 0] - top + 1, h)
        x0, x1 = max(first[k, 1] - left, 0), min(last[k, 1] - left + 1, w)
        if y0 < y1 and x0 < x1:
            out[c, y0:y1, x0:x1] = ring_level(planes[c], y - top + reach, x - left + reach, ring)


def mend_numpy(planes: Planes, plan: MendPlan) -> Planes:
    """The plain numpy twin of `mend`, for a whole frame at least 3 pixels wide and high."""
    out, framed = planes.copy(), np.pad(planes, ((0, 0), (MARGIN, MARGIN), (MARGIN, MARGIN)), mode="reflect")
    for (c, y, x), (y0, x0), (y1, x1) in zip(plan.places, plan.first, plan.last, strict=True):
        around = framed[c, y : y + 5, x : x + 5].copy()
        around[1:4, 1:4] = np.nan
        out[c, max(y0, 0) : y1 + 1, max(x0, 0) : x1 + 1] = np.nanmedian(around)
    return out
