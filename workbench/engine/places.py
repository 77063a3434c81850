"""Where the pixels of a frame lie on the stack.

A plain grid is carried along in place of a sky solution, so that every step that changes the frame moves it by the rule
by which it moves the sky.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from astropy.wcs import WCS
from numpy.typing import NDArray

from workbench.acquisition import Acquisition
from workbench.operations.base import Facts, FrameOperation, Geometry
from workbench.recipe.model import Step

__all__ = ["Array", "carried", "place_of", "plain_grid"]

Array = NDArray[np.float64]


def plain_grid(x: float = 1.0, y: float = 1.0) -> WCS:
    """A grid whose 'sky position' of a pixel is its (x, y) on the stack; a pixel is ``x`` by ``y`` of the stack's."""
    grid = WCS(naxis=2)
    grid.wcs.crpix, grid.wcs.crval, grid.wcs.cd = [1.0, 1.0], [0.5 * x - 0.5, 0.5 * y - 0.5], np.diag([x, y])
    grid.wcs.set()
    return grid


def place_of(grid: WCS | None) -> Array | None:
    """Where pixels of the frame lie on the stack, (2, 3): ``place[:, :2] @ (x, y) + place[:, 2]``, as (x, y).

    Pixel centres are at integers. None where a step did not say where the sky went.
    """
    if grid is None:
        return None
    matrix = np.asarray(grid.wcs.cd, np.float64)
    first = np.asarray(grid.wcs.crval, np.float64) + matrix @ (1.0 - np.asarray(grid.wcs.crpix, np.float64))
    return np.column_stack([matrix, first])


def carried(geometry: Geometry, steps: Iterable[tuple[Step, Facts]]) -> tuple[Array | None, Geometry]:
    """`place_of` the frame after ``steps`` on the stack, whose frame is ``geometry``; and that frame."""
    acquisition = Acquisition()
    grid: WCS | None = plain_grid()
    for step, facts in steps:
        if not isinstance(step.operation, FrameOperation):
            continue
        _, grid, acquisition = step.operation.carry(
            facts, coverage=None, wcs=grid, acquisition=acquisition, geometry=geometry
        )
        geometry = step.operation.out_geometry(facts, geometry)
    return place_of(grid), geometry
